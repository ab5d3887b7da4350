"""Fuzz both ports of a far end on loopback for so many seconds (600 unless told otherwise) and say what came back.

python bench/probe_fuzz.py [seconds] [seed]
"""

from __future__ import annotations

import asyncio
import random
import resource
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "testbed"))

from ends import far_end
from fuzzing import fuzz

from bandwright.probe import near
from bandwright.probe.limits import Limits


def main() -> None:
    """Fuzz, print what was sent and answered, and whether the far end still serves."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with far_end(limits=Limits(knocks_per_s=1e6, unproved_s=0.5)) as (thread, secret):
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        found = fuzz(thread.port, seconds, random.Random(seed))
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        alive = asyncio.run(near.check(None, secret)).is_ok
    print(
        f"{seconds:g} s, seed {seed}: {found.udp_sent} UDP packets, {found.udp_answers} answers; {found.tcp_talks} TCP talks, {len(found.tcp_answers)} answers before proof"
    )
    print(f"far end still serves: {alive}; peak memory grew by {(after - before) / 1024:.1f} MB")
    for answer in found.tcp_answers[:5]:
        print("  ", answer[:200])


if __name__ == "__main__":
    main()

"""Five seconds of junk at both ports of a far end: no answer before proof, no crash, and it still serves. Longer: bench/probe_fuzz.py."""

from __future__ import annotations

import random
import sys
from pathlib import Path

from ends import far_end

from bandwright.probe import near
from bandwright.probe.limits import Limits

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "testbed"))


async def test_junk_at_both_ports_gets_no_answer_and_does_no_harm() -> None:
    import asyncio

    from fuzzing import fuzz

    with far_end(limits=Limits(knocks_per_s=1e6, unproved_s=0.5)) as (thread, secret):
        found = await asyncio.to_thread(fuzz, thread.port, 5.0, random.Random(20260311))
        assert found.udp_sent > 1000
        assert found.tcp_talks > 20
        assert found.udp_answers == 0
        assert found.tcp_answers == [], found.tcp_answers[:3]
        await asyncio.sleep(0.6)
        assert (await near.check(None, secret)).is_ok
        assert thread.thread.is_alive()

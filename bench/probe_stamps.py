"""How steady the near end's stamps are with a busy thread in the reflector's computer and another beside the sender: loopback, 10 s each.

python bench/probe_stamps.py [seconds]. Round trips come from kernel stamps of arrivals; what Python is late by must not show.
"""

from __future__ import annotations

import asyncio
import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "testbed"))

from dataclasses import replace

from ends import OpenNearEnd, far_end

from bandwright.probe import recipe
from bandwright.probe.series import percentile
from bandwright.words.measurement import MeasurementPlan, Size


def round_trips_ms(secret: str, seconds: float) -> list[float]:
    """Measure idle delay at 200 packets/s."""
    near = OpenNearEnd(None, secret)
    chosen = replace(recipe.RECIPES[Size.LIGHT], idle_s=seconds, tcp_s=0.0, probes_per_s=200.0)
    conduct = near._conduct(MeasurementPlan(), chosen, None)
    asyncio.run(conduct.run())
    return [r[2] * 1e-6 for r in conduct.seen.rows]


def main() -> None:
    """Print quantiles with and without busy threads."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    with far_end() as (_, secret):
        for name, busy in (("quiet", False), ("a busy thread in the parent of both ends' processes", True)):
            stop = threading.Event()

            def spin(stop: threading.Event = stop) -> None:
                x = 0
                while not stop.is_set():
                    x = (x * 1103515245 + 12345) % 2**31

            thread = threading.Thread(target=spin)
            if busy:
                thread.start()
            trips = round_trips_ms(secret, seconds)
            stop.set()
            if busy:
                thread.join()
            cells = ", ".join(f"p{100 * q:g} {percentile(trips, q):.3f}" for q in (0.5, 0.95, 0.99, 0.999))
            print(f"{name}: {len(trips)} round trips on loopback, ms: {cells}")


if __name__ == "__main__":
    main()

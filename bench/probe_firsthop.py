"""Whose fault it is: a narrow house network and a narrow radio, so many runs each (20 unless told otherwise). Root.

python bench/probe_firsthop.py [runs]. A run is right where the share of the rise at the first hop is above 0.3 for the house, and below 0.15 for the radio.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "testbed"))

from bed import FAR_ADDRESS, Bed, Hop, Link, why_not
from ends import OpenNearEnd, far_end

from bandwright.words.measurement import MeasurementPlan


def shares(house: bool, seed: int) -> tuple[float | None, float | None]:
    """Measure once; return the first hop's share of the rise, down and up."""
    narrow = {"delay_ms": 15.0, "buffer_ms": 150.0}
    if house:
        bed = Bed.make(down=Link(rate_mbps=200, delay_ms=15), up=Link(rate_mbps=200, delay_ms=15), hop=Hop(rate_mbps=20, buffer_ms=150), seed=seed)
    else:
        bed = Bed.make(down=Link(rate_mbps=20, **narrow), up=Link(rate_mbps=5, **narrow), gateway=True, seed=seed)
    with bed, far_end(host=FAR_ADDRESS, bed=bed) as (_, secret), bed.inside("near"):
        m = asyncio.run(OpenNearEnd(None, secret).measure(MeasurementPlan()))
    return m.fact("hop_share_down"), m.fact("hop_share_up")


def main() -> None:
    """Print each run, and how many were wrong."""
    if (why := why_not()) is not None:
        sys.exit(why)
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    for house in (True, False):
        wrong = 0
        seen = []
        for seed in range(1, runs + 1):
            both = shares(house, seed)
            wrong += any(s is None or (s <= 0.3 if house else s >= 0.15) for s in both)
            seen += [s for s in both if s is not None]
        low, high = (min(seen), max(seen)) if seen else (float("nan"), float("nan"))
        print(
            f"narrow {'house network' if house else 'radio'}: share of the rise at the first hop {low:.3f} to {high:.3f}; {wrong} of {runs} runs wrong",
            flush=True,
        )


if __name__ == "__main__":
    main()

"""How fast the twin is: one moment, a campaign of 150 tests in 14 days, fresh samples, cases of each family. Medians of several runs, one core.

    python bench/twin_speed.py [--repeats 5]
"""

from __future__ import annotations

import argparse
import asyncio
import os
import statistics
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from bandwright.twin import practice
from bandwright.twin.clock import SimulatedClock
from bandwright.twin.families import FAMILIES
from bandwright.twin.network import InForce, SimulatedProbe
from bandwright.twin.site import SimulatedSite
from bandwright.words.measurement import MeasurementPlan

START = datetime(2026, 3, 2, tzinfo=UTC)


def timed(repeats: int, run: Callable[[int], object]) -> float:
    """Return the median of the milliseconds that a run takes."""
    took = []
    for i in range(repeats):
        begin = time.perf_counter()
        run(i)
        took.append(1e3 * (time.perf_counter() - begin))
    return statistics.median(took)


def campaign(case, tests: int = 150) -> None:
    site = SimulatedSite(case.plan, case.seed)
    for i in range(tests):
        site.moment(case.setups[i % len(case.setups)].key, case.start + timedelta(days=14 * i / tests), mounting=i // 20, load_s=10.0)


async def probed(seed: int, tests: int = 150) -> None:
    site, clock = practice.site(seed), SimulatedClock(START)
    keys = [s.key for s in practice.PLAN.setups]
    now = [keys[0]]
    probe = SimulatedProbe(site, clock, lambda: InForce(setup=now[0], since=START))
    for i in range(tests):
        now[0] = keys[i % len(keys)]
        await probe.load(10.0, plan=MeasurementPlan())
        await probe.measure(MeasurementPlan())
        await clock.sleep(14 * 86400 / tests - 20.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=5)
    repeats = parser.parse_args().repeats
    print(f"load average {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
    middle = FAMILIES[1]
    print(f"150 moments in 14 days, a new site:        {timed(repeats, lambda i: campaign(middle.case(i))):8.1f} ms")
    print(f"150 measurements through the Probe port:   {timed(repeats, lambda i: asyncio.run(probed(i))):8.1f} ms")
    site = SimulatedSite(middle.case(1).plan, 1)
    key = middle.case(1).setups[0].key
    print(f"4,000 fresh samples of a setup:            {timed(repeats, lambda i: site.sample_fresh(key, 4000, [1.0] * 24, np.random.default_rng(i))):8.1f} ms")
    print(f"1,000 redraws of one test each (11 setups):{timed(1, lambda _: practice.one_test_each(1000, hours_by_weight=(1.0,) * 24)):8.1f} ms")
    print(f"{'family':<16} {'case ms':>8} {'100 tests ms':>13}")
    for row in FAMILIES:
        cases = [row.case(i) for i in range(repeats)]
        print(f"{row.key:<16} {timed(repeats, row.case):8.2f} {timed(repeats, lambda i, c=cases: campaign(c[i], 100)):13.1f}")


if __name__ == "__main__":
    main()

"""How often stated 90 % intervals of availability hold the truth over 60 days of clustered outages, beside plainer intervals.

    python bench/watch_outages.py [--runs 400]
"""

from __future__ import annotations

import argparse
import math
from datetime import UTC, datetime, timedelta

import numpy as np

from bandwright.needs.availability import Observed, Outage, availability

START = datetime(2026, 3, 2, tzinfo=UTC)
DAYS = 60.0
CASES = (("few", 4, 1.0), ("middle", 15, 1.2), ("many", 60, 1.0))  # clusters a month, sd of ln length


def draw(rng: np.random.Generator, per_month: float, sd: float) -> list[tuple[float, float]]:
    """Clusters of one to four outages, up to an hour apart, lengths lognormal about five minutes."""
    spans = []
    for at in np.sort(rng.uniform(0, DAYS * 86400, rng.poisson(per_month * DAYS / 30))):
        t = float(at)
        for _ in range(int(rng.integers(1, 5))):
            length = 300.0 * math.exp(sd * rng.standard_normal())
            spans.append((t, t + length))
            t += length + float(rng.uniform(60, 3600))
    return spans


def main() -> None:
    args = argparse.ArgumentParser()
    args.add_argument("--runs", type=int, default=400)
    runs = args.parse_args().runs
    print(f"share of {runs} runs of {DAYS:.0f} days in which a stated 90 % interval holds the long-run availability")
    print('                 this   bootstrap of days   minutes as independent   stated "few"')
    for name, per_month, sd in CASES:
        rng = np.random.default_rng([per_month, 7])
        truth = per_month / 30 / 86400 * 300.0 * math.exp(sd * sd / 2) * 2.5
        held = boot = plain = few = 0
        for _ in range(runs):
            spans = draw(rng, per_month, sd)
            outages = [Outage(start=START + timedelta(seconds=a), end=START + timedelta(seconds=b), phase="radio", start_give_or_take_s=15) for a, b in spans]
            found = availability(outages, [Observed(START, START + timedelta(days=DAYS))], hours=None, zone=UTC, label="all")
            held += 1 - found.high <= truth <= 1 - found.low
            few += found.few
            by_day = np.zeros(int(DAYS))
            for a, b in spans:
                by_day[min(int(a // 86400), int(DAYS) - 1)] += b - a
            means = by_day[rng.integers(int(DAYS), size=(500, int(DAYS)))].mean(axis=1) / 86400
            boot += np.quantile(means, 0.05) <= truth <= np.quantile(means, 0.95)
            minutes, down = DAYS * 1440, found.down_s / 60
            half = 1.645 * math.sqrt(max(down, 1.0) * (1 - down / minutes))
            plain += down - half <= truth * minutes <= down + half
        print(f"  {name:8} outages  {held / runs:.2f}   {boot / runs:.2f}                {plain / runs:.2f}                     {few / runs:.2f}")


if __name__ == "__main__":
    main()

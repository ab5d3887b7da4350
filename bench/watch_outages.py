"""How often stated 90 % intervals of availability hold the truth over 60 days of clustered outages, beside plainer intervals.

    python bench/watch_outages.py [--runs 400] [--seed 7]

Then how many of the outages that two polls could see are listed, and how far off their starts and ends are, over as many days of polls.
"""

from __future__ import annotations

import argparse
import bisect
import math
from datetime import UTC, datetime, timedelta

import numpy as np

from bandwright.needs.availability import Observed, Outage, OutageFold, Poll, availability

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


def listed(seed: int, months: int) -> None:
    """Poll simulated clusters every 30 s, ask again 3 s after a failed poll, and match what the fold lists with what was drawn."""
    rng = np.random.default_rng([seed, 11])
    wanted = got = false = 0
    off: list[float] = []
    for _ in range(months):
        spans = merged(draw(rng, 30, 1.2))
        fold, found, polled, t, k, failed = OutageFold(gap_s=150.0), [], [], float(rng.uniform(0, 30)), 0, 0
        while t < DAYS / 2 * 86400:
            while k < len(spans) and spans[k][1] <= t:
                k += 1
            down = k < len(spans) and spans[k][0] <= t
            found += fold.poll(Poll(START + timedelta(seconds=t), "radio" if down else None, t))
            failed = failed + 1 if down else 0
            polled.append((t, down))
            t += 3.0 if failed == 1 else 30.0
        outages = [f for f in found if isinstance(f, Outage) and f.polls > 1]
        times = [p for p, down in polled if down]
        seen = [(a, b) for a, b in spans if sum(a <= p < b for p in times[bisect.bisect_left(times, a) : bisect.bisect_left(times, b)]) >= 2]
        wanted += len(seen)
        near = [(abs((o.start - START).total_seconds() - a), abs((o.end - START).total_seconds() - b)) for a, b in seen for o in outages if o.end and (o.start - START).total_seconds() < b and (o.end - START).total_seconds() > a]
        got += len(near)
        off += [x for pair in near for x in pair]
        false += sum(not any((o.start - START).total_seconds() < b and (o.end - START).total_seconds() > a for a, b in spans) for o in outages)
    print(f"outages that two polls saw: {got} of {wanted} listed, {false} false; start and end off by {np.median(off):.0f} s (median), {max(off):.0f} s at most; one interval is 30 s")


def merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Join spans that overlap or lie less than two polls apart: what no poll can tell apart."""
    out: list[tuple[float, float]] = []
    for a, b in sorted(spans):
        if out and a - out[-1][1] < 66.0:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        else:
            out.append((a, b))
    return out


def main() -> None:
    args = argparse.ArgumentParser()
    args.add_argument("--runs", type=int, default=400)
    args.add_argument("--seed", type=int, default=7)
    args.add_argument("--months", type=int, default=6, help="of polls, for the list of outages")
    asked = args.parse_args()
    runs = asked.runs
    print(f"share of {runs} runs of {DAYS:.0f} days in which a stated 90 % interval holds the long-run availability")
    print('                 this   bootstrap of days   minutes as independent   stated "few"')
    for name, per_month, sd in CASES:
        rng = np.random.default_rng([per_month, asked.seed])
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
    listed(asked.seed, asked.months)


if __name__ == "__main__":
    main()

"""What the trial's arithmetic takes, beside statsmodels on the same data in the same run, and the calibration at 1,000 campaigns.

    python bench/trials_speed.py [--sbc 1000] [--campaigns 200]

Times are of one core (one BLAS thread): the median of 30, processor time. "refit and next choice" is reading 120 or 240 recorded
tests, fitting, drawing, and the next step; nothing is cached between repeats.
"""

from __future__ import annotations

import argparse
import time
from datetime import UTC, datetime, timedelta

import numpy as np

from bandwright.trials.analysis import _values_cached, values
from bandwright.trials.course import course
from bandwright.trials.ledger import read
from bandwright.trials.model import frame_of
from bandwright.trials.prior import PriorWorld
from bandwright.trials.simulate import run
from bandwright.trials.threads import one_thread
from bandwright.words.campaign import Allowance, Design, RigMounted, RoundDrawn, Tested
from bandwright.words.rig import Setup

START = datetime(2026, 3, 2, 6, tzinfo=UTC)


def design(rigs: int, tunings: int, **changes) -> Design:
    setups = tuple(Setup(key=f"r{r}/t{t}", rig=f"r{r}", tuning=f"t{t}") for r in range(rigs) for t in range(tunings))
    return Design(**({"key": "bench", "setups": setups, "needs": (), "start": START, "seed": 1, "mounted": "r0"} | changes))


def recorded(plan: Design, tests: int) -> list:
    """Return a campaign of so many tests with complete rounds, a rig change a day, whatever the fold would have done."""
    world, records = PriorWorld(plan, seed=3), []
    rigs = list(dict.fromkeys(s.rig for s in plan.setups))
    done = number = 0
    while done < tests:
        day, at = number // 4, START + timedelta(days=number // 4, minutes=200 * (number % 4) + 120)
        rig = rigs[day % len(rigs)]
        if number % 4 == 0 and day:
            records.append(RigMounted(at=at - timedelta(minutes=20), rig=rig, visit=day + 1))
        order = tuple(s.key for s in plan.setups if s.rig == rig)
        number += 1
        records.append(RoundDrawn(at=at, round=number, rig=rig, visit=day + 1, order=order))
        for i, key in enumerate(order):
            if done < tests:
                when = at + timedelta(minutes=1 + i)
                sample = world.test(setup=key, visit=day + 1, at=when, warmup_s=0)
                records.append(Tested(at=when, test=f"{number}-{i}", round=number, setup=key, visit=day + 1, score=sample.score, megabytes=80.0))
                done += 1
    return records


def median_ms(what, n: int = 30) -> float:
    took = []
    for _ in range(n):
        began = time.process_time()
        what()
        took.append(time.process_time() - began)
    return 1000 * float(np.median(took))


def statsmodels_ms(frame) -> float:
    import warnings

    import pandas as pd
    import statsmodels.formula.api as smf

    data = pd.DataFrame(
        {
            "y": frame.y,
            "setup": frame.setup.astype(str),
            "round": (frame.minute // 60).astype(int),
            "visit": frame.visit,
            "day": (frame.minute // 1440).astype(int),
            "one": 1,
        }
    )
    data["own"] = data["setup"] + "-" + data["day"].astype(str)
    parts = {name: f"0 + C({name})" for name in ("round", "visit", "own")}
    began = time.process_time()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        smf.mixedlm("y ~ setup", data, groups="one", re_formula="0", vc_formula=parts).fit(reml=True)
    return 1000 * (time.process_time() - began)


def speeds() -> None:
    print(f"{'tests':>6s} {'setups':>6s} {'refit and next choice':>22s} {'fit and draws':>14s} {'statsmodels, three crossed':>27s} {'ratio':>7s}")
    for tests in (60, 120, 240):
        plan = design(2, 4, allowance=Allowance(days=365.0, rig_changes=999))
        records = recorded(plan, tests)
        frame = frame_of(read(plan, records))

        def whole(plan=plan, records=records) -> None:
            _values_cached.cache_clear()
            course(plan, records)

        def fitted(frame=frame) -> None:
            _values_cached.cache_clear()
            values(frame, 1)

        whole()
        ours, fit = median_ms(whole), median_ms(fitted)
        theirs = statsmodels_ms(frame)
        print(f"{tests:6d} {8:6d} {ours:19.2f} ms {fit:11.2f} ms {theirs:24.0f} ms {theirs / ours:7.0f}")


def campaigns(n: int) -> None:
    began = time.process_time()
    tests = 0
    for seed in range(n):
        plan = design(1 + seed % 2, 3, seed=seed)
        tests += sum(isinstance(r, Tested) for r in run(plan, PriorWorld(plan, seed=seed)))
    took = time.process_time() - began
    print(f"{n} campaigns on sites of the model, {tests / n:.0f} tests each: {took:.1f} s, {1000 * took / n:.0f} s per 1,000 (the worlds included)")


def calibration(n: int) -> None:
    from scipy.special import gammaincc

    counts = np.zeros(20, dtype=int)
    for seed in range(n):
        plan = design(1 + seed % 2, 2 + seed % 3 % 2, seed=seed, allowance=Allowance(days=2.0, rig_changes=2))
        world = PriorWorld(plan, seed=seed + 10_000, clipped=False)
        found = values(frame_of(read(plan, run(plan, world))), seed)
        which = seed % len(plan.setups)
        truth = world.truth
        below = found.draws[:, which] < truth[plan.setups[which].key]
        counts[min(19, int(20 * below.mean()))] += 1
    statistic = float(((counts - n / 20) ** 2 / (n / 20)).sum())
    print(f"ranks of {n} true values among their draws, 20 bins: {counts.tolist()}; chi-square {statistic:.1f}, p = {float(gammaincc(9.5, statistic / 2)):.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sbc", type=int, default=1000)
    parser.add_argument("--campaigns", type=int, default=200)
    options = parser.parse_args()
    with one_thread():
        speeds()
        if options.campaigns:
            campaigns(options.campaigns)
        if options.sbc:
            calibration(options.sbc)


if __name__ == "__main__":
    main()

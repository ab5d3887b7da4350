"""What the trial's arithmetic takes, beside statsmodels on the same data in the same run, and the calibration at 1,000 campaigns.

    python bench/trials_speed.py [--sbc 1000] [--campaigns 200]

Times are processor time of one core (one BLAS thread). "a round" is what a running campaign waits for at a round's end around so many
tests: reading all records, refit, draws and the next step, with what is kept of earlier rounds; mean and median. "nothing kept": the
same from nothing, as after a restart; median of 30.
"""

from __future__ import annotations

import argparse
import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta

import numpy as np

from bandwright.trials import analysis
from bandwright.trials.analysis import values
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


COMPONENTS = (("round", "visit", "own"), ("round", "hours", "visit", "own", "ownhours"))


def statsmodels_ms(frame, which: tuple[str, ...]) -> float:
    """Return what a fit of crossed variance components to the same tests takes: three of them, or five, which come nearer to the model here."""
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
    data["hours"] = (frame.minute // 240).astype(int)
    tuning = frame.tuning[frame.setup].astype(str)
    data["own"] = [f"{t}-{d}" for t, d in zip(tuning, data["day"], strict=True)]
    data["ownhours"] = [f"{t}-{h}" for t, h in zip(tuning, data["hours"], strict=True)]
    parts = {name: f"0 + C({name})" for name in which}
    began = time.process_time()
    with warnings.catch_warnings(), suppress(np.linalg.LinAlgError):  # it may give up at its last step; the time until then counts
        warnings.simplefilter("ignore")
        smf.mixedlm("y ~ setup", data, groups="one", re_formula="0", vc_formula=parts).fit(reml=True)
    return 1000 * (time.process_time() - began)


def forget() -> None:
    for cache in (analysis._values_cached, analysis._problem, analysis._mode, analysis._basis):
        cache.cache_clear()


def along(plan: Design, records: list, low: int, high: int) -> list[float]:
    """Return the processor time (ms) of the fold at every round boundary from so many tests to so many, as a running campaign asks for it."""
    took, tests = [], 0
    forget()
    for i, record in enumerate(records):
        if isinstance(record, RoundDrawn) and i:
            began = time.process_time()
            course(plan, records[:i])
            if low <= tests <= high:
                took.append(1000 * (time.process_time() - began))
        tests += isinstance(record, Tested)
    return took


def speeds() -> None:
    head = f"{'tests':>6s} {'setups':>6s} {'a round, mean':>14s} {'median':>9s} {'nothing kept':>13s}"
    print(head + "".join(f"{f'MixedLM, {len(p)} crossed':>21s}{'ratio':>7s}" for p in COMPONENTS))
    plan = design(2, 4, allowance=Allowance(days=365.0, rig_changes=999))
    course(plan, recorded(plan, 40))  # loads what is loaded once
    for tests in (60, 120, 240):
        records = recorded(plan, tests + 20)
        rounds = [ms for _ in range(5) for ms in along(plan, records, tests - 20, tests + 20)]
        exact = recorded(plan, tests)
        frame = frame_of(read(plan, exact))

        def cold(records=exact) -> None:
            forget()
            course(plan, records)

        ours = float(np.mean(rounds))
        line = f"{tests:6d} {8:6d} {ours:11.2f} ms {np.median(rounds):6.2f} ms {median_ms(cold):10.2f} ms"
        for parts in COMPONENTS:
            theirs = statsmodels_ms(frame, parts)
            line += f"{theirs:18.0f} ms{theirs / ours:7.0f}"
        print(line, flush=True)


class Timed:
    """A world that counts its own processor time, the making of it included."""

    def __init__(self, plan: Design, seed: int) -> None:
        began = time.process_time()
        self._world = PriorWorld(plan, seed=seed)
        self.seconds = time.process_time() - began

    def test(self, **asked):
        began = time.process_time()
        found = self._world.test(**asked)
        self.seconds += time.process_time() - began
        return found


def campaigns(n: int) -> None:
    began, worlds, tests = time.process_time(), 0.0, 0
    for seed in range(n):
        plan = design(1 + seed % 2, 3, seed=seed)
        world = Timed(plan, seed)
        tests += sum(isinstance(r, Tested) for r in run(plan, world))
        worlds += world.seconds
    took = time.process_time() - began
    print(
        f"{n} campaigns on sites of the model, {tests / n:.0f} tests each: {1000 * (took - worlds) / n:.0f} s per 1,000 of the method, "
        f"{1000 * worlds / n:.0f} s of the simulated worlds"
    )


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

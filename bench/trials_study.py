"""How often the trial is right, how sure it says it is, and what it costs, on families of simulated sites at the level of scores.

    python bench/trials_study.py [--campaigns 60] [--families calm;middle] [--workers 2] [--by-hand] [--prove-equal]

Prints one row a family, then all, one rig, several rigs. "right": the lead is within the indifference of the best. A site whose
information bound is below 8 tests is easy; easy sites are in all columns but the ratio to the bound.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from bandwright.advice.verdict import verdict
from bandwright.trials.bound import least_tests
from bandwright.trials.simulate import run
from bandwright.trials.threads import one_thread
from bandwright.words.campaign import Allowance
from trials_families import FAMILIES, site

BY_HAND = {"by_hand": True, "allowance": Allowance(days=5.0, rig_changes=2)}


def one(job: tuple[str, int, bool, bool]) -> dict:
    family, draw, by_hand, prove = job
    with one_thread():
        place = site(family, draw)
        value, met, moment = place.truth()
        design = place.design(**(BY_HAND if by_hand else {}), prove_equal=prove)
        began = time.perf_counter()
        records = run(design, place.world())
        said = verdict(design, records)
        seconds = time.perf_counter() - began
    keys = list(place.keys)
    best = value.max()
    delta = design.indifference
    lead = keys.index(said.lead)
    inside = {s.setup: s.value.low <= value[keys.index(s.setup)] <= s.value.high for s in said.setups}
    gaps = [c.difference.low <= value[keys.index(c.a)] - value[keys.index(c.b)] <= c.difference.high for c in said.comparisons]
    margins = [abs(value[keys.index(c.a)] - value[keys.index(c.b)]) <= c.margin for c in said.comparisons]
    shares = [n.estimate.low <= met[keys.index(s.setup)] <= n.estimate.high for s in said.setups for n in s.needs]
    equal_right = all(value[keys.index(k)] >= best - delta for k in said.equals) if said.equals else None
    return {
        "family": family,
        "rigs": max(place.rigs) + 1,
        "answered": said.kind in {"best", "no difference"},
        "kind": said.kind,
        "right": bool(value[lead] >= best - delta),
        "regret": float(best - value[lead]),
        "stated": said.certainty,
        "tests": said.tests,
        "changes": sum(r.__class__.__name__ == "RigMounted" for r in records),
        "person": sum(getattr(r, "person_minutes", 0.0) for r in records),
        "visits": said.visits,
        "gb": said.megabytes / 1000,
        "days": said.days,
        "value": float(np.mean(list(inside.values()))),
        "difference": float(np.mean(gaps)) if gaps else np.nan,
        "share": float(np.mean(shares)) if shares else np.nan,
        "margin": float(np.mean(margins)) if margins else np.nan,
        "equal": equal_right,
        "unique": int((value >= best - delta).sum()) == 1,
        "bound": least_tests(list(value), variance=float(moment.mean()), indifference=delta, risk=design.risk),
        "seconds": seconds,
        "binding": said.binding if said.kind == "not yet" else None,
        "draw": draw,
        "rounds": said.rounds,
    }


def table(rows: list[dict]) -> None:
    head = f"{'family':24s} {'n':>4s} {'ans':>5s} {'right':>6s} {'stated':>6s} {'all':>6s} {'regret':>6s} {'tests':>6s} {'rnds':>5s} {'min':>5s} {'GB':>5s} {'days':>5s} {'V':>5s} {'d':>5s} {'met':>5s} {'margin':>6s} {'equal':>9s} {'/bound':>6s} {'s':>5s}"
    print(head)
    groups = [(f, [r for r in rows if r["family"] == f]) for f in dict.fromkeys(r["family"] for r in rows)]
    groups += [
        ("one rig", [r for r in rows if r["rigs"] == 1]),
        ("several rigs", [r for r in rows if r["rigs"] > 1]),
        ("all", rows),
        ("  one good", [r for r in rows if r["unique"]]),
    ]
    for name, group in groups:
        if not group:
            continue
        said = [r for r in group if r["answered"]]

        def mean(key: str, of=group) -> float:
            return float(np.nanmean([r[key] for r in of])) if of else float("nan")

        equal = [r["equal"] for r in group if r["equal"] is not None]
        hard = [r["tests"] / r["bound"] for r in said if r["bound"] >= 8]
        print(
            f"{name:24s} {len(group):4d} {len(said) / len(group):5.2f} {mean('right', said):6.3f} {mean('stated', said):6.3f} {mean('right'):6.3f} {mean('regret'):6.4f} "
            f"{mean('tests'):6.1f} {mean('rounds'):5.1f} {mean('person'):5.0f} {mean('gb'):5.1f} {mean('days'):5.1f} {mean('value'):5.2f} {mean('difference'):5.2f} {mean('share'):5.2f} {mean('margin'):6.2f} "
            f"{(f'{np.mean(equal):.2f}/{len(equal)}' if equal else '-'):>9s} {(np.median(hard) if hard else float('nan')):6.2f} {mean('seconds'):5.2f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--families", default="")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--by-hand", action="store_true", help="a person sets and starts everything: two sittings a day for five days, two rig changes")
    parser.add_argument("--prove-equal", action="store_true", help="go on until two are shown alike, or the closest other is clearly worse")
    parser.add_argument("--save", default="")
    options = parser.parse_args()
    names = options.families.split(";") if options.families else list(FAMILIES)
    jobs = [(f, options.first + i, options.by_hand, options.prove_equal) for f in names for i in range(options.campaigns)]
    with ProcessPoolExecutor(options.workers) as pool:
        rows = list(pool.map(one, jobs, chunksize=4))
    table(rows)
    if options.save:
        import pickle
        from pathlib import Path

        Path(options.save).write_bytes(pickle.dumps(rows))


if __name__ == "__main__":
    main()

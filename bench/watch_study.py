"""What the watch finds on seeded months of simulated places, beside control charts that take tests for independent.

    python bench/watch_study.py --part null --sites 100        false alarms where nothing changed
    python bench/watch_study.py --part steps --sites 40        hours until both rates are known to be down 50 % and 30 %
    python bench/watch_study.py --part causes --sites 12       the cause a day after the alarm, where readings hold it
    python bench/watch_study.py --part others --sites 20       loss appearing, upload alone

A site is one seed; its numbers are the same in every run.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

from threadpoolctl import threadpool_limits

from bandwright.jobs.rehearse_watch import WatchRehearsal, rehearse_watch
from bandwright.trials.change import LIMIT

CLASSES = ("calm", "middle", "wild")
VISIBLE = ("cell", "carrier lost", "interference", "obstruction", "load", "throttle", "first hop", "firmware", "mode")


def one(job: dict) -> WatchRehearsal:
    with threadpool_limits(1):
        return rehearse_watch(job.pop("kind"), job.pop("seed"), **job)


def run(jobs: list[dict], workers: int) -> list[WatchRehearsal]:
    if workers == 1:
        return [one(j) for j in jobs]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(one, jobs, chunksize=4))


def share(values: list[float | None], q: float) -> str:
    """The q-quantile with None as later than all; "-" where it is none."""
    ordered = sorted(math.inf if v is None else v for v in values)
    at = ordered[min(len(ordered) - 1, math.ceil(q * len(ordered)) - 1)]
    return "-" if math.isinf(at) else f"{at:.0f}"


def main() -> None:
    args = argparse.ArgumentParser()
    args.add_argument("--part", default="null", choices=("null", "steps", "causes", "others"))
    args.add_argument("--sites", type=int, default=20)
    args.add_argument("--first", type=int, default=1000)
    args.add_argument("--limit", type=float, default=LIMIT)
    args.add_argument("--workers", type=int, default=1)
    args.add_argument("--classes", default=",".join(CLASSES))
    a = args.parse_args()
    began = time.process_time()
    seeds = range(a.first, a.first + a.sites)
    classes = a.classes.split(",")
    print(f"{a.part}: {a.sites} sites a cell, seeds {seeds.start}..{seeds.stop - 1}, limit {a.limit:g}, 6 tests a day, {time.strftime('%Y-%m-%d')}")
    if a.part == "null":
        every = []
        for kind in classes:
            found = run([{"kind": kind, "seed": s, "limit": a.limit} for s in seeds], a.workers)
            alarms = sum(len(r.alarms_h) for r in found)
            every.append(alarms / len(found))
            charted = "; ".join(f"{c.name} {sum(len(r.charted[i].alarms_h) for r in found) / len(found):.1f}" for i, c in enumerate(found[0].charted))
            where = Counter(f.channel for r in found for f in r.alarms if f.news)
            print(f"  {kind:8} false alarms per site and 90 days {alarms / len(found):.3f} ({alarms} on {len(found)} sites; {dict(where)}); notices {sum(r.notices for r in found) / len(found):.1f}; {charted}", flush=True)
        print(f"  over all {sum(every) / len(every):.3f}")
    elif a.part in ("steps", "others"):
        rows = [("rates", 0.5), ("rates", 0.3)] if a.part == "steps" else [("loss", 1.0), ("up alone", 0.3), ("up alone", 0.5)]
        for change, drop in rows:
            size = drop if change == "loss" else -math.log(1.0 - drop)
            for kind in classes:
                found = run([{"kind": kind, "seed": s, "change": change, "size": size, "limit": a.limit} for s in seeds], a.workers)
                delays = [r.delay_h for r in found]
                early = sum(1 for r in found for h in r.alarms_h if r.change_h is not None and h < r.change_h)
                named = sum(r.cause == r.true_cause for r in found if r.cause)
                got = sum(d is not None for d in delays)
                first = [next((h - r.change_h for h in r.charted[0].alarms_h if h >= r.change_h), None) for r in found]
                print(f"  {change} -{100 * drop:.0f} %  {kind:8} hours median {share(delays, 0.5)}, 90 % {share(delays, 0.9)}; found {got} of {len(found)} by day 60; alarms before the change {early}; said to be {Counter(r.cause for r in found if r.cause).most_common(2)} (right {named}); CUSUM's next alarm {share(first, 0.5)}", flush=True)
    else:
        for kind in classes:
            total = found_n = right = 0
            rows = []
            for change in VISIBLE:
                if change == "mode" and kind != "wild":
                    continue
                results = run([{"kind": kind, "seed": s, "change": change, "size": -math.log(0.5 if kind != "wild" else 0.35), "limit": a.limit} for s in seeds], a.workers)
                got = [r for r in results if r.cause is not None]
                ok = sum(r.cause == r.true_cause for r in got)
                total, found_n, right = total + len(results), found_n + len(got), right + ok
                wrong = Counter(r.cause for r in got if r.cause != r.true_cause).most_common(2)
                rows.append(f"{change} {ok} of {len(got)}{' (else ' + ', '.join(f'{k} {n}' for k, n in wrong) + ')' if wrong else ''}")
            print(f"  {kind:8} named rightly, of found {right}/{found_n} = {right / max(found_n, 1):.2f}; found and named {right}/{total} = {right / total:.2f}", flush=True)
            print("           " + "; ".join(rows), flush=True)
    print(f"  {time.process_time() - began:.0f} s of this process", file=sys.stderr)


if __name__ == "__main__":
    main()

"""What the watch finds on seeded months of simulated places, beside control charts that take tests for independent.

    python bench/watch_study.py --sites 100 --changed 40 --first 5000 --save FILE     walk the places; each is added to FILE when it is done
    python bench/watch_study.py --table FILE                                           the table of what is in FILE
    python bench/watch_study.py --pairs 40                                             tests in pairs with the runner-up, at wild places

A site is one seed; its numbers are the same in every run. A run goes on where its file ends. Each of the first `--changed` sites of a
class is walked once to the day of its change, and from there once for each kind of change.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from bandwright.jobs.rehearse_watch import WatchRehearsal, rehearse_changes
from bandwright.trials.change import LIMIT
from bandwright.trials.change_bank import Bank, BankKind, Moment
from bandwright.twin.months import CHANGES

CLASSES = ("calm", "middle", "wild")
HALF, THIRD = math.log(2.0), -math.log(0.7)
STEPS = (("rates", HALF), ("rates", THIRD))
VISIBLE = ("cell", "carrier lost", "interference", "obstruction", "load", "throttle", "first hop", "firmware", "mode")
OTHERS = (("loss", 1.0), ("up alone", THIRD), ("both kinds", HALF), ("passing", HALF))
# target, prototype and bound of a known change in the same noise: hours, from the notes the method was taken from
BESIDE = {
    ("rates", HALF, "calm"): "target 18; prototype 15 [4]", ("rates", HALF, "middle"): "target 55; prototype 51 [16]", ("rates", HALF, "wild"): "target 190; prototype 174 [132]",
    ("rates", THIRD, "calm"): "target 24; prototype 20 [8]", ("rates", THIRD, "middle"): "target 200; prototype 136 to 299 [100]", ("rates", THIRD, "wild"): "prototype not found in months [600]",
}  # fmt: skip


def changes_of(kind: str) -> list[tuple[str, float]]:
    known = {c.key for c in CHANGES}
    visible = [(k, HALF if kind != "wild" else -math.log(0.35)) for k in VISIBLE if k != "mode" or kind == "wild"]
    return [*STEPS, *visible, *((k, s) for k, s in OTHERS if k in known)]


def walk(sites: int, changed: int, first: int, limit: float, classes: list[str], save: Path) -> None:
    done = {(r["kind"], r["seed"]) for r in rows_of(save)} if save.exists() else set()
    with threadpool_limits(1), save.open("a", encoding="utf-8") as out:
        for place in range(sites):
            for kind in classes:
                if (kind, first + place) in done:
                    continue
                began = time.process_time()
                wanted = [("none", 0.0), *(changes_of(kind) if place < changed else ())]
                found = rehearse_changes(kind, first + place, changes=wanted, limit=limit)
                row = {"kind": kind, "seed": first + place, "limit": limit, "seconds": round(time.process_time() - began, 2), "found": [kept(r) for r in found]}
                out.write(json.dumps(row) + "\n")
                out.flush()


def kept(r: WatchRehearsal) -> dict:
    charted = {c.name: [round(h) for h in c.alarms_h] for c in r.charted}
    early = sum(r.change_h is not None and h < r.change_h for h in r.alarms_h)
    after = [[round(f.at_h - 168.0 - r.change_h), f.channel, f.news, f.reversed] for f in r.alarms if r.change_h is not None and f.at_h - 168.0 > r.change_h]
    return {
        "change": r.change, "size": r.size, "change_h": r.change_h, "alarms": len(r.alarms_h), "channels": [f.channel for f in r.alarms if f.news], "early": early, "after": after,
        "delay_h": r.delay_h, "cause": r.cause, "true": r.true_cause, "chance": r.cause_chance, "notices": r.notices, "charted": charted,
    }  # fmt: skip


def rows_of(path: Path) -> Iterator[dict]:
    for line in path.read_text(encoding="utf-8").splitlines():
        yield json.loads(line)


def share(values: list[float | None], q: float) -> str:
    """The q-quantile with None as later than all; "-" where it is none."""
    ordered = sorted(math.inf if v is None else v for v in values)
    at = ordered[max(0, min(len(ordered) - 1, math.ceil(q * len(ordered)) - 1))]
    return "-" if math.isinf(at) else f"{at:.0f}"


def table(path: Path) -> None:
    rows = list(rows_of(path))
    classes = [k for k in CLASSES if any(r["kind"] == k for r in rows)]
    print(f"seeds {min(r['seed'] for r in rows)} to {max(r['seed'] for r in rows)}, limit {rows[0]['limit']:g}, 6 tests a day, {sum(r['seconds'] for r in rows):.0f} s of processor")
    rates = []
    for kind in classes:
        nulls = [f for r in rows if r["kind"] == kind for f in r["found"] if f["change"] == "none"]
        alarms = sum(f["alarms"] for f in nulls)
        rates.append(alarms / len(nulls))
        where = dict(Counter(c for f in nulls for c in f["channels"]))
        charts = "; ".join(f"{name} {np.mean([len([h for h in f['charted'][name] if h >= 0]) for f in nulls]):.1f}" for name in nulls[0]["charted"])
        print(f"  null {kind:8} false alarms {alarms} on {len(nulls)} sites = {alarms / len(nulls):.3f} in 90 days {where or ''}; notices {np.mean([f['notices'] for f in nulls]):.1f}; {charts}")
    print(f"  null over all {np.mean(rates):.3f} (target .25, stretch .1, in each class .4; prototype .08, .25 at limit 3; white-noise charts there 9 to 16)")
    for change, size in [*STEPS, *OTHERS]:
        for kind in classes:
            found = [f for r in rows if r["kind"] == kind for f in r["found"] if f["change"] == change and abs(f["size"] - size) < 1e-9]
            if not found:
                continue
            delays = [f["delay_h"] for f in found]
            said = Counter(f["cause"] for f in found if f["cause"]).most_common(2)
            print(
                f"  {'2 % more lost and failed' if change == 'loss' else f'{change} -{100 * (1 - math.exp(-size)):.0f} %'}  {kind:8} hours median {share(delays, 0.5)}, 90 % {share(delays, 0.9)}; found {sum(d is not None for d in delays)} of {len(found)} by day 60; "
                f"{BESIDE.get((change, size, kind), '')}; alarms before it {sum(f['early'] for f in found)}; said {said}"
            )
            if change == "passing":
                print(f"      told as back to normal: {sum(any(a[3] for a in f['after']) for f in found)} of {len(found)}; told as news twice: {sum(sum(a[2] for a in f['after']) > 1 for f in found)}")
    for kind in classes:
        total = found_n = right = 0
        parts = []
        for change in VISIBLE:
            cell = [f for r in rows if r["kind"] == kind for f in r["found"] if f["change"] == change]
            got = [f for f in cell if f["cause"] is not None]
            ok = sum(f["cause"] == f["true"] for f in got)
            total, found_n, right = total + len(cell), found_n + len(got), right + ok
            wrong = Counter(f["cause"] for f in got if f["cause"] != f["true"]).most_common(2)
            if cell:
                parts.append(f"{change} {ok} of {len(got)} found of {len(cell)}{' (else ' + ', '.join(f'{k} {n}' for k, n in wrong) + ')' if wrong else ''}")
        if total:
            print(f"  cause {kind:8} named rightly {right}/{found_n} = {right / max(found_n, 1):.2f}; found and named {right}/{total} = {right / total:.2f} (targets calm .90, .90; middle .80, .65)")
            print("        " + "; ".join(parts))


def pairs(sites: int, first: int, limit: float) -> None:
    """Three pairs a day, setup in use and runner-up minutes apart, against six tests of the one: a drop of one setup alone."""
    from bandwright.twin.families import family
    from bandwright.twin.site import SimulatedSite

    for kind in ("middle", "wild"):
        alone: dict[float, list[float | None]] = {HALF: [], THIRD: []}
        paired: dict[float, list[float | None]] = {HALF: [], THIRD: []}
        false = [0, 0]
        for seed in range(first, first + sites):
            plan = family(kind).case(seed).plan
            site, keys = SimulatedSite(plan, seed), [s.key for s in plan.setups[:2]]
            rng = np.random.default_rng([seed, 31])
            begin = family(kind).case(seed).start
            for size in (0.0, HALF, THIRD):
                one, two = Bank(BankKind(floor=0.06, matters=0.1)), Bank(BankKind(floor=0.06, matters=0.1))
                change_h = 24.0 * (37 + float(np.random.default_rng([seed, 32]).random()))
                hours: list[float | None] = [None, None]
                for day in range(97):
                    for i in range(6):
                        at = begin + timedelta(hours=24 * day + 6 + 3 * (i + float(rng.random())))
                        h = (at - begin).total_seconds() / 3600.0
                        m = site.moment(keys[0], at, load_s=20.0)
                        y = (math.log(max(m.down_mbps, 1e-3)) + math.log(max(m.up_mbps, 1e-3))) / 2.0 - (size if h >= change_h else 0.0)
                        values = [(one, y)]
                        if i % 2 == 0 and len(keys) > 1:
                            n = site.moment(keys[1], at + timedelta(minutes=2), load_s=20.0)
                            values.append((two, y - (math.log(max(n.down_mbps, 1e-3)) + math.log(max(n.up_mbps, 1e-3))) / 2.0))
                        for k, (bank, value) in enumerate(values):
                            (bank.learn if day < 7 else bank.observe)(Moment(h, h % 24.0), value)
                            if day >= 7 and hours[k] is None and bank.ln_odds() > limit and abs(bank.shift().size) > 0.1:
                                if size == 0.0 or h < change_h:
                                    false[k] += size == 0.0
                                    bank.accept()
                                else:
                                    hours[k] = h - change_h
                    if size and None not in hours:
                        break
                if size:
                    alone[size].append(hours[0])
                    paired[size].append(hours[1])
        for size in (HALF, THIRD):
            print(
                f"  one setup alone -{100 * (1 - math.exp(-size)):.0f} %  {kind:8} six tests: median {share(alone[size], 0.5)} h, found {sum(d is not None for d in alone[size])} of {sites}; "
                f"three pairs: median {share(paired[size], 0.5)} h, found {sum(d is not None for d in paired[size])}; false alarms in 90 days {false[0] / sites:.2f}, {false[1] / sites:.2f}",
                flush=True,
            )


def main() -> None:
    args = argparse.ArgumentParser()
    args.add_argument("--sites", type=int, default=20)
    args.add_argument("--changed", type=int, default=20)
    args.add_argument("--first", type=int, default=1000)
    args.add_argument("--limit", type=float, default=LIMIT)
    args.add_argument("--classes", default=",".join(CLASSES))
    args.add_argument("--save", type=Path, default=Path("watch_study.jsonl"))
    args.add_argument("--table", type=Path)
    args.add_argument("--pairs", type=int, default=0)
    a = args.parse_args()
    if a.pairs:
        with threadpool_limits(1):
            pairs(a.pairs, a.first, a.limit)
        return
    if a.table is None:
        walk(a.sites, a.changed, a.first, a.limit, a.classes.split(","), a.save)
    table(a.table or a.save)


if __name__ == "__main__":
    main()

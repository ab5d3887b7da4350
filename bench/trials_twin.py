"""The study of the trial on the twin's families, as a table.

python bench/trials_twin.py [--campaigns 40] [--families "calm;two rigs"] [--workers 2] [--first 0] [--no-comparators] [--save FILE]
"""

from __future__ import annotations

import argparse
import pickle
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from bandwright.jobs.rehearse import Study, rehearse


def text(study: Study) -> str:
    def cell(x: float | None, form: str) -> str:
        return "-" if x is None else format(x, form)

    lines = [
        "| family | n | answered | right | stated | good pick | regret | tests (p90) | min | GB | days | /bound | V | diff | met | margin | equal | "
        + " | ".join(w for w, *_ in study.rows[0].comparators)
        + " |"
    ]
    lines.append("|" + "--|" * (17 + len(study.rows[0].comparators)))
    for r in study.rows:
        ways = " | ".join(f"{cell(right, '.2f')}" + (f" of {a:.2f}" if a < 1 else "") for _, a, right, _ in r.comparators)
        lines.append(
            f"| {r.name} | {r.campaigns} | {r.answered:.2f} | {cell(r.right, '.3f')} | {cell(r.stated, '.3f')} | {r.good_pick:.3f} | {r.regret:.4f} | {r.tests:.0f} ({r.tests_p90:.0f}) | {r.person_minutes:.0f} | {r.gigabytes:.1f} | {r.days:.1f} | "
            f"{cell(r.over_bound, '.2f')} | {cell(r.covered_value, '.2f')} | {cell(r.covered_difference, '.2f')} | {cell(r.covered_met, '.2f')} | {cell(r.covered_margin, '.2f')} | {cell(r.equals_right, '.2f')} of {r.equals} | {ways} |"
        )
    lines.append("")
    lines.append("Reliability (stated, verdicts or not): " + ", ".join(f"{a:.2f}-{b:.2f}: {share:.3f} of {n}" for a, b, n, share in study.reliability))
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--families", default="")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--no-comparators", action="store_true")
    parser.add_argument("--save", default="")
    options = parser.parse_args()
    began = time.perf_counter()
    with ProcessPoolExecutor(options.workers) as pool:
        *_, study = rehearse(
            families=options.families.split(";") if options.families else None,
            campaigns=options.campaigns,
            first=options.first,
            executor=pool,
            comparators=not options.no_comparators,
        )
    print(text(study))
    print(f"{time.perf_counter() - began:.0f} s on {options.workers} processes")
    if options.save:
        Path(options.save).write_bytes(pickle.dumps(study.played))


if __name__ == "__main__":
    main()

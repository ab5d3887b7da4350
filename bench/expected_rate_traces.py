"""How often the interval of the expected rate holds the measured one: LTE downloads of a minute at fixed places, read while they ran.

The spread of the interval came from this very set of traces (547 runs), so its own coverage is no proof; by place and by thirds of
SINR it shows where the interval is too narrow or too wide. Each run: mean rate, median SINR, its blocks, and the share it got of them.

Run: python bench/expected_rate_traces.py path/to/icell19_static.parquet
"""

from __future__ import annotations

import math
import sys
from pathlib import Path


def main() -> None:
    import polars as pl

    from bandwright.radio.rates import CarrierState, expected_rate_mbps

    path = Path(sys.argv[1])
    runs = (
        pl.read_parquet(path)
        .filter(pl.col("load") == "bulk_dl")
        .group_by("trace", "place")
        .agg(pl.col("dl_mbps").mean(), pl.col("sinr_db").median(), pl.col("rb_max").median(), pl.col("rb_used_per_ms").mean(), pl.len().alias("seconds"))
        .filter((pl.col("seconds") >= 30) & pl.col("sinr_db").is_not_null() & (pl.col("rb_max") > 0) & (pl.col("dl_mbps") > 0))
        .sort("sinr_db")
    )
    rows = []
    for run in runs.iter_rows(named=True):
        carrier = CarrierState(rat="lte", bandwidth_mhz=20, resource_blocks=100, sinr_db=run["sinr_db"])
        wide = run["rb_max"] / 100  # the formula is linear in blocks: one carrier of 20 MHz stands for all, by their number
        share = None if run["rb_used_per_ms"] is None else min(1.0, run["rb_used_per_ms"] / run["rb_max"])
        row = {"place": run["place"], "sinr": run["sinr_db"], "rate": run["dl_mbps"] / wide, "unknown": expected_rate_mbps([carrier])}
        row["known"] = expected_rate_mbps([carrier], cell_share=share) if share else None
        rows.append(row)
    print(f"{len(rows)} runs")
    for kind in ("unknown", "known"):
        used = [r for r in rows if r[kind] is not None]
        if not used:
            continue
        logs = [math.log(r["rate"] / r[kind].median) for r in used]
        mean = sum(logs) / len(logs)
        sd = math.sqrt(sum((x - mean) ** 2 for x in logs) / (len(logs) - 1))
        print(f"share of the cell {kind}: n {len(used)}, stated 0.90, held {held(used, kind):.3f}; measured/median {math.exp(mean):.2f}, spread of ln {sd:.2f}")
        third = len(used) // 3
        for name, part in (("low", used[:third]), ("middle", used[third : 2 * third]), ("high", used[2 * third :])):
            print(f"  SINR {name:6} {part[0]['sinr']:5.1f}..{part[-1]['sinr']:5.1f} dB: held {held(part, kind):.3f}")
        for place in sorted({r["place"] for r in used}):
            part = [r for r in used if r["place"] == place]
            print(f"  place {place}: n {len(part):3d} held {held(part, kind):.3f}")


def held(rows: list[dict[str, object]], kind: str) -> float:
    return sum(r[kind].low <= r["rate"] <= r[kind].high for r in rows) / len(rows)


if __name__ == "__main__":
    main()

"""The study of the trial on replayed real traces, read in place; says so and ends where they are absent.

    python bench/trials_replay.py [--traces DIR] [--draws 10] [--workers 2]

Three kinds of place. "two arms": repeated minutes at a fixed place with the cells chosen by the network or by an intervention; each
test is a random minute of its arm. "ten seconds, wild" and "hourly, calm": setups play stretches of one trace, from places of their
own, each scaled by a factor of its own (ln drawn with sd .25); the clock moves along the trace and wraps. The rate that is asked
for is drawn around the median. The truth is the mean score over all that could have been played.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

from bandwright.jobs.rehearse import Played, Study, Truth, play, study_rows
from bandwright.trials.simulate import Sample
from bandwright.trials.threads import one_thread
from bandwright.words.campaign import Design
from bandwright.words.rig import Setup
from trials_twin import text

START = datetime(2026, 3, 2, 6, tzinfo=UTC)


@dataclass
class Place:
    """Setups that play series of ln rates. step_min: minutes of the clock to one value; 0: values are drawn at random."""

    family: str
    number: int
    series: list[np.ndarray]
    asked: float
    step_min: float

    @property
    def design(self) -> Design:
        setups = tuple(Setup(key=f"here/{i}", rig="here", tuning=str(i)) for i in range(len(self.series)))
        return Design(key=f"{self.family} {self.number}", setups=setups, needs=(), start=START, seed=self.number, megabytes_per_test=80.0)

    def scores(self, i: int) -> np.ndarray:
        return np.clip(self.series[i] - self.asked, -1.0, 1.0)

    def truth(self) -> Truth:
        means = {f"here/{i}": float(self.scores(i).mean()) for i in range(len(self.series))}
        met = {(f"here/{i}", "rate"): float((self.series[i] >= self.asked).mean()) for i in range(len(self.series))}
        return Truth(value=means, met=met, variance=float(np.mean([self.scores(i).var() for i in range(len(self.series))])) + 1e-4)

    def world(self) -> Run:
        return Run(self)


class Run:
    def __init__(self, place: Place) -> None:
        self.place, self.rng = place, np.random.default_rng([place.number, 3])
        self.offsets = self.rng.random(len(place.series))

    def test(self, *, setup: str, visit: int, at: datetime, warmup_s: float) -> Sample:
        i = int(setup.split("/")[1])
        series = self.place.series[i]
        minute = (at - START).total_seconds() / 60.0
        where = (
            int(self.rng.integers(series.size)) if self.place.step_min == 0 else int(self.offsets[i] * series.size + minute / self.place.step_min) % series.size
        )
        margin = float(series[where] - self.place.asked)
        return Sample(score=float(np.clip(margin, -1, 1)), met=(("rate", margin >= 0),))


def two_arms(folder: Path, draw: int) -> list[Place]:
    runs = pl.read_parquet(folder / "icell19_static.parquet").group_by("place", "arm", "trace").agg(pl.col("dl_mbps").mean()).drop_nulls()
    places = []
    for (name,), group in sorted(runs.group_by("place"), key=lambda pair: str(pair[0])):
        arms = [np.log(np.maximum(g["dl_mbps"].to_numpy(), 0.05)) for _, g in sorted(group.group_by("arm"), key=lambda pair: str(pair[0]))]
        if len(arms) == 2 and min(a.size for a in arms) >= 5:
            rng = np.random.default_rng([draw, *name.encode()])
            places.append(Place("two arms", draw * 100 + len(places), arms, max(float(np.median(a)) for a in arms) - rng.uniform(-0.2, 0.6), 0.0))
    return places


def scaled(family: str, series: np.ndarray, step_min: float, draw: int) -> Place:
    rng = np.random.default_rng([draw, len(family)])
    levels = rng.normal(0, 0.25, int(rng.integers(2, 6)))
    return Place(family, draw, [series + x for x in levels], float(np.median(series) + levels.max() - rng.uniform(-0.2, 0.6)), step_min)


def wild(folder: Path, draw: int) -> list[Place]:
    """Ten-second means of NSA downloads without motion, in real time: the clock runs along an hour of trace, and wraps."""
    data = pl.read_parquet(folder / "ucc5g.parquet").filter((pl.col("motion") == "static") & (pl.col("load") == "bulk_dl") & pl.col("dl_mbps").is_not_null())
    ten = (
        data.with_columns((pl.col("t_s") // 10).alias("slot"))
        .group_by("trace", "slot")
        .agg(pl.col("dl_mbps").mean())
        .sort("trace", "slot")["dl_mbps"]
        .to_numpy()
    )
    ten = ten[ten > 0.2]
    return [scaled("ten seconds, wild", np.log(ten), 1.0 / 6.0, 100 * draw + i) for i in range(8)]


def calm(folder: Path, draw: int) -> list[Place]:
    data = pl.read_parquet(folder / "tuw_lte_hourly.parquet").sort("t_s")
    return [scaled("hourly, calm", np.log(data[column].drop_nulls().to_numpy()), 60.0, 100 * draw + i) for i in range(4) for column in ("dl_mbps", "ul_mbps")]


def one(place: Place) -> Played:
    with one_thread():
        return play(place)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--traces", type=Path, default=Path(__file__).resolve().parents[2] / "shared" / "data" / "traces")
    parser.add_argument("--draws", type=int, default=10)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    if not (options.traces / "icell19_static.parquet").is_file():
        print(f"skipped: no traces in {options.traces}")
        return
    kinds = (partial(two_arms, options.traces), partial(wild, options.traces), partial(calm, options.traces))
    places = [p for kind in kinds for draw in range(options.draws) for p in kind(draw)]
    with ProcessPoolExecutor(options.workers) as pool:
        played = list(pool.map(one, places, chunksize=2))
    print(text(Study(rows=study_rows(played), reliability=(), played=tuple(played))))


if __name__ == "__main__":
    main()

"""Simulated layers beside real traces, read in place. Bounds are wide: one real week or one real hour is one draw."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from bandwright.twin.model import HOURLY_DOWN_LN
from bandwright.twin.plan import CALM, MIDDLE, NSA_REGIMES, WILD, Layers, RigPlan, SetupPlan, SitePlan
from bandwright.twin.site import SimulatedSite

pytestmark = pytest.mark.shared
START = datetime(2026, 3, 2, tzinfo=UTC)
SETTLED_S = 1e4


@pytest.fixture(scope="module")
def traces(shared_data: Path) -> Path:
    return shared_data / "traces"


def _site(layers: Layers, seed: int, **setup) -> SimulatedSite:
    return SimulatedSite(SitePlan(key="p", setups=(SetupPlan(key="r/a", rig="r", failed_share=0.0, **setup),), rigs=(RigPlan(key="r"),), layers=layers), seed)


def _rest(x: np.ndarray) -> np.ndarray:
    x = x - x.mean(axis=0)
    return x - x.mean(axis=1, keepdims=True)


def test_a_simulated_calm_week_is_like_the_week_of_hourly_tests(traces):
    real = pl.read_parquet(traces / "tuw_lte_hourly.parquet")
    assert len(real) == 168  # a test each hour of a week
    weeks = {"real": [np.log(real[way].to_numpy()).reshape(7, 24) for way in ("dl_mbps", "ul_mbps")]}
    simulated = []
    for seed in range(24):
        site = _site(CALM, seed, down_mbps=40.0, up_mbps=18.0)
        moments = [site.moment("r/a", START + timedelta(hours=h, minutes=20), load_s=SETTLED_S) for h in range(168)]
        simulated.append([np.log([getattr(m, way) for m in moments]).reshape(7, 24) for way in ("down_mbps", "up_mbps")])
    down, up = weeks["real"]
    together = np.corrcoef(down.ravel(), up.ravel())[0, 1]
    # each figure of the real week lies within those of the simulated weeks, a fifth to either side
    for real_figure, figures in (
        (_rest(down).std(), [_rest(d).std() for d, _ in simulated]),
        (_rest(up).std(), [_rest(u).std() for _, u in simulated]),
        (together, [np.corrcoef(d.ravel(), u.ravel())[0, 1] for d, u in simulated]),
        (down.mean(axis=1).std(), [d.mean(axis=1).std() for d, _ in simulated]),
        (up.mean(axis=1).std(), [u.mean(axis=1).std() for _, u in simulated]),
    ):
        assert min(figures) / 1.2 < real_figure < max(figures) * 1.2
    assert np.abs(_rest(down)).max() < 5 * np.mean([_rest(d).std() for d, _ in simulated])


def test_the_profile_in_the_code_is_that_of_the_hours_in_the_trace(traces):
    """The profile is of three weeks in local time; the trace is one of them, its clock an hour or two behind local time."""
    real = pl.read_parquet(traces / "tuw_lte_hourly.parquet")
    hour = ((real["start_utc"].to_numpy() + real["t_s"].to_numpy()) // 3600 % 24).astype(int)
    ln = np.log(real["dl_mbps"].to_numpy())
    by_hour = np.array([ln[hour == h].mean() for h in range(24)])
    best = max(np.corrcoef(np.roll(by_hour, shift), HOURLY_DOWN_LN)[0, 1] for shift in range(3))
    assert best > 0.6


def test_seconds_on_a_coming_and_going_nr_leg_are_like_the_real_ones(traces):
    real = pl.read_parquet(traces / "ucc5g.parquet").filter((pl.col("motion") == "static") & (pl.col("load") == "bulk_dl")).sort("trace", "t_s")

    def figures(rates: np.ndarray) -> dict[str, float]:
        active = rates[rates > 0.5]  # the rest is between downloads
        ln = np.log(np.maximum(rates, 0.5))
        edges = (17 * 69) ** 0.5, (69 * 198) ** 0.5  # between the states of MMSys 2020: 17, 69, 198 Mbit/s
        return {"sd": np.log(active).std(), "slow": np.mean(active < edges[0]), "fast": np.mean(active > edges[1]), "lag 1": np.corrcoef(ln[:-1], ln[1:])[0, 1]}

    seen = [figures(real.filter(pl.col("trace") == name)["dl_mbps"].to_numpy()) for name in real["trace"].unique()]
    assert len(seen) == 2
    drawn = []
    for seed in range(8):
        site = _site(WILD, seed, down_mbps=198.0, up_mbps=18.0, regimes=NSA_REGIMES, load_down=0.0, warmup_scale=0.0)
        drawn.append(figures(site.trace("r/a", START, seconds=1600, load_s=SETTLED_S)[0]))
    for name, room in (("sd", 0.15), ("slow", 0.15), ("fast", 0.25), ("lag 1", 0.15)):
        mean_seen, mean_drawn = (float(np.mean([f[name] for f in fs])) for fs in (seen, drawn))
        assert abs(mean_seen - mean_drawn) < room, name


def test_runs_at_a_middle_site_scatter_as_those_of_a_place_did(traces):
    runs = (
        pl.read_parquet(traces / "icell19_static.parquet")
        .filter(pl.col("arm") == "default")
        .group_by("place", "trace")
        .agg(pl.col("dl_mbps").mean(), pl.col("start_utc").min())
        .sort("place", "start_utc")
    )
    seen = [float(np.log(runs.filter(pl.col("place") == p)["dl_mbps"].to_numpy()).std()) for p in runs["place"].unique()]
    drawn = []
    for seed in range(20):
        site = _site(MIDDLE, seed, down_mbps=80.0, up_mbps=12.0)
        drawn.append(float(np.std([np.log(site.moment("r/a", START + timedelta(minutes=5 * i), load_s=SETTLED_S).down_mbps) for i in range(50)])))
    assert min(seen) < np.median(drawn) < max(seen)
    assert abs(np.median(seen) / np.median(drawn) - 1) < 0.45

"""Where the mast can be: rings, bearings, terrain, and an area that says how sure it is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bandwright.errors import RangeError, UsageError
from bandwright.predict.masts import BearingClue, TimingClue, locate_mast

AZIMUTHS = np.arange(0.0, 360.0, 2.0)
RANGES = np.arange(50.0, 8000.0, 50.0)


def test_ring_and_bearing_meet() -> None:
    found = locate_mast(timing=[TimingClue(distance_m=3000.0)], bearings=[BearingClue(azimuth_deg=350.0, sd_deg=5.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES)
    assert found.probability.sum() == pytest.approx(1.0)
    assert found.best_azimuth_deg == pytest.approx(350.0, abs=2.0)
    assert found.best_range_m == pytest.approx(2970.0, abs=80.0)
    assert found.probability[found.inside].sum() == pytest.approx(0.80, abs=0.02)
    assert found.area_km2 > 0.0


def test_timing_is_an_upper_bound() -> None:
    """True distance is below TA + 70 m; far nearer is possible, through echoes (one-sided likelihood)."""
    found = locate_mast(timing=[TimingClue(distance_m=3000.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES)
    ring = found.probability.sum(axis=0)
    assert ring[RANGES > 3120.0].sum() < 0.01
    assert ring[RANGES < 2800.0].sum() > 0.1
    stale = locate_mast(timing=[TimingClue(distance_m=3000.0, age_h=72.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES)
    assert stale.area_km2 > found.area_km2


def test_more_clues_less_area_and_a_reflection_keeps_its_weight() -> None:
    ring = locate_mast(timing=[TimingClue(distance_m=3000.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES)
    both = locate_mast(timing=[TimingClue(distance_m=3000.0)], bearings=[BearingClue(azimuth_deg=90.0, sd_deg=3.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES)
    assert both.area_km2 < ring.area_km2
    away = np.array([min(abs(a - 90.0), 360.0 - abs(a - 90.0)) for a in AZIMUTHS]) > 15.0
    assert 0.15 < both.probability[away].sum() < 0.25  # a fifth may be a reflection's
    # Two cells of one mast: their rings and headings are pooled.
    pooled = locate_mast(
        timing=[TimingClue(distance_m=3000.0), TimingClue(distance_m=3010.0, scs_khz=30)], bearings=[BearingClue(azimuth_deg=90.0, sd_deg=3.0)] * 2, azimuths_deg=AZIMUTHS, ranges_m=RANGES,
    )  # fmt: skip
    assert pooled.area_km2 < both.area_km2


def test_terrain_hides_and_lifts() -> None:
    hidden = np.zeros((AZIMUTHS.size, RANGES.size))
    hidden[AZIMUTHS < 180.0] = 40.0
    seen = locate_mast(timing=[TimingClue(distance_m=3000.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES, diffraction_db=hidden)
    assert seen.probability[AZIMUTHS < 180.0].sum() < 0.06
    ground = np.where(AZIMUTHS[:, None] < 90.0, 300.0, 200.0) * np.ones((1, RANGES.size))
    high = locate_mast(timing=[TimingClue(distance_m=3000.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES, ground_m=ground)
    assert high.probability[AZIMUTHS < 90.0].sum() > 0.5


def test_the_area_holds_what_it_says() -> None:
    """400 simulated masts with their own timing and heading errors: the 80 % area holds 70 to 92 % of them."""
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(400):
        true_range, true_azimuth = rng.uniform(800.0, 6000.0), rng.uniform(0.0, 360.0)
        excess = rng.exponential(150.0) if rng.random() < 0.5 else 0.0
        clue = TimingClue(distance_m=true_range + excess + rng.normal(0.0, 41.0))
        wrong = rng.random() < 0.2
        heading = rng.uniform(0.0, 360.0) if wrong else true_azimuth + rng.normal(0.0, 5.0)
        found = locate_mast(timing=[clue], bearings=[BearingClue(azimuth_deg=heading % 360.0, sd_deg=5.0)], azimuths_deg=AZIMUTHS, ranges_m=RANGES)
        row, column = round(true_azimuth / 2.0) % AZIMUTHS.size, int(np.abs(RANGES - true_range).argmin())
        held += bool(found.inside[row, column])
    assert 0.70 < held / 400 < 0.92


def test_what_is_refused() -> None:
    with pytest.raises(UsageError, match="coordinates"):
        locate_mast(azimuths_deg=AZIMUTHS, ranges_m=RANGES)
    clue = [TimingClue(distance_m=1000.0)]
    for change in ({"azimuths_deg": [0.0, 90.0]}, {"ranges_m": [100.0]}, {"ranges_m": [200.0, 100.0]}, {"level": 1.0}, {"diffraction_db": np.zeros((3, 3))}):
        with pytest.raises(RangeError):
            locate_mast(**{"timing": clue, "azimuths_deg": AZIMUTHS, "ranges_m": RANGES} | change)


def test_extent_of_a_known_shape() -> None:
    """A narrow bearing and a ring: across is about twice 1.28 sigma of range times angle, with the cells' own size."""
    found = locate_mast(timing=[TimingClue(distance_m=3000.0)], bearings=[BearingClue(azimuth_deg=90.0, sd_deg=2.0)] * 3, azimuths_deg=np.arange(0.0, 360.0, 0.5), ranges_m=RANGES)
    sigma = 3000.0 * math.radians(2.0) / math.sqrt(3.0)
    assert 2.0 * sigma < found.across_m < 8.0 * sigma
    assert 150.0 < found.along_m < 700.0

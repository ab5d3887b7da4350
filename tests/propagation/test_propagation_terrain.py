"""ITU-R P.1812 against the published validation examples, real terrain, and its own edges."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from bandwright.errors import RangeError, TerrainError
from bandwright.propagation.terrain import location_sigma_db, normal_quantile, p1812

PUBLISHED = json.loads((Path(__file__).parent / "p1812_published.json").read_text())
NOT_INPUT = ("name", "expected", "basis", "profile")


def inputs(case: dict) -> dict:
    return {key: value for key, value in case.items() if key not in NOT_INPUT}


@pytest.mark.parametrize("case", PUBLISHED["cases"], ids=lambda c: f"{c['profile']} p{c['time_percent']:g} pol{c['polarization']}")
def test_published_validation_examples(case: dict) -> None:
    """Source: ITU-R Study Group 3 validation examples for P.1812 (named in the file). 1e-6 dB: they print 8 to 10 digits."""
    found = p1812(**inputs(case), **PUBLISHED["profiles"][case["profile"]])
    for key, value in case["expected"].items():
        assert getattr(found, key) == pytest.approx(value, abs=1e-6), key


@pytest.mark.shared
def test_every_case_of_the_shared_file(shared_data: Path) -> None:
    cases = json.loads((shared_data / "p1812_cases.json").read_text())
    assert len(cases) == 40
    for case in cases:
        found = p1812(**inputs(case))
        for key, value in case["expected"].items():
            assert getattr(found, key) == pytest.approx(value, abs=1e-6), (case["name"], key)


def flat(**changes: object) -> dict:
    base = {
        "frequency_ghz": 0.8,
        "distance_km": [0.0, 1.0, 2.0, 3.0, 4.0, 5.0],
        "terrain_height_m": [100.0] * 6,
        "tx_height_m": 30.0,
        "rx_height_m": 6.0,
        "tx_lat_deg": 50.0,
        "rx_lat_deg": 50.0,
        "tx_lon_deg": 0.0,
        "rx_lon_deg": 0.07,
    }
    return base | changes


def test_line_of_sight_over_flat_land_is_free_space() -> None:
    found = p1812(**flat())
    # P.1812 4.2 prints 92.4: 92.4 + 20 log 0.8 + 10 log(5^2 + 0.024^2).
    assert found.free_space_loss_db == pytest.approx(92.4 - 1.9382 + 13.9795, abs=1e-3)
    assert found.diffraction_median_db == 0.0
    assert found.in_sight


def test_beyond_the_horizon_the_troposphere_caps_the_loss() -> None:
    """Far round the curve of the earth the scattered path is the stronger one (P.1812 4.7, eq. 63)."""
    far = p1812(**flat(distance_km=np.linspace(0.0, 120.0, 121).tolist(), terrain_height_m=[100.0] * 121, frequency_ghz=3.5))
    assert not far.in_sight
    assert far.free_space_loss_db + far.diffraction_median_db > far.troposcatter_db + 20.0
    assert far.troposcatter_db - 0.1 < far.basic_transmission_loss_db <= far.troposcatter_db


def test_median_below_30_km_is_diffraction_and_troposcatter() -> None:
    """At 50 % of time L = -5 log(10^(-0.2(L_bfs + L_d50)) + 10^(-0.2 L_bs)) from 1 km up (algebra of P.1812 4.7; 1e-4 dB)."""
    rng = np.random.default_rng(7)
    for _ in range(20):
        n = int(rng.integers(20, 80))
        d = np.linspace(0.0, float(rng.uniform(1.0, 30.0)), n)
        h = 200.0 + np.cumsum(rng.normal(0.0, 6.0, n))
        found = p1812(**flat(distance_km=d.tolist(), terrain_height_m=h.tolist(), frequency_ghz=float(rng.uniform(0.7, 5.9))))
        reduced = -5.0 * np.log10(10 ** (-0.2 * (found.free_space_loss_db + found.diffraction_median_db)) + 10 ** (-0.2 * found.troposcatter_db))
        assert found.basic_transmission_loss_db == pytest.approx(reduced, abs=1e-4)


def test_rarer_time_means_less_loss() -> None:
    losses = [p1812(**flat(distance_km=np.linspace(0, 60, 61).tolist(), terrain_height_m=[100.0] * 61, time_percent=p)).basic_transmission_loss_db for p in (1.0, 10.0, 50.0)]
    assert losses[0] < losses[1] < losses[2]


def test_locations_shift_by_sigma_but_not_below_line_of_sight_nor_at_sea() -> None:
    hill = flat(terrain_height_m=[100.0, 105.0, 160.0, 110.0, 102.0, 100.0], location_sigma_db=5.0)
    at = {share: p1812(**hill, location_percent=share).basic_transmission_loss_db for share in (10.0, 50.0, 90.0)}
    # Normal quantile of 0.1 is 1.2816 (tables); the Recommendation's approximation is within 4e-4 of it.
    assert at[90.0] - at[50.0] == pytest.approx(5.0 * 1.2816, abs=5e-3)
    assert at[50.0] - at[10.0] == pytest.approx(5.0 * 1.2816, abs=5e-3)
    clear = p1812(**flat(location_sigma_db=5.0, location_percent=1.0))
    assert clear.basic_transmission_loss_db == clear.lb0p_db
    at_sea = p1812(**hill, zone=[4, 4, 4, 4, 4, 1], location_percent=90.0)
    assert at_sea.basic_transmission_loss_db == pytest.approx(p1812(**hill, zone=[4, 4, 4, 4, 4, 1]).basic_transmission_loss_db, abs=1e-12)


def test_location_sigma() -> None:
    # P.1812 4.8: (0.52 + 0.024 f) w^0.28; 500 m at 0.8 GHz: 0.5392 * 5.6962 = 3.0714.
    assert location_sigma_db(frequency_ghz=0.8, height_m=1.5, clutter_m=10.0, cell_width_m=500.0) == pytest.approx(3.0714, abs=2e-3)
    assert location_sigma_db(frequency_ghz=0.8, height_m=15.0, clutter_m=10.0, cell_width_m=500.0) == pytest.approx(3.0714 / 2, abs=2e-3)
    assert location_sigma_db(frequency_ghz=0.8, height_m=20.0, clutter_m=10.0, cell_width_m=500.0) == 0.0
    with pytest.raises(RangeError, match="cell_width_m"):
        location_sigma_db(frequency_ghz=0.8, height_m=1.5, clutter_m=10.0, cell_width_m=2000.0)


def test_normal_quantile_is_the_approximation_not_the_library() -> None:
    from statistics import NormalDist

    for share in (0.01, 0.1, 0.3, 0.7, 0.99):
        exact = -NormalDist().inv_cdf(share)
        assert abs(normal_quantile(share) - exact) < 5e-4  # P.1812 Attachment 2: off by up to 4e-4
        assert normal_quantile(share) != exact
    with pytest.raises(RangeError):
        normal_quantile(0.0)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"frequency_ghz": 0.029}, "frequency_ghz"),
        ({"frequency_ghz": 6.01}, "frequency_ghz"),
        ({"distance_km": [0.0, 0.1, 0.249], "terrain_height_m": [1.0, 1.0, 1.0]}, "path length"),
        ({"time_percent": 0.9}, "time_percent"),
        ({"time_percent": 51.0}, "time_percent"),
        ({"location_percent": 99.5}, "location_percent"),
        ({"polarization": 3}, "polarization"),
        ({"rx_height_m": 0.5}, "rx_height_m"),
        ({"delta_n": 157.0}, "delta_n"),
        ({"zone": [2] * 6}, "zone"),
        ({"clutter_height_m": [-1.0] * 6}, "clutter_m"),
    ],
)
def test_out_of_range_is_refused(change: dict, word: str) -> None:
    with pytest.raises(RangeError, match=word):
        p1812(**flat(**change))


@pytest.mark.parametrize(("frequency_ghz", "length_km"), [(0.03, 5.0), (6.0, 5.0), (0.8, 0.25), (0.8, 3000.0)])
def test_the_ends_of_the_range_are_allowed(frequency_ghz: float, length_km: float) -> None:
    d = np.linspace(0.0, length_km, 21)
    assert np.isfinite(p1812(**flat(frequency_ghz=frequency_ghz, distance_km=d.tolist(), terrain_height_m=[100.0] * 21)).basic_transmission_loss_db)


@pytest.mark.parametrize("change", [{"terrain_height_m": [1.0] * 5}, {"terrain_height_m": [1.0, float("nan"), 1.0, 1.0, 1.0, 1.0]}, {"distance_km": [0.0, 2.0, 1.0, 3.0, 4.0, 5.0]}, {"distance_km": [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]}])  # fmt: skip
def test_a_profile_that_cannot_be_used_is_refused(change: dict) -> None:
    with pytest.raises(TerrainError):
        p1812(**flat(**change))


@pytest.mark.parametrize("change", [{"terrain_height_m": ["high"] * 6}, {"terrain_height_m": [[1.0], [2.0, 3.0]]}, {"zone": ["land"] * 6}, {"distance_km": None}])
def test_no_library_exception_escapes(change: dict) -> None:
    with pytest.raises((TerrainError, RangeError)):
        p1812(**flat(**change))


def test_odd_terrain_gives_numbers() -> None:
    """Terminals level with the smooth surface, one point high between them, and ties for the horizon: no NaN, no exception."""
    for h in ([0.0] * 6, [100.0, 100.0, 400.0, 400.0, 100.0, 100.0], [500.0, 0.0, 0.0, 0.0, 0.0, 500.0]):
        for p in (1.0, 50.0):
            assert np.isfinite(p1812(**flat(terrain_height_m=h, tx_height_m=1.0, rx_height_m=1.0, time_percent=p)).basic_transmission_loss_db)


def test_values_can_be_taken_by_name() -> None:
    case = {"frequency_ghz": 1.0, "distance_km": [0.0, 0.5, 1.0], "terrain_height_m": [10.0, 12.0, 11.0], "tx_height_m": 20.0, "rx_height_m": 5.0}
    loss = p1812(**case, tx_lat_deg=51.0, rx_lat_deg=51.009, tx_lon_deg=0.0, rx_lon_deg=0.0)
    assert dict(loss)["basic_transmission_loss_db"] == loss["basic_transmission_loss_db"] == loss.basic_transmission_loss_db
    with pytest.raises(KeyError):
        loss["nothing"]

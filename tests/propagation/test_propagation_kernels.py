"""Compiled forms against their plain twins, what they refuse, and what they say on first use."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from bandwright.errors import RangeError, TerrainError
from bandwright.propagation import kernels
from bandwright.propagation.kernels import ensemble_losses_db, fan, fan_plain, is_compiled, profile_loss_db
from bandwright.propagation.profile import profile
from bandwright.propagation.terrain import p1812

PUBLISHED = json.loads((Path(__file__).parent / "p1812_published.json").read_text())


def arrays(d: object, h: object, c: object = None, z: object = None) -> dict:
    path = profile(distance_km=d, ground_m=h, clutter_m=c, zone=z)
    return {"distance_km": path.distance_km, "ground_m": path.ground_m, "clutter_m": path.clutter_m, "zone": path.zone}


def radials(rng: np.random.Generator, count: int, points: int, roughness_m: float) -> np.ndarray:
    out = 200.0 + np.cumsum(rng.normal(0.0, roughness_m, (count, points)), axis=1)
    out[:, 0] = 200.0
    return out


@pytest.mark.parametrize("percent", [1.0, 10.0, 50.0])
def test_profile_kernel_and_plain_twin(percent: float) -> None:
    """40 random paths over land, coast and sea, with and without clutter: 1e-9 dB, which only the order of sums can make."""
    rng = np.random.default_rng(int(percent))
    for _ in range(40):
        n = int(rng.integers(3, 120))
        d = np.concatenate(([0.0], np.cumsum(rng.uniform(0.05, 0.6, n - 1))))
        h = 150.0 + np.cumsum(rng.normal(0.0, rng.uniform(0.0, 25.0), n))
        c = rng.choice((0.0, 10.0, 15.0), n) if rng.random() < 0.5 else np.zeros(n)
        z = rng.choice((1, 3, 4), n) if rng.random() < 0.4 else np.full(n, 4)
        if d[-1] < 0.25:
            continue
        link = {"frequency_ghz": float(rng.uniform(0.1, 5.9)), "tx_height_m": float(rng.uniform(5, 60)), "rx_height_m": float(rng.uniform(1, 20)), "polarization": int(rng.integers(1, 3))}
        plain = p1812(
            distance_km=d.tolist(), terrain_height_m=h.tolist(), clutter_height_m=c.tolist(), zone=z.tolist(), time_percent=percent,
            tx_lat_deg=51.0, rx_lat_deg=51.0, tx_lon_deg=2.0, rx_lon_deg=2.0, **link,
        ).basic_transmission_loss_db  # fmt: skip
        quick = profile_loss_db(**arrays(d, h, c, z), latitude_deg=51.0, time_percent=percent, **link)
        assert quick == pytest.approx(plain, abs=1e-9)


def test_profile_kernel_meets_the_published_examples() -> None:
    """Source: ITU-R Study Group 3 validation examples (see the file). The latitude of the middle is the great circle's."""
    from bandwright.propagation.terrain import _middle_latitude_deg

    for case in PUBLISHED["cases"]:
        shape = PUBLISHED["profiles"][case["profile"]]
        middle = _middle_latitude_deg(case["tx_lat_deg"], case["rx_lat_deg"], case["tx_lon_deg"], case["rx_lon_deg"], shape["distance_km"][-1] / 2)
        found = profile_loss_db(
            **arrays(shape["distance_km"], shape["terrain_height_m"], shape["clutter_height_m"], shape["zone"]),
            latitude_deg=middle, n0=case["n0"],
            **{k: case[k] for k in ("frequency_ghz", "tx_height_m", "rx_height_m", "time_percent", "polarization", "delta_n")},
        )  # fmt: skip
        assert found == pytest.approx(case["expected"]["basic_transmission_loss_db"], abs=1e-6)


@pytest.mark.parametrize(("roughness", "clutter", "ghz", "centre", "far"), [(0.0, False, 0.8, 30, 6), (1.0, False, 3.5, 40, 3), (3.0, True, 0.45, 15, 1.5), (12.0, True, 5.9, 60, 10), (40.0, False, 1.8, 1, 1)])
def test_fan_and_plain_twin(roughness: float, clutter: bool, ghz: float, centre: float, far: float) -> None:
    rng = np.random.default_rng(11)
    ground = radials(rng, 4, 121, roughness)
    stands = rng.choice((0.0, 8.0, 15.0), ground.shape) if clutter else None
    setup = {"step_m": 100.0, "every": 3, "centre_height_m": centre, "far_height_m": far, "frequency_ghz": ghz, "clutter_m": stands}
    quick, plain = fan(ground, **setup), fan_plain(ground, **setup)
    assert quick.diffraction_db == pytest.approx(plain.diffraction_db, abs=1e-9)
    assert quick.loss_db == pytest.approx(plain.loss_db, abs=5e-6)  # scattering is left out where it changes less than that
    assert quick.ranges_m == pytest.approx(plain.ranges_m)
    assert np.isfinite(quick.loss_db).all()


def test_fan_is_p1812_from_one_kilometre_up() -> None:
    """Independent of both: the whole Recommendation for each point; within 1e-4 dB (at 50 % ducting and interpolation drop out)."""
    rng = np.random.default_rng(5)
    ground = radials(rng, 3, 301, 4.0)
    found = fan(ground, step_m=60.0, every=50, centre_height_m=35.0, far_height_m=6.0, frequency_ghz=1.8, n0=330.0)
    for row, heights in enumerate(ground):
        for column, end in enumerate(range(50, 301, 50)):
            whole = p1812(
                frequency_ghz=1.8, distance_km=(np.arange(end + 1) * 0.06).tolist(), terrain_height_m=heights[: end + 1].tolist(), tx_height_m=35.0, rx_height_m=6.0,
                tx_lat_deg=50.0, rx_lat_deg=50.0, tx_lon_deg=0.0, rx_lon_deg=0.1, n0=330.0,
            )  # fmt: skip
            assert found.loss_db[row, column] == pytest.approx(whole.basic_transmission_loss_db, abs=1e-4)
            assert found.diffraction_db[row, column] == pytest.approx(whole.diffraction_median_db, abs=1e-9)


def test_ensemble_and_single_profiles() -> None:
    d, h = [0, 1, 2, 3, 4, 5], [100, 105, 140, 110, 102, 100]
    rx = [2.0, 6.0, 10.0]
    found = ensemble_losses_db(distance_km=d, ground_m=h, tx_heights_m=[30.0] * 3, rx_heights_m=rx, frequencies_ghz=[0.8, 0.8, 1.8], delta_ns=[45.0, 60.0, 45.0])
    for loss, height, ghz, lapse in zip(found, rx, (0.8, 0.8, 1.8), (45.0, 60.0, 45.0), strict=True):
        single = p1812(
            frequency_ghz=ghz, distance_km=d, terrain_height_m=h, tx_height_m=30.0, rx_height_m=height, tx_lat_deg=50.0, rx_lat_deg=50.0, tx_lon_deg=0.0, rx_lon_deg=0.0, delta_n=lapse,
        )  # fmt: skip
        assert loss == pytest.approx(single.basic_transmission_loss_db, abs=1e-9)


def test_without_numba_the_plain_twins_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    ground = radials(np.random.default_rng(2), 2, 41, 3.0)
    setup = {"step_m": 100.0, "every": 10, "centre_height_m": 30.0, "far_height_m": 6.0, "frequency_ghz": 1.8}
    members = {"tx_heights_m": [30.0], "rx_heights_m": [6.0], "frequencies_ghz": [1.8], "delta_ns": [45.0]}
    path = {"distance_km": [0.0, 1.0, 2.0, 3.0], "ground_m": [10.0, 40.0, 20.0, 10.0]}
    quick, member = fan(ground, **setup), ensemble_losses_db(**path, **members)
    monkeypatch.setattr(kernels, "_compiled", lambda: None)
    said: list[str] = []
    assert not is_compiled()
    assert fan(ground, **setup, on_compile=said.append).loss_db == pytest.approx(quick.loss_db, abs=5e-6)
    assert ensemble_losses_db(**path, **members, on_compile=said.append) == pytest.approx(member, abs=1e-9)
    assert said == []


def test_first_use_says_that_it_compiles(monkeypatch: pytest.MonkeyPatch) -> None:
    ground = radials(np.random.default_rng(2), 1, 21, 3.0)
    setup = {"step_m": 100.0, "every": 10, "centre_height_m": 30.0, "far_height_m": 6.0, "frequency_ghz": 1.8}
    said: list[str] = []
    fan(ground, **setup)
    fan(ground, **setup, on_compile=said.append)
    assert said == []  # at hand by now, and on disk for the next process
    assert is_compiled()
    monkeypatch.setattr(kernels, "is_compiled", lambda _: False)
    fan(ground, **setup, on_compile=said.append)
    assert len(said) == 1
    assert "ompiling" in said[0]


def test_compiled_form_is_kept_on_disk() -> None:
    from bandwright.propagation import compiled

    fan(radials(np.random.default_rng(2), 1, 21, 3.0), step_m=100.0, every=10, centre_height_m=30.0, far_height_m=6.0, frequency_ghz=1.8)
    assert list(Path(compiled.fan_median.stats.cache_path).glob("compiled.fan_median-*.nbi"))


@pytest.mark.parametrize(
    "change", [{"step_m": 0.0}, {"every": 1}, {"every": 99}, {"frequency_ghz": 6.1}, {"frequency_ghz": 0.02}, {"centre_height_m": 0.0}, {"far_height_m": -1.0}]
)
def test_a_fan_outside_its_range_is_refused(change: dict) -> None:
    setup = {"step_m": 100.0, "every": 10, "centre_height_m": 30.0, "far_height_m": 6.0, "frequency_ghz": 1.8} | change
    with pytest.raises(RangeError):
        fan(radials(np.random.default_rng(2), 1, 41, 3.0), **setup)


def test_voids_and_unlike_lists_are_refused() -> None:
    setup = {"step_m": 100.0, "every": 10, "centre_height_m": 30.0, "far_height_m": 6.0, "frequency_ghz": 1.8}
    ground = radials(np.random.default_rng(2), 1, 41, 3.0)
    ground[0, 7] = np.nan
    with pytest.raises(TerrainError, match="void"):
        fan(ground, **setup)
    with pytest.raises(RangeError):
        fan(np.zeros(5), **setup)
    path = {"distance_km": [0.0, 1.0, 2.0], "ground_m": [10.0, 40.0, 20.0]}
    good = {"tx_heights_m": [30.0], "rx_heights_m": [6.0], "frequencies_ghz": [1.8], "delta_ns": [45.0]}
    for change in ({"rx_heights_m": [6.0, 7.0]}, {"frequencies_ghz": [6.5]}, {"delta_ns": [157.0]}, {"rx_heights_m": [0.5]}):
        with pytest.raises(RangeError):
            ensemble_losses_db(**path, **good | change)
    with pytest.raises(RangeError, match="path length"):
        ensemble_losses_db(distance_km=[0.0, 0.1, 0.2], ground_m=[1.0, 1.0, 1.0], **good)

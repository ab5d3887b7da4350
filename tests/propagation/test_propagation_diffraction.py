"""Edges, Bullington, spherical earth and the delta method."""

from __future__ import annotations

import pytest

from bandwright.propagation.diffraction import delta_bullington, knife_edge_db, knife_edge_parameter, smooth_surface, spherical_earth_db
from bandwright.propagation.freespace import EARTH_RADIUS_KM
from bandwright.propagation.profile import profile


@pytest.mark.parametrize(
    ("nu", "loss_db"),
    [(-0.79, 0.0), (-0.78, 0.0), (-0.7, 0.536), (-0.5, 1.959), (0.0, 6.033), (0.5, 10.288), (1.0, 13.926), (1.5, 16.784), (2.0, 19.043), (2.4, 20.539), (3.0, 22.416), (5.0, 26.814)],
)  # fmt: skip
def test_knife_edge(nu: float, loss_db: float) -> None:
    """ITU-R P.526 eq. 31, worked to three decimals by a separate program; at -0.78 the formula gives 0.004 and P.526 says 0."""
    assert knife_edge_db(nu) == pytest.approx(loss_db, abs=6e-4)


def test_knife_edge_parameter() -> None:
    # h = 10 m, 2 and 3 km, 3.5 GHz: nu 1.3949, J 16.240 (P.526 eq. 26, 31; worked by a separate program with 0.2998/f).
    nu = knife_edge_parameter(height_m=10.0, from_start_m=2000.0, to_end_m=3000.0, frequency_mhz=3500.0)
    assert nu == pytest.approx(1.3949, abs=1e-4)
    assert knife_edge_db(nu) == pytest.approx(16.240, abs=1e-3)


CASES = [
    # distances, ground, heights, polarization, GHz -> L_d (and parts); P.526 4.5.2 with k = 4/3, worked by a separate program that meets all 63 published examples.
    ([0, 1, 2, 3, 4, 5], [100, 105, 140, 110, 102, 100], (30, 6), 2, 0.8, 25.2795, None),
    ([0, 1, 2, 3, 4, 5], [100, 105, 140, 110, 102, 100], (30, 6), 2, 3.5, 31.6131, None),
    ([0, 1, 2, 3, 4, 5], [100] * 6, (30, 6), 2, 0.8, 0.0, None),
    ([0, 1, 2, 3, 4, 5], [100] * 6, (30, 6), 2, 3.5, 0.0, None),
    (list(range(0, 22, 2)), [50, 60, 65, 80, 120, 95, 90, 70, 75, 60, 55], (40, 8), 1, 0.8, 29.5203, (26.8195, 5.9497, 8.6506)),
    (list(range(0, 22, 2)), [50, 60, 65, 80, 120, 95, 90, 70, 75, 60, 55], (40, 8), 1, 1.8, 30.8477, (30.3152, 2.2738, 2.8063)),
]


@pytest.mark.parametrize(("distance_km", "ground_m", "heights_m", "polarization", "frequency_ghz", "loss_db", "parts"), CASES)
def test_delta_bullington(distance_km, ground_m, heights_m, polarization, frequency_ghz, loss_db, parts) -> None:
    path = profile(distance_km=distance_km, ground_m=ground_m)
    tx, rx = ground_m[0] + heights_m[0], ground_m[-1] + heights_m[1]
    found = delta_bullington(
        path,
        smooth_surface(path, tx_masl_m=tx, rx_masl_m=rx),
        tx_masl_m=tx,
        rx_masl_m=rx,
        earth_radius_km=EARTH_RADIUS_KM * 4 / 3,
        frequency_ghz=frequency_ghz,
        polarization=polarization,
        sea_share=0.0,
    )
    assert found.loss_db == pytest.approx(loss_db, abs=1e-3)
    if parts:
        assert (found.actual_db, found.smooth_db, found.spherical_db) == pytest.approx(parts, abs=1e-3)


def test_spherical_earth_joins_at_the_horizon() -> None:
    """Continuous where line of sight ends, and growing beyond it (P.526 3.2: the interpolation meets the residue series there)."""
    from bandwright.propagation.freespace import horizon_km

    edge = horizon_km(height_1_m=30.0, height_2_m=6.0)

    def at(distance_km: float) -> float:
        return spherical_earth_db(
            distance_km=distance_km, tx_height_m=30.0, rx_height_m=6.0, earth_radius_km=EARTH_RADIUS_KM * 4 / 3, frequency_ghz=0.8, polarization=2, sea_share=0.0
        )

    assert at(edge - 1e-6) == pytest.approx(at(edge + 1e-6), abs=1e-2)
    assert at(3.0) == 0.0
    assert at(edge) < at(edge + 5.0) < at(edge + 10.0)


def test_spherical_earth_with_nothing_above_the_surface() -> None:
    for tx, rx in ((0.0, 0.0), (0.0, 5.0), (5.0, 0.0)):
        loss = spherical_earth_db(distance_km=3.0, tx_height_m=tx, rx_height_m=rx, earth_radius_km=8500.0, frequency_ghz=1.8, polarization=2, sea_share=0.5)
        assert 0.0 < loss < 200.0


def test_a_path_loses_the_same_both_ways() -> None:
    """Reciprocity, which no formula of the method states but all of them together must keep."""
    import numpy as np

    rng = np.random.default_rng(4)
    for _ in range(30):
        n = int(rng.integers(5, 60))
        d = np.concatenate(([0.0], np.cumsum(rng.uniform(0.05, 0.6, n - 1))))
        h = 300.0 + np.cumsum(rng.normal(0.0, rng.uniform(0.5, 30.0), n))
        losses = []
        for distance, ground, (tx, rx) in ((d, h, (30.0, 5.0)), (d[-1] - d[::-1], h[::-1], (5.0, 30.0))):
            path = profile(distance_km=distance.tolist(), ground_m=ground.tolist())
            ends = {"tx_masl_m": float(ground[0]) + tx, "rx_masl_m": float(ground[-1]) + rx}
            found = delta_bullington(path, smooth_surface(path, **ends), **ends, earth_radius_km=8500.0, frequency_ghz=1.8, polarization=2, sea_share=0.0)
            losses.append(found.loss_db)
        assert losses[0] == pytest.approx(losses[1], abs=1e-8)

"""Room under the line in Fresnel radii, the blocking edge, and what height brings."""

from __future__ import annotations

import numpy as np
import pytest

from bandwright.errors import RangeError
from bandwright.propagation.clearance import clearance, height_gains
from bandwright.propagation.diffraction import knife_edge_db, knife_edge_parameter
from bandwright.propagation.freespace import earth_bulge_m, fresnel_radius_m
from bandwright.propagation.profile import profile

EDGE = profile(distance_km=[0, 1, 2, 3, 4, 5], ground_m=[100, 100, 138, 100, 100, 100])


def test_clearance_point_by_point() -> None:
    found = clearance(EDGE, tx_height_m=30.0, rx_height_m=6.0, frequency_mhz=1800.0)
    at = found.distance_m.index(2000.0)
    line = 130.0 + (106.0 - 130.0) * 2 / 5
    top = 138.0 + earth_bulge_m(from_start_m=2000.0, to_end_m=3000.0)
    radius = fresnel_radius_m(from_start_m=2000.0, to_end_m=3000.0, frequency_mhz=1800.0)
    assert (found.line_m[at], found.surface_m[at], found.fresnel_m[at]) == pytest.approx((line, top, radius), abs=1e-3)
    assert found.share[at] == pytest.approx((line - top) / radius, abs=1e-4)
    assert (found.worst_at_m, found.worst_share) == (2000.0, found.share[at])
    assert not found.clear
    nu = knife_edge_parameter(height_m=top - line, from_start_m=2000.0, to_end_m=3000.0, frequency_mhz=1800.0)
    assert found.edge_loss_db == pytest.approx(knife_edge_db(nu), abs=5e-3)  # 0.2998 against c: nu is root 2 of the share


def test_the_height_that_clears_it_clears_it() -> None:
    """Raising only the receiver by x lifts the line at d1 from the mast by x d1/D (geometry)."""
    low = clearance(EDGE, tx_height_m=30.0, rx_height_m=6.0, frequency_mhz=1800.0)
    assert low.raise_site_m is not None
    assert low.raise_site_m > 10.0
    high = clearance(EDGE, tx_height_m=30.0, rx_height_m=6.0 + low.raise_site_m, frequency_mhz=1800.0)
    assert high.worst_share == pytest.approx(0.6, abs=1e-9)
    assert clearance(EDGE, tx_height_m=30.0, rx_height_m=6.01 + low.raise_site_m, frequency_mhz=1800.0).clear
    wall = profile(distance_km=[0, 1, 2, 3], ground_m=[0, 900, 0, 0])
    assert clearance(wall, tx_height_m=30.0, rx_height_m=6.0, frequency_mhz=1800.0).raise_site_m is None
    flat = clearance(profile(distance_km=[0, 0.5, 1], ground_m=[0, 0, 0]), tx_height_m=30.0, rx_height_m=20.0, frequency_mhz=3500.0)
    assert flat.clear
    assert flat.raise_site_m == 0.0
    with pytest.raises(RangeError):
        clearance(EDGE, tx_height_m=0.0, rx_height_m=6.0, frequency_mhz=1800.0)


def test_what_height_brings() -> None:
    rows = height_gains([3.0, 6.0, 10.0], [140.0, 138.0, 137.0], clutter_gains_db=[0.0, 4.7, 17.0])
    assert [r.terrain_db for r in rows] == [0.0, 2.0, 3.0]
    assert (rows[0].low_db, rows[0].high_db) == (0.0, 0.0)
    assert (rows[1].low_db, rows[1].high_db) == pytest.approx((2.0 - 4.0, 6.7 + 4.0))
    with pytest.raises(RangeError):
        height_gains([3.0, 6.0], [140.0])
    assert np.isfinite([r.high_db for r in height_gains([3.0, 6.0], [140.0, 139.0])]).all()

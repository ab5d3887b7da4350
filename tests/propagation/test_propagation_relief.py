"""Hillshade: flat ground, slopes towards and away from the light, and what is unknown."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bandwright.errors import RangeError
from bandwright.propagation.relief import hillshade


def slope(facing_deg: float, steepness: float) -> np.ndarray:
    """An inclined plane that falls towards facing_deg: rows from north, 10 m a step."""
    north, east = np.meshgrid(-10.0 * np.arange(9.0), 10.0 * np.arange(9.0), indexing="ij")
    return -steepness * (east * math.sin(math.radians(facing_deg)) + north * math.cos(math.radians(facing_deg)))


def test_flat_ground_is_lit_by_the_height_of_the_light_alone() -> None:
    assert hillshade(np.full((5, 7), 120.0), step_m=10.0) == pytest.approx(math.sin(math.radians(45.0)))


@pytest.mark.parametrize(("facing_deg", "angle_deg"), [(315.0, 45.0), (315.0, 20.0), (135.0, 20.0), (45.0, 30.0)])
def test_a_slope_is_lit_by_the_cosine_of_the_angle_to_the_light(facing_deg: float, angle_deg: float) -> None:
    # Spherical trigonometry, independent of gradients: cos(angle) = sin e cos s + cos e sin s cos(azimuth difference).
    e, s = math.radians(45.0), math.radians(angle_deg)
    expected = max(0.0, math.sin(e) * math.cos(s) + math.cos(e) * math.sin(s) * math.cos(math.radians(facing_deg - 315.0)))
    assert hillshade(slope(facing_deg, math.tan(s)), step_m=10.0) == pytest.approx(expected, abs=1e-9)


def test_a_height_that_is_not_known_leaves_its_neighbours_dark_as_well() -> None:
    heights = np.zeros((7, 7))
    heights[3, 3] = np.nan
    shade = hillshade(heights, step_m=10.0)
    assert np.isnan(shade[2:5, 2:5]).sum() == 9
    assert not np.isnan(shade[0]).any()


def test_too_small_a_grid_or_no_step_is_refused() -> None:
    with pytest.raises(RangeError):
        hillshade(np.zeros((2, 5)), step_m=10.0)
    with pytest.raises(RangeError):
        hillshade(np.zeros((5, 5)), step_m=0.0)

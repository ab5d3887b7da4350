"""The sample terrain is what it says: the same heights as its source, readable as a user's own file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.cbook import get_sample_data

from bandwright.workspace.elevation import open_terrain

SAMPLE = Path(__file__).resolve().parents[2] / "docs" / "sample" / "ridge.tif"


def test_the_sample_terrain_holds_its_sources_heights() -> None:
    import rasterio

    with rasterio.open(SAMPLE) as found:
        assert np.array_equal(found.read(1), np.load(get_sample_data("jacksboro_fault_dem.npz", asfileobj=False))["elevation"])
        assert "public domain" in found.tags()["source"]


def test_the_sample_terrain_gives_a_profile() -> None:
    distance, height = open_terrain(SAMPLE).profile_m(from_lat_deg=36.60, from_lon_deg=-84.35, to_lat_deg=36.52, to_lon_deg=-84.12, step_m=60.0)
    assert abs(distance[-1] - 22_422.321) < 0.01  # WGS 84 geodesic
    assert (height[0], height[-1]) == (696.0, 408.0)  # worked by a separate program on the same cells

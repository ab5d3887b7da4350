"""A site on real ground, for tests of the place and of aiming: a workspace folder with its elevation file.

The ground is `jacksboro_fault_dem.npz` of matplotlib's sample data (see tests/workspace/test_workspace_elevation.py). Site and masts are invented.
"""

from __future__ import annotations

from pathlib import Path

SITE = """
[site]
name = "Shoulder"
{position}

{mast}

[[need]]
kind = "video call"

[[line]]
key = "A"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.1:5000"

[[rig]]
key = "sill"
line = "A"
gateway = "own"
antenna = {{ height_m = 2 }}

[[rig]]
key = "gable"
line = "A"
gateway = "own"
antenna = {{ kind = "panel", gain_dbi = 9, beamwidth_deg = 60, height_m = 7 }}

[campaign]
mounted = "sill"
"""
POSITION = "latitude_deg = 36.55\nlongitude_deg = -84.16"
MAST = '[[mast]]\nname = "hill mast"\nlatitude_deg = 36.50\nlongitude_deg = -84.10\nheight_m = 35\n'
SECOND = '\n[[mast]]\nname = "ridge mast"\nlatitude_deg = 36.60\nlongitude_deg = -84.35\n'


def write_ground(path: Path) -> Path:
    """Write the real ground as a GeoTIFF of metres."""
    import numpy as np
    import rasterio
    from matplotlib.cbook import get_sample_data
    from rasterio.transform import from_bounds

    sample = np.load(get_sample_data("jacksboro_fault_dem.npz", asfileobj=False))
    heights = sample["elevation"]
    rows, columns = heights.shape
    transform = from_bounds(float(sample["xmin"]), float(sample["ymax"]), float(sample["xmax"]), float(sample["ymin"]), columns, rows)
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype="int16", crs="EPSG:4326", transform=transform) as out:
        out.write(heights, 1)
        out.units = ("m",)
    return path


def write_place(folder: Path, *, position: str = POSITION, mast: str = MAST + SECOND, ground: bool = True) -> Path:
    """Write a workspace folder. Returns it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(SITE.format(position=position, mast=mast), encoding="utf-8")
    if ground:
        write_ground(folder / "elevation" / "ground.tif")
    return folder

"""Elevation files: every format against the same ground, the anchors on real terrain, and all that is refused.

Real terrain: `jacksboro_fault_dem.npz` of matplotlib's sample data, from a federal elevation data set of the United States (public domain, from
memory): int16, 344 x 403 cells of 3 seconds. Its `ymin` holds the north edge and `ymax` the south; row 0 is north; cells are areas.
"""

from __future__ import annotations

import gzip
import hashlib
import zipfile
from pathlib import Path

import numpy as np
import pytest

from bandwright.errors import RangeError, TerrainError, UsageError
from bandwright.ports import Elevation
from bandwright.propagation.terrain import p1812
from bandwright.workspace import elevation
from bandwright.workspace.elevation import open_terrain

SIDE = 1201


def ground(lat: np.ndarray, lon: np.ndarray) -> np.ndarray:
    """An inclined plane: bilinear interpolation must return it exactly (metres, whole at the grid's points)."""
    return 1200.0 * (lat - 46.0) + 2400.0 * (lon - 8.0) + 100.0


def tile_octets(south: int = 46, west: int = 8) -> bytes:
    lat = south + 1 - np.arange(SIDE) / (SIDE - 1)
    lon = west + np.arange(SIDE) / (SIDE - 1)
    return np.rint(ground(lat[:, None], lon[None, :])).astype(">i2").tobytes()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("tiles")
    octets = tile_octets()
    (where / "plain").mkdir()
    (where / "plain" / "N46E008.hgt").write_bytes(octets)
    (where / "N46E008.hgt.gz").write_bytes(gzip.compress(octets, 1))
    with zipfile.ZipFile(where / "N46E008.hgt.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("N46E008.hgt", octets)
    return where


POINTS = ([46.5, 46.12345, 46.999, 46.0, 47.0], [8.5, 8.98765, 8.001, 8.0, 9.0])


@pytest.mark.parametrize("name", ["plain/N46E008.hgt", "N46E008.hgt.gz", "N46E008.hgt.zip"])
def test_tiles_in_every_packing(folder: Path, name: str) -> None:
    terrain = open_terrain(folder / name)
    got = terrain.heights_m(*POINTS)
    assert got == pytest.approx(ground(np.array(POINTS[0]), np.array(POINTS[1])), abs=1e-6)
    (source,) = terrain.sources
    assert source.bounds_deg == (46.0, 8.0, 47.0, 9.0)
    assert source.step_m == pytest.approx(92.77, abs=0.1)  # 3 seconds of a degree of 111.32 km
    assert isinstance(terrain, Elevation)


def test_profile_steps_and_ends(folder: Path) -> None:
    terrain = open_terrain(folder / "plain")
    distance, height = terrain.profile_m(from_lat_deg=46.2, from_lon_deg=8.2, to_lat_deg=46.3, to_lon_deg=8.3, step_m=60.0)
    steps = np.diff(distance)
    assert steps.max() <= 60.0
    assert steps == pytest.approx(steps[0])
    assert (height[0], height[-1]) == pytest.approx((ground(np.array(46.2), np.array(8.2)), ground(np.array(46.3), np.array(8.3))), abs=1e-6)
    assert len(terrain.profile_m(from_lat_deg=46.2, from_lon_deg=8.2, to_lat_deg=46.2001, to_lon_deg=8.2, step_m=60.0)[0]) == 3
    with pytest.raises(UsageError):
        terrain.profile_m(from_lat_deg=46.2, from_lon_deg=8.2, to_lat_deg=46.3, to_lon_deg=8.3, step_m=0.0)


def test_radials_round_a_place(folder: Path) -> None:
    from pyproj import Geod

    terrain = open_terrain(folder / "plain")
    azimuths = [0.0, 77.0, 200.0]
    got = terrain.radials_m(lat_deg=46.5, lon_deg=8.5, azimuths_deg=azimuths, step_m=250.0, points=41)
    assert got.shape == (3, 41)
    for row, azimuth in zip(got, azimuths, strict=True):
        assert row[0] == pytest.approx(ground(np.array(46.5), np.array(8.5)), abs=1e-6)
        lon, lat, _ = Geod(ellps="WGS84").fwd(8.5, 46.5, azimuth, 10_000.0)
        assert row[-1] == pytest.approx(ground(np.array(lat), np.array(lon)), abs=0.1)  # metres: the series is within 2 m, the plane's slope about 1 in 30
    with pytest.raises(RangeError):
        terrain.radials_m(lat_deg=46.5, lon_deg=8.5, azimuths_deg=azimuths, step_m=1000.0, points=41)


def test_a_path_across_two_tiles(tmp_path: Path) -> None:
    (tmp_path / "N46E008.hgt").write_bytes(tile_octets())
    (tmp_path / "N46E009.hgt").write_bytes(tile_octets(west=9))
    terrain = open_terrain(tmp_path)
    distance, height = terrain.profile_m(from_lat_deg=46.5, from_lon_deg=8.95, to_lat_deg=46.5, to_lon_deg=9.05, step_m=100.0)
    assert np.diff(height).min() > 0.0  # the plane rises eastwards, over the seam too
    assert np.diff(height).max() < 1.5 * np.median(np.diff(height))
    assert distance[-1] == pytest.approx(7672.0, abs=10.0)  # 0.1 degrees at 46.5 N (WGS 84)
    with pytest.raises(TerrainError, match=r"N46E010\.hgt"):
        terrain.heights_m([46.5], [10.5])
    with pytest.raises(TerrainError, match=r"S01W001\.hgt"):
        terrain.heights_m([-0.5], [-0.5])


def test_a_void_is_never_interpolated_across(tmp_path: Path) -> None:
    heights = np.frombuffer(tile_octets(), dtype=">i2").reshape(SIDE, SIDE).copy()
    heights[600, 600] = -32768
    (tmp_path / "N46E008.hgt").write_bytes(heights.tobytes())
    terrain = open_terrain(tmp_path)
    third = 1.0 / (SIDE - 1)
    for lat, lon in ((46.5, 8.5), (46.5 + 0.4 * third, 8.5 - 0.4 * third)):
        with pytest.raises(TerrainError, match="void"):
            terrain.heights_m([lat], [lon])
    # One cell on, the void has no weight.
    assert terrain.heights_m([46.5 + third], [8.5])[0] == pytest.approx(ground(np.array(46.5 + third), np.array(8.5)), abs=0.6)
    with pytest.raises(TerrainError, match="void"):
        terrain.profile_m(from_lat_deg=46.49, from_lon_deg=8.5, to_lat_deg=46.51, to_lon_deg=8.5, step_m=30.0)


def test_sites_on_the_sea_and_below_it(tmp_path: Path) -> None:
    heights = np.frombuffer(tile_octets(), dtype=">i2").reshape(SIDE, SIDE).copy()
    heights[:600, :] = 0
    (tmp_path / "N46E008.hgt").write_bytes(heights.tobytes())
    terrain = open_terrain(tmp_path)
    with pytest.raises(TerrainError, match="sea"):
        terrain.ground_m(lat_deg=46.8, lon_deg=8.5)
    assert terrain.ground_m(lat_deg=46.4, lon_deg=8.5) == pytest.approx(1780.0, abs=1.0)


@pytest.mark.parametrize(
    ("name", "octets", "word"),
    [
        ("N46E008.hgt", b"\0" * 100, "100 octets"),
        ("tile.hgt", b"\0" * (2 * SIDE * SIDE), "south-west corner"),
        ("N46E008.hgt.gz", b"not packed", "cannot be unpacked"),
        ("N46E008.hgt.zip", b"not packed", "cannot be unpacked"),
        ("N46E008.hgt.gz", gzip.compress(b"\0" * (2 * SIDE * SIDE))[:-2000], "cannot be unpacked"),
        ("heights.asc", b"ncols 3", "GeoTIFF"),
        ("picture.tif", b"not a tiff", "cannot be read"),
    ],
)
def test_files_that_cannot_be_used(tmp_path: Path, name: str, octets: bytes, word: str) -> None:
    (tmp_path / name).write_bytes(octets)
    with pytest.raises(TerrainError, match=word):
        open_terrain(tmp_path / name)


def test_nothing_there(tmp_path: Path) -> None:
    with pytest.raises(TerrainError, match="none"):
        open_terrain(tmp_path)
    with pytest.raises(TerrainError, match="not there"):
        open_terrain(tmp_path / "N46E008.hgt")
    with zipfile.ZipFile(tmp_path / "N46E008.zip", "w") as archive:
        archive.writestr("readme.txt", "no tile")
    with pytest.raises(TerrainError, match=r"0 \.hgt files"):
        open_terrain(tmp_path / "N46E008.zip")
    with zipfile.ZipFile(tmp_path / "N47E008.zip", "w") as archive:
        archive.writestr("N47E008.hgt", b"\0" * 50)
    with pytest.raises(TerrainError, match="1201"):
        open_terrain(tmp_path / "N47E008.zip")


def write_tiff(path: Path, values: np.ndarray, *, crs: object, transform: object, units: str | None = "m", driver: str = "GTiff", **more: object) -> Path:
    import rasterio

    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype, "crs": crs, "transform": transform} | more
    with rasterio.open(path, "w", **profile) as data:
        data.write(values, 1)
        if units is not None:
            data.set_band_unit(1, units)
    if driver == "COG":
        from rasterio.shutil import copy

        packed = path.with_name("cog_" + path.name)
        copy(path, packed, driver="COG", compress="deflate")
        return packed
    return path


def plane(step: float = 0.001, size: int = 200, dtype: str = "float32") -> tuple[np.ndarray, object]:
    from rasterio.transform import from_origin

    lat, lon = 46.5 - step * (np.arange(size) + 0.5), 8.3 + step * (np.arange(size) + 0.5)
    return ground(lat[:, None], lon[None, :]).astype(dtype), from_origin(8.3, 46.5, step, step)


INSIDE = ([46.45, 46.4012, 46.3111], [8.35, 8.4789, 8.3123])


@pytest.mark.parametrize("packing", [{}, {"compress": "deflate"}, {"compress": "lzw", "tiled": True, "blockxsize": 64, "blockysize": 64}, {"driver": "COG"}])
def test_geotiffs_in_every_packing(tmp_path: Path, packing: dict) -> None:
    values, transform = plane()
    terrain = open_terrain(write_tiff(tmp_path / "a.tif", values, crs="EPSG:4326", transform=transform, **packing))
    assert terrain.heights_m(*INSIDE) == pytest.approx(ground(np.array(INSIDE[0]), np.array(INSIDE[1])), abs=2e-3)  # float32 of some 1000 m


def test_projected_geotiff(tmp_path: Path) -> None:
    """The same plane in metres of a transverse Mercator zone: heights by place, not by axis."""
    import pyproj
    from rasterio.transform import from_origin

    to_lonlat = pyproj.Transformer.from_crs("EPSG:32632", "EPSG:4326", always_xy=True)
    x, y = 446_000.0 + 100.0 * (np.arange(200) + 0.5), 5_150_000.0 - 100.0 * (np.arange(200) + 0.5)
    lon, lat = to_lonlat.transform(*np.meshgrid(x, y))
    path = write_tiff(tmp_path / "utm.tif", ground(lat, lon).astype("float32"), crs="EPSG:32632", transform=from_origin(446_000.0, 5_150_000.0, 100.0, 100.0))
    lon, lat = to_lonlat.transform([447_130.0, 460_777.0], [5_149_000.0, 5_140_111.0])
    terrain = open_terrain(path)
    assert terrain.heights_m(list(lat), list(lon)) == pytest.approx(ground(np.array(lat), np.array(lon)), abs=0.05)  # the plane bends by centimetres in a projection
    assert terrain.sources[0].step_m == pytest.approx(100.0, abs=1.0)


def test_units_are_read_or_declared_never_guessed(tmp_path: Path) -> None:
    values, transform = plane()
    there = {"crs": "EPSG:4326", "transform": transform}
    silent = write_tiff(tmp_path / "silent.tif", values, units=None, **there)
    with pytest.raises(TerrainError, match="unit of its heights"):
        open_terrain(silent)
    metres = open_terrain(silent, unit="m").heights_m(*INSIDE)
    assert open_terrain(silent, unit="ft").heights_m(*INSIDE) == pytest.approx(0.3048 * metres)
    with pytest.raises(UsageError, match="yard"):
        open_terrain(silent, unit="yard")
    feet = open_terrain(write_tiff(tmp_path / "feet.tif", values, units="US survey foot", **there))
    assert feet.heights_m(*INSIDE) == pytest.approx(metres * 1200 / 3937)  # definition of the US survey foot
    with pytest.raises(TerrainError, match="fathom"):
        open_terrain(write_tiff(tmp_path / "deep.tif", values, units="fathom", **there))
    compound = write_tiff(tmp_path / "compound.tif", values, units=None, crs="EPSG:4326+8228", transform=transform)  # NAVD88 height (ft)
    assert open_terrain(compound).heights_m(*INSIDE) == pytest.approx(0.3048 * metres)


def test_coordinate_systems_that_are_refused(tmp_path: Path) -> None:
    values, transform = plane()
    with pytest.raises(TerrainError, match="coordinate system"):
        open_terrain(write_tiff(tmp_path / "none.tif", values, crs=None, transform=transform))
    with pytest.raises(TerrainError, match="ellipsoid"):
        open_terrain(write_tiff(tmp_path / "ellipsoid.tif", values, crs="EPSG:4979", transform=transform))
    local = 'ENGCRS["a site grid",EDATUM["a peg"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],LENGTHUNIT["metre",1]]'
    with pytest.raises(TerrainError, match=r"geographic or projected|coordinate system"):
        open_terrain(write_tiff(tmp_path / "local.tif", values, crs=local, transform=transform))


def test_voids_and_pictures_in_geotiffs(tmp_path: Path) -> None:
    values, transform = plane(dtype="int16")
    values[50, 50] = -9999
    terrain = open_terrain(write_tiff(tmp_path / "void.tif", values, crs="EPSG:4326", transform=transform, nodata=-9999))
    with pytest.raises(TerrainError, match="void"):
        terrain.heights_m([46.5 - 0.0505], [8.3 + 0.0505])
    with pytest.raises(TerrainError, match="bands"):
        import rasterio

        with rasterio.open(tmp_path / "rgb.tif", "w", driver="GTiff", height=5, width=5, count=3, dtype="uint8", crs="EPSG:4326", transform=transform) as data:
            data.write(np.zeros((3, 5, 5), dtype="uint8"))
        open_terrain(tmp_path / "rgb.tif")


def test_without_the_libraries_a_geotiff_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    values, transform = plane()
    path = write_tiff(tmp_path / "a.tif", values, crs="EPSG:4326", transform=transform)
    import builtins

    real = builtins.__import__

    def without(name: str, *args: object, **kwargs: object) -> object:
        if name.split(".", maxsplit=1)[0] == "rasterio":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageError, match="terrain extra"):
        elevation.open_terrain(path)


@pytest.fixture(scope="module")
def real_terrain(tmp_path_factory: pytest.TempPathFactory):
    from matplotlib.cbook import get_sample_data
    from rasterio.transform import from_bounds

    sample = np.load(get_sample_data("jacksboro_fault_dem.npz", asfileobj=False))
    heights = sample["elevation"]
    assert hashlib.sha256(heights.astype("<i2").tobytes()).hexdigest().startswith("0c7e9f894eb7c8d4")
    rows, columns = heights.shape
    transform = from_bounds(float(sample["xmin"]), float(sample["ymax"]), float(sample["xmax"]), float(sample["ymin"]), columns, rows)
    path = write_tiff(tmp_path_factory.mktemp("real") / "real.tif", heights, crs="EPSG:4326", transform=transform)
    return open_terrain(path)


def loss(terrain, start, end, *, tx: float, rx: float, ghz: float):
    distance, height = terrain.profile_m(from_lat_deg=start[0], from_lon_deg=start[1], to_lat_deg=end[0], to_lon_deg=end[1], step_m=60.0)
    found = p1812(
        frequency_ghz=ghz, distance_km=[d / 1000.0 for d in distance], terrain_height_m=height, tx_height_m=tx, rx_height_m=rx,
        tx_lat_deg=start[0], rx_lat_deg=end[0], tx_lon_deg=start[1], rx_lon_deg=end[1], n0=330.0,
    )  # fmt: skip
    return distance, height, found


def test_anchor_a_on_real_terrain(real_terrain) -> None:
    """Worked by a separate program: WGS 84 geodesic, steps of at most 60 m, bilinear on cell centres, delta N 45, N0 330, vertical, 50 %: 1e-3 dB."""
    for ghz, median, total in ((0.8, 47.2252, 164.7015), (3.5, 53.6720, 183.9679)):
        distance, height, found = loss(real_terrain, (36.60, -84.35), (36.52, -84.12), tx=40.0, rx=6.0, ghz=ghz)
        assert len(distance) == 375
        assert distance[-1] == pytest.approx(22_422.321, abs=2e-3)
        assert (height[0], height[-1]) == pytest.approx((696.0, 408.0), abs=1e-3)
        assert found.diffraction_median_db == pytest.approx(median, abs=1e-3)
        assert found.basic_transmission_loss_db == pytest.approx(total, abs=1e-3)


def test_anchor_b_what_each_metre_brings(real_terrain) -> None:
    rows = [(2, 26.5486, 141.8110), (6, 25.7924, 141.0548), (10, 24.9761, 140.2385), (20, 22.6172, 137.8796), (30, 19.6964, 134.9589)]
    for rx, median, total in rows:
        distance, _, found = loss(real_terrain, (36.50, -84.10), (36.55, -84.16), tx=35.0, rx=float(rx), ghz=1.8)
        assert len(distance) == 130
        assert distance[-1] == pytest.approx(7_724.132, abs=2e-3)
        assert found.diffraction_median_db == pytest.approx(median, abs=1e-3)
        assert found.basic_transmission_loss_db == pytest.approx(total, abs=1e-3)


def test_heights_for_a_picture_are_unknown_where_no_file_covers_them(folder: Path) -> None:
    terrain = open_terrain(folder / "plain")
    got = terrain.known_m([46.5, 50.0], [8.5, 8.5])
    assert got[0] == pytest.approx(ground(np.array(46.5), np.array(8.5)), abs=1e-6)
    assert np.isnan(got[1])

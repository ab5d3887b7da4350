"""Heights of the ground from the user's own files: .hgt tiles (plain, zipped, gzipped) and GeoTIFF, cloud-optimised ones too.

A file's coordinate system and vertical unit are read from it, and a file that does not say them is refused, not guessed at: heights in
feet or above the ellipsoid look like heights in metres until a link fails. A void is never interpolated across. rasterio and pyproj are
imported only where a GeoTIFF is opened.

An .hgt tile is point-registered, big-endian int16, 1201² (3″) or 3601² (1″), metres above sea level; its name gives its south-west
corner, and neighbours share their edges.
"""

from __future__ import annotations

import gzip
import math
import re
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from bandwright.errors import RangeError, TerrainError, UsageError
from bandwright.propagation.geodesy import series_points, track

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Heights = NDArray[np.float64]

__all__ = ["TerrainFiles", "TerrainSource", "Unit", "open_terrain"]

Unit = Literal["m", "ft", "us-ft"]

_UNIT_M: dict[str, float] = {"m": 1.0, "ft": 0.3048, "us-ft": 1200.0 / 3937.0}
_UNIT_NAMES: dict[str, Unit] = {
    "m": "m", "metre": "m", "meter": "m", "metres": "m", "meters": "m",
    "ft": "ft", "foot": "ft", "feet": "ft", "us survey foot": "us-ft", "us-ft": "us-ft", "ftus": "us-ft",
}  # fmt: skip
_HGT_NAME = re.compile(r"^([NS])(\d{2})([EW])(\d{3})", re.IGNORECASE)
_HGT_SIDES = {2 * side * side: side for side in (1201, 3601)}
_VOID = -32768


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainSource:
    """What is known of one file: where, what kind, its bounds (degrees: south, west, north, east), its step, and how its heights are counted."""

    path: Path
    kind: str
    bounds_deg: tuple[float, float, float, float]
    step_m: float
    crs: str
    unit: Unit


class _Grid(Protocol):
    """What a file must answer."""

    @property
    def source(self) -> TerrainSource:
        """What the file is."""
        ...

    def heights_m(self, lats: Heights, lons: Heights) -> Heights:
        """Return heights by bilinear interpolation; NaN where a void takes part."""
        ...


class TerrainFiles:
    """Elevation files as one source of heights: implements `ports.Elevation`. The first file that covers a point answers for it."""

    def __init__(self, grids: Sequence[_Grid]) -> None:
        if not grids:
            raise TerrainError("elevation files", given="none", todo="Give an .hgt tile or a GeoTIFF, or a folder of them.")
        self._grids = tuple(grids)

    @property
    def sources(self) -> tuple[TerrainSource, ...]:
        """What each file is."""
        return tuple(grid.source for grid in self._grids)

    def heights_m(self, lats_deg: Sequence[float] | Heights, lons_deg: Sequence[float] | Heights) -> Heights:
        """Return heights above sea level. Raises TerrainError where no file covers a point, or a void takes part in one."""
        import numpy as np

        lats, lons = np.asarray(lats_deg, dtype=np.float64), np.asarray(lons_deg, dtype=np.float64)
        out, open_ = self._looked_up(lats, lons)
        if open_.any():
            at = int(open_.argmax())
            raise TerrainError("elevation", given=f"no file covers {lats[at]:.4f}, {lons[at]:.4f}", todo=f"Add {_tile_name(float(lats[at]), float(lons[at]))}.hgt or a GeoTIFF of the area.")
        if np.isnan(out).any():
            at = int(np.isnan(out).argmax())
            raise TerrainError("elevation", given=f"a void at {lats[at]:.4f}, {lons[at]:.4f}", todo="Use another file for the area; nothing is interpolated across a void.")
        return out

    def known_m(self, lats_deg: Sequence[float] | Heights, lons_deg: Sequence[float] | Heights) -> Heights:
        """Return heights above sea level, NaN where no file covers a point or a void takes part in it: for pictures, never for a path."""
        import numpy as np

        return self._looked_up(np.asarray(lats_deg, dtype=np.float64), np.asarray(lons_deg, dtype=np.float64))[0]

    def _looked_up(self, lats: Heights, lons: Heights) -> tuple[Heights, NDArray[np.bool_]]:
        """Heights, NaN where unknown, and which points no file covers."""
        import numpy as np

        out = np.full(lats.size, np.nan)
        open_ = np.ones(lats.size, dtype=bool)
        for grid in self._grids:
            south, west, north, east = grid.source.bounds_deg
            inside = open_ & (lats >= south) & (lats <= north) & (lons >= west) & (lons <= east)
            if inside.any():
                out[inside] = grid.heights_m(lats[inside], lons[inside])
                open_[inside] = False
        return out, open_

    def profile_m(self, *, from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float, step_m: float) -> tuple[Sequence[float], Sequence[float]]:
        """Return distances (m) and heights (m above sea level) at equal steps of at most step_m along the geodesic, both ends included.

        Raises TerrainError for voids and uncovered ground, RangeError for places that make no line.
        """
        if not step_m > 0.0:
            raise UsageError("step_m", given=step_m, allowed="above 0")
        _, _, length = track(from_lat_deg=from_lat_deg, from_lon_deg=from_lon_deg, to_lat_deg=to_lat_deg, to_lon_deg=to_lon_deg, points=2)
        points = max(3, math.ceil(length / step_m) + 1)
        lats, lons, length = track(from_lat_deg=from_lat_deg, from_lon_deg=from_lon_deg, to_lat_deg=to_lat_deg, to_lon_deg=to_lon_deg, points=points)
        heights = self.heights_m(lats.tolist(), lons.tolist())
        return [length * i / (points - 1) for i in range(points)], heights.tolist()

    def radials_m(self, *, lat_deg: float, lon_deg: float, azimuths_deg: Sequence[float], step_m: float, points: int) -> Heights:
        """Return heights along radials round a place: azimuths × points, at equal steps from the place itself (column 0). To 30 km.

        Raises TerrainError for voids and uncovered ground, RangeError beyond 30 km.
        """
        import numpy as np

        if points < 3 or not 0.0 < step_m * (points - 1) <= 30_000.0:
            raise RangeError("reach of a radial in m", given=step_m * (points - 1), allowed="above 0, at most 30000, in 3 points or more")
        along = np.asarray(np.arange(points) * step_m, dtype=np.float64)
        rows = [series_points(from_lat_deg=lat_deg, from_lon_deg=lon_deg, azimuth_deg=azimuth, along_m=along) for azimuth in azimuths_deg]
        lats, lons = np.concatenate([lat for lat, _ in rows]), np.concatenate([lon for _, lon in rows])
        return self.heights_m(lats, lons).reshape(len(rows), points)

    def ground_m(self, *, lat_deg: float, lon_deg: float) -> float:
        """Return the height of the ground at a place that is meant to be on land. Raises TerrainError where it and its surroundings lie at or below the sea."""
        step = 0.0008
        around = [(lat_deg + a * step, lon_deg + b * step) for a in (-1, 0, 1) for b in (-1, 0, 1)]
        heights = self.heights_m([a for a, _ in around], [b for _, b in around])
        if float(heights.max()) <= 0.0:
            raise TerrainError("site", given=f"{lat_deg:.4f}, {lon_deg:.4f} lies on the sea", todo="Check the sign and the order of latitude and longitude.")
        return float(heights[4])


def open_terrain(where: Path | str | Iterable[Path | str], *, unit: Unit | None = None) -> TerrainFiles:
    """Return the elevation files at a path, in a folder, or in a list of paths.

    unit: what the user declares of files that do not say their vertical unit (heights above sea level are meant). Raises TerrainError for a file that
    cannot be used as it is, UsageError where a GeoTIFF needs the terrain extra.
    """
    if unit is not None and unit not in _UNIT_M:
        raise UsageError("vertical unit", given=unit, allowed=", ".join(sorted(_UNIT_M)))
    paths: list[Path] = []
    for item in [where] if isinstance(where, Path | str) else where:
        path = Path(item)
        if path.is_dir():
            paths += sorted(p for p in path.iterdir() if _kind(p) is not None)
        else:
            paths.append(path)
    return TerrainFiles([_open(path, unit) for path in paths])


def _kind(path: Path) -> str | None:
    name = path.name.lower()
    if name.endswith((".hgt", ".hgt.zip", ".hgt.gz")) or (name.endswith((".zip", ".gz")) and _HGT_NAME.match(path.name)):
        return "hgt"
    return "geotiff" if name.endswith((".tif", ".tiff")) else None


def _open(path: Path, unit: Unit | None) -> _Grid:
    kind = _kind(path)
    if kind is None:
        raise TerrainError("elevation file", given=path.name, todo="Use .hgt (plain, .zip, .gz) or GeoTIFF (.tif).")
    if not path.is_file():
        raise TerrainError("elevation file", given=f"{path.name} is not there", todo="Check the path.")
    return _Hgt.opened(path) if kind == "hgt" else _Raster.opened(path, unit)


def _tile_name(lat: float, lon: float) -> str:
    south, west = math.floor(lat), math.floor(lon)
    return f"{'N' if south >= 0 else 'S'}{abs(south):02d}{'E' if west >= 0 else 'W'}{abs(west):03d}"


def _bilinear(block: Any, rows: Heights, columns: Heights, void: float | None) -> Heights:
    """Bilinear heights at fractional rows and columns of a block; NaN where a corner with weight is void. Only the corners are converted."""
    import numpy as np

    r0 = np.clip(np.floor(rows).astype(np.int64), 0, max(0, block.shape[0] - 2))
    c0 = np.clip(np.floor(columns).astype(np.int64), 0, max(0, block.shape[1] - 2))
    fr, fc = rows - r0, columns - c0
    r1, c1 = np.minimum(r0 + 1, block.shape[0] - 1), np.minimum(c0 + 1, block.shape[1] - 1)
    total = np.zeros(rows.size)
    for r, c, weight in ((r0, c0, (1 - fr) * (1 - fc)), (r0, c1, (1 - fr) * fc), (r1, c0, fr * (1 - fc)), (r1, c1, fr * fc)):
        corner = block[r, c].astype(np.float64)
        absent = (corner == _VOID) | (corner == void) if void is not None else corner == _VOID
        corner[absent] = np.nan
        total += np.where(weight > 1e-12, weight * corner, 0.0)
    return total


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Hgt:
    """One .hgt tile. heights: rows from north, int16, a memory map where the file is plain."""

    source: TerrainSource
    heights: Any
    side: int

    @staticmethod
    def opened(path: Path) -> _Hgt:
        import numpy as np

        named = _HGT_NAME.match(path.name)
        if named is None:
            raise TerrainError("elevation file", given=path.name, todo="Name an .hgt tile by its south-west corner, e.g. N36W085.hgt.")
        south = int(named[2]) * (1 if named[1].upper() == "N" else -1)
        west = int(named[4]) * (1 if named[3].upper() == "E" else -1)
        octets = _hgt_octets(path)
        size = path.stat().st_size if octets is None else len(octets)
        side = _HGT_SIDES.get(size)
        if side is None:
            raise TerrainError("elevation file", given=f"{path.name} holds {size} octets", allowed="2884802 (3″) or 25934402 (1″)", todo="The file is cut short, or no .hgt tile.")
        heights = np.memmap(path, dtype=">i2", mode="r", shape=(side, side)) if octets is None else np.frombuffer(octets, dtype=">i2").reshape(side, side)
        source = TerrainSource(
            path=path, kind="hgt", bounds_deg=(float(south), float(west), south + 1.0, west + 1.0), step_m=111_320.0 / (side - 1), crs="WGS 84, metres above sea level", unit="m"
        )
        return _Hgt(source=source, heights=heights, side=side)

    def heights_m(self, lats: Heights, lons: Heights) -> Heights:
        """See _Grid."""
        south, west, _, _ = self.source.bounds_deg
        rows, columns = (south + 1.0 - lats) * (self.side - 1), (lons - west) * (self.side - 1)
        return _bilinear(self.heights, rows, columns, None)


def _hgt_octets(path: Path) -> bytes | None:
    """Return the octets of a packed tile, or None for a plain one."""
    name = path.name.lower()
    try:
        if name.endswith(".zip"):
            with zipfile.ZipFile(path) as archive:
                inside = [n for n in archive.namelist() if n.lower().endswith(".hgt")]
                if len(inside) != 1:
                    raise TerrainError("elevation file", given=f"{path.name} holds {len(inside)} .hgt files", allowed="one")
                if archive.getinfo(inside[0]).file_size not in _HGT_SIDES:
                    raise TerrainError("elevation file", given=f"{inside[0]} in {path.name}", todo="It is no .hgt tile of 1201² or 3601² points.")
                return archive.read(inside[0])
        if name.endswith(".gz"):
            with gzip.open(path) as packed:
                return packed.read(max(_HGT_SIDES) + 1)
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile, RuntimeError, NotImplementedError) as error:
        raise TerrainError("elevation file", given=f"{path.name} cannot be unpacked ({error})", todo="Fetch it again.") from error
    return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Raster:
    """One GeoTIFF band. to_grid: from longitude and latitude to the raster's own coordinates."""

    source: TerrainSource
    to_grid: Any
    inverse: tuple[float, float, float, float, float, float]  # column = a·x + b·y + c, row = d·x + e·y + f
    shape: tuple[int, int]
    factor_m: float
    nodata: float | None

    @staticmethod
    def opened(path: Path, declared: Unit | None) -> _Raster:
        rasterio, pyproj = _libraries()
        try:
            with rasterio.open(path) as data:
                wkt = data.crs.to_wkt() if data.crs is not None else None
                unit_text, nodata, transform, shape, bounds, count = data.units[0], data.nodata, data.transform, (data.height, data.width), data.bounds, data.count
        except rasterio.errors.RasterioError as error:
            raise TerrainError("elevation file", given=f"{path.name} cannot be read ({error})", todo="Check that it is a GeoTIFF.") from error
        if count != 1:
            raise TerrainError("elevation file", given=f"{path.name} has {count} bands", allowed="one band of heights", todo="A picture of the terrain is not its heights.")
        if wkt is None:
            raise TerrainError("elevation file", given=f"{path.name} does not say its coordinate system", todo="Write it into the file, e.g. with gdal_edit -a_srs.")
        crs = pyproj.CRS.from_wkt(wkt)
        horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
        if not (horizontal.is_geographic or horizontal.is_projected):
            raise TerrainError("elevation file", given=f"{path.name} uses {crs.name}", allowed="a geographic or projected coordinate system", todo="Convert it, e.g. with gdalwarp -t_srs EPSG:4326.")
        unit = _vertical_unit(path, crs, unit_text, declared)
        back = pyproj.Transformer.from_crs(horizontal, "EPSG:4326", always_xy=True)
        west, south, east, north = back.transform_bounds(bounds.left, bounds.bottom, bounds.right, bounds.top)
        x, y = transform.c + transform.a * shape[1] / 2, transform.f + transform.e * shape[0] / 2
        lon, lat = back.transform(x, y)
        _, lat_next = back.transform(x, y + transform.e)
        source = TerrainSource(
            path=path, kind="geotiff", bounds_deg=(south, west, north, east), step_m=abs(lat_next - lat) * 111_320.0, crs=str(crs.name), unit=unit
        )
        if not all(math.isfinite(v) for v in (lon, lat, west, south, east, north)):
            raise TerrainError("elevation file", given=f"{path.name} lies outside its coordinate system {crs.name}", todo="Check how it was written.")
        back_affine = ~transform
        return _Raster(
            source=source,
            to_grid=pyproj.Transformer.from_crs("EPSG:4326", horizontal, always_xy=True),
            inverse=(back_affine.a, back_affine.b, back_affine.c, back_affine.d, back_affine.e, back_affine.f),
            shape=shape,
            factor_m=_UNIT_M[unit],
            nodata=None if nodata is None else float(nodata),
        )

    def heights_m(self, lats: Heights, lons: Heights) -> Heights:
        """See _Grid. Only the window under the points is read. Points outside the cell centres' outline take the nearest cell's edge value."""
        import numpy as np

        rasterio, _ = _libraries()
        x, y = self.to_grid.transform(lons, lats)
        a, b, c, d, e, f = self.inverse
        x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        columns, rows = a * x + b * y + c - 0.5, d * x + e * y + f - 0.5
        outside = (rows < -0.5) | (rows > self.shape[0] - 0.5) | (columns < -0.5) | (columns > self.shape[1] - 0.5)
        rows, columns = np.clip(rows, 0.0, self.shape[0] - 1.0), np.clip(columns, 0.0, self.shape[1] - 1.0)
        top, left = math.floor(float(rows.min())), math.floor(float(columns.min()))
        height, width = min(self.shape[0], math.ceil(float(rows.max())) + 2) - top, min(self.shape[1], math.ceil(float(columns.max())) + 2) - left
        try:
            with rasterio.open(self.source.path) as data:
                block = data.read(1, window=rasterio.windows.Window(left, top, width, height))
        except rasterio.errors.RasterioError as error:
            raise TerrainError("elevation file", given=f"{self.source.path.name} cannot be read ({error})", todo="Fetch it again.") from error
        found = _bilinear(block, rows - top, columns - left, self.nodata) * self.factor_m
        found[outside] = np.nan
        return found


def _vertical_unit(path: Path, crs: Any, unit_text: str | None, declared: Unit | None) -> Unit:
    """Unit of a raster's heights: from its vertical system, its band, or the user, in this order. Raises TerrainError where none says it, or where heights are ellipsoidal."""
    if not crs.is_compound and len(crs.axis_info) == 3:
        raise TerrainError("elevation file", given=f"{path.name} holds heights above the ellipsoid", todo="Convert it to heights above sea level.")
    if crs.is_compound:
        axis = crs.sub_crs_list[1].axis_info[0]
        if "ellipsoid" in str(axis.name).lower():
            raise TerrainError("elevation file", given=f"{path.name} holds heights above the ellipsoid", todo="Convert it to heights above sea level.")
        found = _UNIT_NAMES.get(str(axis.unit_name).lower())
        if found is not None:
            return found
    if unit_text:
        found = _UNIT_NAMES.get(unit_text.strip().lower())
        if found is None:
            raise TerrainError("vertical unit", given=unit_text, allowed=", ".join(sorted(_UNIT_M)), todo="Convert the heights to metres.")
        return found
    if declared is not None:
        return declared
    raise TerrainError("elevation file", given=f"{path.name} does not say the unit of its heights", todo='Declare it: "m", "ft" or "us-ft", above sea level.')


def _libraries() -> tuple[Any, Any]:
    try:
        import pyproj
        import rasterio
        import rasterio.errors
        import rasterio.windows
    except ImportError as error:
        raise UsageError("a GeoTIFF", given="rasterio and pyproj are not installed", todo="Install the terrain extra, or use .hgt tiles.") from error
    return rasterio, pyproj

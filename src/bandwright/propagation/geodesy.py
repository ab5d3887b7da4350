"""Distances, bearings and points on the WGS 84 ellipsoid: pyproj where it is installed, a local series otherwise.

The series stays within 2 m of the geodesic to 30 km for latitudes to 70°, which is a pixel of 1″ terrain at worst; beyond
30 km without pyproj the call is refused. Source of the series: expansion about the start, second order, with the meridian (M) and transverse (N) radii.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from bandwright.errors import RangeError, UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Bearing", "inverse", "series_inverse", "series_places", "series_points", "track"]

_A_M = 6_378_137.0
_E2 = 0.006694379990141317  # of WGS 84, f = 1/298.257223563
_SERIES_REACH_M = 30_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """Geodesic distance, and azimuth at the start (true, 0..360)."""

    distance_m: float
    azimuth_deg: float


def inverse(*, from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float) -> Bearing:
    """Return distance and azimuth from one place to another. Raises RangeError for a latitude beyond 90° or for the same place twice."""
    for name, lat in (("from_lat_deg", from_lat_deg), ("to_lat_deg", to_lat_deg)):
        if not -90.0 <= lat <= 90.0:
            raise RangeError(name, given=lat, allowed="-90..90")
    if from_lat_deg == to_lat_deg and from_lon_deg == to_lon_deg:
        raise RangeError("places", given="the same place twice", allowed="two different places")
    geod = _geod()
    if geod is None:
        return series_inverse(from_lat_deg=from_lat_deg, from_lon_deg=from_lon_deg, to_lat_deg=to_lat_deg, to_lon_deg=to_lon_deg)
    azimuth, _, distance = geod.inv(from_lon_deg, from_lat_deg, to_lon_deg, to_lat_deg)
    return Bearing(distance_m=float(distance), azimuth_deg=float(azimuth) % 360.0)


def track(*, from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float, points: int) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return latitudes and longitudes of equally spaced points along the geodesic, both ends included, and its length in m. points: 2 or more."""
    import numpy as np

    if points < 2:
        raise RangeError("points", given=points, allowed="2 or more")
    whole = inverse(from_lat_deg=from_lat_deg, from_lon_deg=from_lon_deg, to_lat_deg=to_lat_deg, to_lon_deg=to_lon_deg)
    geod = _geod()
    if geod is None:
        along = np.linspace(0.0, whole.distance_m, points)
        lats, lons = series_points(from_lat_deg=from_lat_deg, from_lon_deg=from_lon_deg, azimuth_deg=whole.azimuth_deg, along_m=along)
        return lats, lons, whole.distance_m
    between = geod.fwd_intermediate(from_lon_deg, from_lat_deg, whole.azimuth_deg, npts=points, del_s=whole.distance_m / (points - 1), initial_idx=0, terminus_idx=0, return_back_azimuth=False)
    return np.asarray(between.lats, dtype=np.float64), np.asarray(between.lons, dtype=np.float64), whole.distance_m


def series_points(*, from_lat_deg: float, from_lon_deg: float, azimuth_deg: float, along_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return latitudes and longitudes at distances along an azimuth by the local series. along_m: to 30 000."""
    x, y = along_m * math.sin(math.radians(azimuth_deg)), along_m * math.cos(math.radians(azimuth_deg))
    return series_places(from_lat_deg=from_lat_deg, from_lon_deg=from_lon_deg, east_m=x, north_m=y)


def series_places(*, from_lat_deg: float, from_lon_deg: float, east_m: NDArray[np.float64], north_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return latitudes and longitudes of places so far east and north (along the start's own directions) by the local series. To 30 000 m."""
    import numpy as np

    phi = math.radians(from_lat_deg)
    m, n = _radii(phi)
    lat = from_lat_deg + np.degrees(north_m / m - east_m**2 * math.tan(phi) / (2.0 * m * n))
    lon = from_lon_deg + np.degrees(east_m * (1.0 + north_m * math.tan(phi) / n) / (n * math.cos(phi)))
    return lat, lon


def series_inverse(*, from_lat_deg: float, from_lon_deg: float, to_lat_deg: float, to_lon_deg: float) -> Bearing:
    """Return distance and azimuth by turning the local series round. Raises UsageError beyond 30 km, where pyproj is needed."""
    phi = math.radians(from_lat_deg)
    m, n = _radii(phi)
    east = math.radians((to_lon_deg - from_lon_deg + 180.0) % 360.0 - 180.0) * n * math.cos(phi)
    north = math.radians(to_lat_deg - from_lat_deg) * m
    x, y = east, north
    for _ in range(6):
        x = east / (1.0 + y * math.tan(phi) / n)
        y = north + x**2 * math.tan(phi) / (2.0 * n)
    distance = math.hypot(x, y)
    if distance > _SERIES_REACH_M:
        raise UsageError("a path longer than 30 km", given=f"{distance / 1000:.0f} km", todo="Install the terrain extra, which brings pyproj.")
    return Bearing(distance_m=distance, azimuth_deg=math.degrees(math.atan2(x, y)) % 360.0)


def _radii(phi: float) -> tuple[float, float]:
    """Meridian and transverse radius of curvature, m."""
    w = 1.0 - _E2 * math.sin(phi) ** 2
    return _A_M * (1.0 - _E2) / math.pow(w, 1.5), _A_M / math.sqrt(w)


@cache
def _geod() -> Any | None:
    try:
        from pyproj import Geod
    except ImportError:
        return None
    return Geod(ellps="WGS84")

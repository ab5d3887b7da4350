"""Many losses at once: a fan of radials round a place, an ensemble of one path, and a single profile at speed.

Each has a plain twin of the same answer, used where numba is not installed. The first use of a compiled form takes some
seconds; `on_compile` is told so beforehand, and the result is kept on disk. Compiled forms live in `compiled`, which is imported here
and nowhere else, when it is needed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bandwright.errors import RangeError, TerrainError
from bandwright.propagation.diffraction import VERTICAL, delta_bullington, smooth_surface
from bandwright.propagation.freespace import effective_earth_radius_km
from bandwright.propagation.profile import profile
from bandwright.propagation.terrain import p1812

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Heights = NDArray[np.float64]

__all__ = ["Fan", "OnCompile", "ensemble_losses_db", "fan", "fan_plain", "is_compiled", "profile_loss_db"]

OnCompile = Callable[[str], None]
_COMPILING = "Compiling the terrain arithmetic: some seconds, the first time only."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fan:
    """Median losses round a place: azimuths × ranges, dB. diffraction_db: the part that terrain takes beyond free space and scattering."""

    ranges_m: Heights
    loss_db: Heights
    diffraction_db: Heights


def is_compiled(name: str = "fan_median") -> bool:
    """Whether a kernel is at hand without compiling: in this process, or on disk from an earlier one. False without numba."""
    compiled = _compiled()
    if compiled is None:
        return False
    kernel = getattr(compiled, name)
    if kernel.signatures:
        return True
    written = Path(compiled.__file__).stat().st_mtime
    return any(index.stat().st_mtime >= written for index in Path(kernel.stats.cache_path).glob(f"compiled.{name}-*.nbi"))


def fan(
    radials_m: Heights,
    *,
    step_m: float,
    every: int,
    centre_height_m: float,
    far_height_m: float,
    frequency_ghz: float,
    clutter_m: Heights | None = None,
    delta_n: float = 45.0,
    n0: float = 325.0,
    polarization: int = VERTICAL,
    on_compile: OnCompile | None = None,
) -> Fan:
    """Return the median loss from the centre to points along each radial.

    radials_m: ground above sea level, one row an azimuth, points at equal steps from the centre (column 0). every: a loss each so many points, 2 or more.
    centre_height_m, far_height_m: antennas above ground, over 0. All land; 0.03..6 GHz; exact to 1e-4 dB from 1 km up (P.1812 at 50 % of time).
    Raises RangeError outside, TerrainError for voids.
    """
    import numpy as np

    at, clutter = _checked(radials_m, step_m, every, centre_height_m, far_height_m, frequency_ghz, clutter_m)
    compiled = _compiled()
    if compiled is None:
        return fan_plain(
            radials_m,
            step_m=step_m,
            every=every,
            centre_height_m=centre_height_m,
            far_height_m=far_height_m,
            frequency_ghz=frequency_ghz,
            clutter_m=clutter_m,
            delta_n=delta_n,
            n0=n0,
            polarization=polarization,
        )
    _say(on_compile, "fan_median")
    radius = effective_earth_radius_km(delta_n=delta_n)
    heights = np.ascontiguousarray(radials_m, dtype=np.float64)
    loss, bent = compiled.fan_median(heights, clutter, step_m / 1000.0, at, float(centre_height_m), float(far_height_m), float(frequency_ghz), radius, float(n0), polarization)
    return Fan(ranges_m=np.asarray(at * step_m, dtype=np.float64), loss_db=loss, diffraction_db=bent)


def fan_plain(
    radials_m: Heights,
    *,
    step_m: float,
    every: int,
    centre_height_m: float,
    far_height_m: float,
    frequency_ghz: float,
    clutter_m: Heights | None = None,
    delta_n: float = 45.0,
    n0: float = 325.0,
    polarization: int = VERTICAL,
) -> Fan:
    """The plain twin of `fan`: each profile from scratch, in numpy. For tests, and where numba is not installed."""
    import numpy as np

    at, clutter = _checked(radials_m, step_m, every, centre_height_m, far_height_m, frequency_ghz, clutter_m)
    radius = effective_earth_radius_km(delta_n=delta_n)
    loss, bent = np.empty((len(radials_m), at.size)), np.empty((len(radials_m), at.size))
    for row, heights in enumerate(radials_m):
        for column, end in enumerate(at):
            d = np.arange(end + 1) * step_m / 1000.0
            stands = None if clutter.size == 0 else clutter[row, : end + 1]
            path = profile(distance_km=d, ground_m=heights[: end + 1], clutter_m=stands)  # type: ignore[arg-type] # arrays are sequences
            tx, rx = float(heights[0]) + centre_height_m, float(heights[end]) + far_height_m
            found = delta_bullington(
                path,
                smooth_surface(path, tx_masl_m=tx, rx_masl_m=rx),
                tx_masl_m=tx,
                rx_masl_m=rx,
                earth_radius_km=radius,
                frequency_ghz=frequency_ghz,
                polarization=polarization,
                sea_share=0.0,
            )
            bent[row, column] = found.loss_db
            free = 92.4 + 20.0 * math.log10(frequency_ghz) + 10.0 * math.log10(path.length_km**2 + ((tx - rx) / 1000.0) ** 2)
            scatter = _scatter_db(path.ground_m, d, tx, rx, radius, frequency_ghz, n0)
            loss[row, column] = -5.0 * np.log10(10.0 ** (-0.2 * (free + found.loss_db)) + 10.0 ** (-0.2 * scatter))
    return Fan(ranges_m=np.asarray(at * step_m, dtype=np.float64), loss_db=loss, diffraction_db=bent)


def profile_loss_db(
    *,
    distance_km: Heights,
    ground_m: Heights,
    clutter_m: Heights,
    zone: NDArray[np.int64],
    frequency_ghz: float,
    tx_height_m: float,
    rx_height_m: float,
    latitude_deg: float,
    time_percent: float = 50.0,
    polarization: int = VERTICAL,
    delta_n: float = 45.0,
    n0: float = 325.0,
    on_compile: OnCompile | None = None,
) -> float:
    """Return `terrain.p1812`'s total for arrays that were checked once (see `profile.profile`), compiled. latitude_deg: of the path's middle."""
    compiled = _compiled()
    if compiled is None:
        return p1812(
            frequency_ghz=frequency_ghz,
            distance_km=distance_km.tolist(),
            terrain_height_m=ground_m.tolist(),
            clutter_height_m=clutter_m.tolist(),
            zone=zone.tolist(),
            tx_height_m=tx_height_m,
            rx_height_m=rx_height_m,
            tx_lat_deg=latitude_deg,
            rx_lat_deg=latitude_deg,
            tx_lon_deg=0.0,
            rx_lon_deg=0.0,
            time_percent=time_percent,
            polarization=polarization,
            delta_n=delta_n,
            n0=n0,
        ).basic_transmission_loss_db
    _say(on_compile, "p1812_total")
    loss = compiled.p1812_total(
        distance_km, ground_m, clutter_m, zone, float(frequency_ghz), float(time_percent), float(tx_height_m), float(rx_height_m), float(latitude_deg), polarization, float(delta_n), float(n0), 500.0, 500.0, 0.5, 0.0
    )
    return float(loss)


def ensemble_losses_db(
    *,
    distance_km: Sequence[float],
    ground_m: Sequence[float],
    tx_heights_m: Sequence[float],
    rx_heights_m: Sequence[float],
    frequencies_ghz: Sequence[float],
    delta_ns: Sequence[float],
    clutter_m: Sequence[float] | None = None,
    zone: Sequence[int] | None = None,
    latitude_deg: float = 50.0,
    polarization: int = VERTICAL,
    n0: float = 325.0,
    on_compile: OnCompile | None = None,
) -> Heights:
    """Return the median loss of one path for each member of an ensemble (what each metre of height brings, which band, how sure). Lists of one length.

    Raises RangeError for lists of unlike lengths or members outside P.1812.
    """
    import numpy as np

    members = [np.asarray(v, dtype=np.float64) for v in (tx_heights_m, rx_heights_m, frequencies_ghz, delta_ns)]
    if len({m.size for m in members}) != 1 or members[0].size == 0:
        raise RangeError("members of an ensemble", given=[int(m.size) for m in members], allowed="four lists of one length, 1 or more")
    for name, values, low, high in (("tx_heights_m", members[0], 1.0, 3000.0), ("rx_heights_m", members[1], 1.0, 3000.0), ("frequencies_ghz", members[2], 0.03, 6.0), ("delta_ns", members[3], 1.0, 156.0)):
        if values.min() < low or values.max() > high:
            raise RangeError(name, given=float(values.min() if values.min() < low else values.max()), allowed=f"{low:g}..{high:g}", source="ITU-R P.1812, table 1")
    path = profile(distance_km=distance_km, ground_m=ground_m, clutter_m=clutter_m, zone=zone)
    if path.length_km < 0.25:
        raise RangeError("path length in km", given=path.length_km, allowed="0.25 or more", source="ITU-R P.1812, 2")
    compiled = _compiled()
    if compiled is not None:
        _say(on_compile, "ensemble_median")
        found = compiled.ensemble_median(path.distance_km, path.ground_m, path.clutter_m, path.zone, *members, float(latitude_deg), polarization, float(n0))
        return np.asarray(found, dtype=np.float64)
    return np.array(
        [
            profile_loss_db(
                distance_km=path.distance_km,
                ground_m=path.ground_m,
                clutter_m=path.clutter_m,
                zone=path.zone,
                frequency_ghz=float(f),
                tx_height_m=float(t),
                rx_height_m=float(r),
                latitude_deg=latitude_deg,
                polarization=polarization,
                delta_n=float(dn),
                n0=n0,
            )
            for t, r, f, dn in zip(*members, strict=True)
        ]
    )


def _checked(
    radials_m: Heights, step_m: float, every: int, centre_height_m: float, far_height_m: float, frequency_ghz: float, clutter_m: Heights | None
) -> tuple[NDArray[np.int64], Heights]:
    import numpy as np

    if radials_m.ndim != 2 or radials_m.shape[1] < 3:
        raise RangeError("radials_m", given=radials_m.shape, allowed="one row an azimuth, 3 or more points each")
    if not np.isfinite(radials_m).all() or (clutter_m is not None and (clutter_m.shape != radials_m.shape or not (clutter_m >= 0.0).all())):
        raise TerrainError("radials", given="a point without a height, or clutter of another shape or below 0", todo="Fill the void from another file; nothing is interpolated across it.")
    for name, value, low, high in (("step_m", step_m, 1e-3, 1e4), ("every", every, 2, radials_m.shape[1] - 1), ("frequency_ghz", frequency_ghz, 0.03, 6.0), ("centre_height_m", centre_height_m, 0.1, 3000.0), ("far_height_m", far_height_m, 0.1, 3000.0)):
        if not low <= value <= high:
            raise RangeError(name, given=value, allowed=f"{low:g}..{high:g}")
    at = np.arange(every, radials_m.shape[1], every, dtype=np.int64)
    clutter = np.empty((0, 0)) if clutter_m is None else np.ascontiguousarray(clutter_m, dtype=np.float64)
    return at, clutter


def _scatter_db(h: Heights, d: Heights, tx: float, rx: float, radius_km: float, f: float, n0: float) -> float:
    """Troposcatter of a profile at 50 % of time (P.1812 4.4), with its horizon angles (Attachment 1, 5.3)."""
    length, inner = d[-1], slice(1, -1)
    from_tx = float(((h[inner] - tx) / d[inner] - 500.0 * d[inner] / radius_km).max())
    straight = (rx - tx) / length - 500.0 * length / radius_km
    if from_tx <= straight:
        angles = (straight, (tx - rx) / length - 500.0 * length / radius_km)
    else:
        angles = (from_tx, float(((h[inner] - rx) / (length - d[inner]) - 500.0 * (length - d[inner]) / radius_km).max()))
    theta = 1000.0 * length / radius_km + sum(1000.0 * math.atan(a / 1000.0) for a in angles)
    return float(190.1 + 25.0 * math.log10(f) - 2.5 * math.log10(f / 2.0) ** 2 + 20.0 * math.log10(length) + 0.573 * theta - 0.15 * n0)


def _say(on_compile: OnCompile | None, name: str) -> None:
    if on_compile is not None and not is_compiled(name):
        on_compile(_COMPILING)


@cache
def _compiled() -> Any | None:
    try:
        from bandwright.propagation import compiled
    except ImportError:
        return None
    return compiled

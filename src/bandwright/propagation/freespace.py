"""Free space, Fresnel radius, earth bulge, horizon: the geometry that every path starts from.

Source: ITU-R P.525 (free space), P.526 (Fresnel zones, effective earth radius). Constants: c = 299 792 458 m/s, earth radius 6371 km.
"""

from __future__ import annotations

import math

from bandwright.errors import RangeError

__all__ = ["EARTH_RADIUS_KM", "earth_bulge_m", "effective_earth_radius_km", "free_space_loss_db", "fresnel_radius_m", "horizon_km", "wavelength_m"]

EARTH_RADIUS_KM = 6371.0
_LIGHT_M_PER_S = 299_792_458.0


def wavelength_m(frequency_mhz: float) -> float:
    """Return c/f in metres. Raises RangeError for a frequency that is not above 0."""
    _positive("frequency_mhz", frequency_mhz)
    return _LIGHT_M_PER_S / (frequency_mhz * 1e6)


def free_space_loss_db(*, distance_m: float, frequency_mhz: float) -> float:
    """Return the basic free-space transmission loss 20·log10(4πd/λ), in dB.

    distance_m: above 0; far field is meant. Raises RangeError outside. Source: ITU-R P.525.
    """
    _positive("distance_m", distance_m)
    return 20.0 * math.log10(4.0 * math.pi * distance_m / wavelength_m(frequency_mhz))


def effective_earth_radius_km(*, delta_n: float = 39.25) -> float:
    """Return the median effective earth radius, 6371·157/(157 − ΔN) km.

    delta_n: average radio-refractive index lapse rate in the lowest kilometre, N-units/km, 0 < ΔN < 157. The default gives k = 4/3.
    Raises RangeError outside. Source: ITU-R P.1812, 3.5.
    """
    if not 0.0 < delta_n < 157.0:
        raise RangeError("delta_n", given=delta_n, allowed="0..157 N-units/km, ends excluded", source="ITU-R P.1812, 3.5")
    return EARTH_RADIUS_KM * 157.0 / (157.0 - delta_n)


def earth_bulge_m(*, from_start_m: float, to_end_m: float, earth_radius_km: float = EARTH_RADIUS_KM * 4.0 / 3.0) -> float:
    """Return how high the curved earth stands over the chord at a point, d1·d2/(2·a_e), in metres. Source: ITU-R P.526."""
    return from_start_m * to_end_m / (2.0 * earth_radius_km * 1e3)


def fresnel_radius_m(*, from_start_m: float, to_end_m: float, frequency_mhz: float, zone: int = 1) -> float:
    """Return the radius of the n-th Fresnel ellipsoid at a point of the path, √(n·λ·d1·d2/(d1 + d2)), in metres.

    from_start_m, to_end_m: distances to both ends, at least 0, not both 0. Raises RangeError otherwise. Source: ITU-R P.526.
    """
    total = from_start_m + to_end_m
    if from_start_m < 0 or to_end_m < 0 or total <= 0:
        raise RangeError("from_start_m, to_end_m", given=(from_start_m, to_end_m), allowed="0 or more, not both 0")
    return math.sqrt(zone * wavelength_m(frequency_mhz) * from_start_m * to_end_m / total)


def horizon_km(*, height_1_m: float, height_2_m: float, earth_radius_km: float = EARTH_RADIUS_KM * 4.0 / 3.0) -> float:
    """Return the distance at which two heights above a smooth earth lose sight of each other, in km. Source: ITU-R P.526."""
    if height_1_m < 0 or height_2_m < 0:
        raise RangeError("height_m", given=min(height_1_m, height_2_m), allowed="0 or more")
    return math.sqrt(2.0 * earth_radius_km * 1e-3) * (math.sqrt(height_1_m) + math.sqrt(height_2_m))


def _positive(name: str, value: float) -> None:
    if not value > 0 or math.isinf(value):
        raise RangeError(name, given=value, allowed="above 0")

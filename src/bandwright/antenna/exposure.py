"""How far to stay from a transmitting antenna: reference levels for the general public, and the distance at which they are met.

Peak power in the far field: a conservative bound, and only beyond `far_field_m`; nearer than that the number must not be relied on, and the
device's own instruction (often 20 cm) wins everywhere. Countries differ: the set in use is shown with the answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from bandwright.errors import RangeError

__all__ = ["LIMIT_SETS", "Exposure", "LimitSet", "far_field_m", "limit_set_for", "power_density_w_per_m2", "safe_distance"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSet:
    """A set of limits: power density (W/m²) by frequency (MHz), for the general public, averaged over `minutes`."""

    key: str
    label: str
    minutes: int
    limit_w_per_m2: Callable[[float], float]
    source: str
    countries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """The distance at which the limit is met, m. reliable: it lies in the far field. instruction_m: the usual separation condition."""

    distance_m: float
    limit_w_per_m2: float
    limits: str
    far_field_m: float
    reliable: bool
    instruction_m: float = 0.2

    @property
    def keep_m(self) -> float:
        """The larger of the distance and the usual instruction."""
        return max(self.distance_m, self.instruction_m)


def _icnirp_whole_body(frequency_mhz: float) -> float:
    if 30.0 < frequency_mhz <= 400.0:
        return 2.0
    return frequency_mhz / 200.0 if frequency_mhz < 2000.0 else 10.0


def _icnirp_local(frequency_mhz: float) -> float:
    if 400.0 < frequency_mhz <= 2000.0:
        return 0.058 * math.pow(frequency_mhz, 0.86)
    return 40.0 if frequency_mhz <= 6000.0 else 55.0 / math.pow(frequency_mhz / 1000.0, 0.177)


def _fcc(frequency_mhz: float) -> float:
    return 10.0 * min(1.0, frequency_mhz / 1500.0)


LIMIT_SETS: tuple[LimitSet, ...] = (
    LimitSet(key="icnirp", label="ICNIRP 2020, general public, whole body", minutes=30, limit_w_per_m2=_icnirp_whole_body, source="ICNIRP guidelines 2020, table 5"),
    LimitSet(key="icnirp local", label="ICNIRP 2020, general public, local", minutes=6, limit_w_per_m2=_icnirp_local, source="ICNIRP guidelines 2020, table 6"),
    LimitSet(key="fcc", label="47 CFR 1.1310, general population", minutes=30, limit_w_per_m2=_fcc, source="47 CFR 1.1310(e)(1)", countries=("US",)),
)


def limit_set_for(country: str | None) -> LimitSet:
    """Return the set of a country (ISO 3166 alpha-2), or ICNIRP's whole-body set where none of its own is known here."""
    return next((s for s in LIMIT_SETS if country is not None and country.upper() in s.countries), LIMIT_SETS[0])


def power_density_w_per_m2(*, eirp_dbm: float, distance_m: float, reflection: float = 1.0) -> float:
    """Return k·EIRP/(4πR²). reflection: k, 1 free space, 2.56 with ground, 4 the worst case (OET-65, from memory). distance_m: above 0."""
    if not distance_m > 0.0:
        raise RangeError("distance_m", given=distance_m, allowed="above 0")
    return reflection * math.pow(10.0, (eirp_dbm - 30.0) / 10.0) / (4.0 * math.pi * distance_m**2)


def far_field_m(*, largest_side_m: float, frequency_mhz: float) -> float:
    """Return max(2D²/λ, 3λ), the nearest distance at which the far-field formula says anything."""
    wavelength = 299.792458 / frequency_mhz
    return max(2.0 * largest_side_m**2 / wavelength, 3.0 * wavelength)


def safe_distance(*, eirp_dbm: float, frequency_mhz: float, limits: LimitSet = LIMIT_SETS[0], reflection: float = 2.56, largest_side_m: float = 0.25) -> Exposure:
    """Return the distance √(k·EIRP/(4πS)) at which the limit is met. frequency_mhz: 300..300000 (ICNIRP and 47 CFR as transcribed). Raises RangeError outside."""
    if not 300.0 <= frequency_mhz <= 300_000.0:
        raise RangeError("frequency_mhz", given=frequency_mhz, allowed="300..300000", source=limits.source)
    limit = limits.limit_w_per_m2(frequency_mhz)
    distance = math.sqrt(reflection * math.pow(10.0, (eirp_dbm - 30.0) / 10.0) / (4.0 * math.pi * limit))
    near = far_field_m(largest_side_m=largest_side_m, frequency_mhz=frequency_mhz)
    return Exposure(distance_m=distance, limit_w_per_m2=limit, limits=limits.label, far_field_m=near, reliable=distance >= near)

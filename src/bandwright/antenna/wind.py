"""Wind on an antenna: the force, and its moment at the mount. A number to hold against the mount's rating, never a certificate.

Source: EN 1991-1-4, q = ½·ρ·v² with ρ = 1.25 kg/m³; before site, terrain and gust factors, which the national annex gives.
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.errors import RangeError

__all__ = ["WindLoad", "wind_load"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WindLoad:
    """Pressure, force and moment at one wind speed."""

    pressure_pa: float
    force_n: float
    moment_nm: float


def wind_load(*, wind_m_per_s: float, area_m2: float, lever_m: float = 0.0, force_coefficient: float = 1.2) -> WindLoad:
    """Return q, q·c_f·A, and its moment about a point lever_m below. wind_m_per_s: 0..100. Raises RangeError for other or negative input."""
    if not 0.0 <= wind_m_per_s <= 100.0:
        raise RangeError("wind_m_per_s", given=wind_m_per_s, allowed="0..100")
    if area_m2 < 0.0 or lever_m < 0.0:
        raise RangeError("area_m2, lever_m", given=(area_m2, lever_m), allowed="0 or more")
    pressure = 0.625 * wind_m_per_s**2
    force = pressure * force_coefficient * area_m2
    return WindLoad(pressure_pa=pressure, force_n=force, moment_nm=force * lever_m)

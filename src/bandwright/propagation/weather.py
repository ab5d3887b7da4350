"""Rain and air: specific attenuation by rain (ITU-R P.838), the rain path (P.530), gaseous attenuation (P.676).

Below about 6 GHz both are nothing; at 28 GHz rain decides how often a link holds. P.530's path factor exceeds 1 on short paths by
design: heavy cells are smaller than the path it was fitted to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from bandwright.errors import RangeError
from bandwright.propagation.gas_lines import OXYGEN_LINES, WATER_LINES

__all__ = ["RainCoefficients", "gas_db_per_km", "rain_coefficients", "rain_db", "rain_db_per_km", "rain_path_factor"]

Polarization = Literal["horizontal", "vertical", "slant"]

# ITU-R P.838-3 tables 1 to 4: (a_j), (b_j), (c_j), m, c. The slant column does not exist: it is a mixture of the two.
_Fit = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], float, float]
_K_H: _Fit = ((-5.33980, -0.35351, -0.23789, -0.94158), (-0.10008, 1.26970, 0.86036, 0.64552), (1.13098, 0.45400, 0.15354, 0.16817), -0.18961, 0.71147)
_K_V: _Fit = ((-3.80595, -3.44965, -0.39902, 0.50167), (0.56934, -0.22911, 0.73042, 1.07319), (0.81061, 0.51059, 0.11899, 0.27195), -0.16398, 0.63297)
_A_H: _Fit = (
    (-0.14318, 0.29591, 0.32177, -5.37610, 16.1721),
    (1.82442, 0.77564, 0.63773, -0.96230, -3.29980),
    (-0.55187, 0.19822, 0.13164, 1.47828, 3.43990),
    0.67849,
    -1.95537,
)
_A_V: _Fit = (
    (-0.07771, 0.56727, -0.20238, -48.2991, 48.5833),
    (2.33840, 0.95545, 1.14520, 0.791669, 0.791459),
    (-0.76284, 0.54039, 0.26809, 0.116226, 0.116479),
    -0.053739,
    0.83433,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RainCoefficients:
    """γ = k·R^α, in dB/km with R in mm/h."""

    k: float
    alpha: float


def rain_coefficients(*, frequency_ghz: float, polarization: Polarization, elevation_deg: float = 0.0) -> RainCoefficients:
    """Return k and α. frequency_ghz: 1..1000. slant: 45°, as base stations send. Raises RangeError outside. Source: ITU-R P.838-3."""
    if not 1.0 <= frequency_ghz <= 1000.0:
        raise RangeError("frequency_ghz", given=frequency_ghz, allowed="1..1000", source="ITU-R P.838-3")
    x = math.log10(frequency_ghz)
    k_h, k_v = math.pow(10.0, _fit(x, _K_H)), math.pow(10.0, _fit(x, _K_V))
    a_h, a_v = _fit(x, _A_H), _fit(x, _A_V)
    tilt_deg = {"horizontal": 0.0, "vertical": 90.0, "slant": 45.0}[polarization]
    mix = math.cos(math.radians(elevation_deg)) ** 2 * math.cos(2.0 * math.radians(tilt_deg))
    k = (k_h + k_v + (k_h - k_v) * mix) / 2.0
    return RainCoefficients(k=k, alpha=(k_h * a_h + k_v * a_v + (k_h * a_h - k_v * a_v) * mix) / (2.0 * k))


def rain_db_per_km(*, frequency_ghz: float, rain_mm_per_h: float, polarization: Polarization = "slant") -> float:
    """Return the specific attenuation in rain. rain_mm_per_h: 0 or more. Source: ITU-R P.838-3."""
    if rain_mm_per_h < 0:
        raise RangeError("rain_mm_per_h", given=rain_mm_per_h, allowed="0 or more")
    found = rain_coefficients(frequency_ghz=frequency_ghz, polarization=polarization)
    return found.k * math.pow(rain_mm_per_h, found.alpha)


def rain_path_factor(*, distance_km: float, frequency_ghz: float, rain_mm_per_h: float, alpha: float) -> float:
    """Return the factor from path length to effective path length, at most 2.5. Source: ITU-R P.530 2.4.1."""
    below = 0.477 * math.pow(distance_km, 0.633) * math.pow(rain_mm_per_h, 0.073 * alpha) * math.pow(frequency_ghz, 0.123) - 10.579 * (1.0 - math.exp(-0.024 * distance_km))
    return 2.5 if below <= 0.4 else 1.0 / below


def rain_db(*, distance_km: float, frequency_ghz: float, rain_mm_per_h: float, polarization: Polarization = "slant") -> float:
    """Return the rain loss of a path, exceeded as rarely as the rain rate is. distance_km: over 0, to 60. Source: ITU-R P.530 2.4.1, P.838-3."""
    if not 0.0 < distance_km <= 60.0:
        raise RangeError("distance_km", given=distance_km, allowed="0..60, 0 excluded", source="ITU-R P.530, 2.4.1")
    if rain_mm_per_h == 0:
        return 0.0
    found = rain_coefficients(frequency_ghz=frequency_ghz, polarization=polarization)
    factor = rain_path_factor(distance_km=distance_km, frequency_ghz=frequency_ghz, rain_mm_per_h=rain_mm_per_h, alpha=found.alpha)
    return found.k * math.pow(rain_mm_per_h, found.alpha) * distance_km * factor


def gas_db_per_km(*, frequency_ghz: float, pressure_hpa: float = 1013.25, temperature_k: float = 288.15, vapour_g_per_m3: float = 7.5) -> float:
    """Return the specific attenuation by oxygen and water vapour, line by line.

    frequency_ghz: 1..350. pressure_hpa: of dry air. Raises RangeError outside. Source: ITU-R P.676-12 Annex 1.
    """
    if not 1.0 <= frequency_ghz <= 350.0:
        raise RangeError("frequency_ghz", given=frequency_ghz, allowed="1..350", source="ITU-R P.676-12, Annex 1")
    f, p = frequency_ghz, pressure_hpa
    theta = 300.0 / temperature_k
    e = vapour_g_per_m3 * temperature_k / 216.7
    total = 0.0
    for f0, a1, a2, a3, a4, a5, a6 in OXYGEN_LINES:
        strength = a1 * 1e-7 * p * theta**3 * math.exp(a2 * (1.0 - theta))
        width = math.sqrt((a3 * 1e-4 * (p * math.pow(theta, 0.8 - a4) + 1.1 * e * theta)) ** 2 + 2.25e-6)
        shift = (a5 + a6 * theta) * 1e-4 * (p + e) * math.pow(theta, 0.8)
        total += strength * _line_shape(f, f0, width, shift)
    for f0, b1, b2, b3, b4, b5, b6 in WATER_LINES:
        strength = b1 * 0.1 * e * math.pow(theta, 3.5) * math.exp(b2 * (1.0 - theta))
        pressure_width = b3 * 1e-4 * (p * math.pow(theta, b4) + b5 * e * math.pow(theta, b6))
        width = 0.535 * pressure_width + math.sqrt(0.217 * pressure_width**2 + 2.1316e-12 * f0**2 / theta)
        total += strength * _line_shape(f, f0, width, 0.0)
    debye = 5.6e-4 * (p + e) * math.pow(theta, 0.8)
    dry = f * p * theta**2 * (6.14e-5 / (debye * (1.0 + (f / debye) ** 2)) + 1.4e-12 * p * math.pow(theta, 1.5) / (1.0 + 1.9e-5 * math.pow(f, 1.5)))
    return 0.1820 * f * (total + dry)


def _fit(x: float, fit: _Fit) -> float:
    a, b, c, slope, constant = fit
    return sum(aj * math.exp(-(((x - bj) / cj) ** 2)) for aj, bj, cj in zip(a, b, c, strict=True)) + slope * x + constant


def _line_shape(f: float, f0: float, width: float, shift: float) -> float:
    below, above = f0 - f, f0 + f
    return f / f0 * ((width - shift * below) / (below**2 + width**2) + (width - shift * above) / (above**2 + width**2))

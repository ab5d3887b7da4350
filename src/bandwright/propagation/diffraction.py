"""Diffraction over terrain: single edge, Bullington, spherical earth, and the delta method that joins them.

Source: ITU-R P.526-15 4.1, 3.2 and 4.5.2; the same block is ITU-R P.1812 4.3 and its Attachment 1. As there, λ = 0.2998/f (GHz, m), distances are
km and heights m above sea level. Departures: the argument of the arc cosine is clamped to 1 (rounding exceeds it), and a
terminal height of 0 over the smooth surface takes the limit of the height gain instead of the logarithm of 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bandwright.propagation.profile import Profile

__all__ = ["HORIZONTAL", "VERTICAL", "DeltaBullington", "SmoothSurface", "bullington_db", "delta_bullington", "knife_edge_db", "knife_edge_parameter", "smooth_surface", "spherical_earth_db"]

HORIZONTAL, VERTICAL = 1, 2

# Relative permittivity and conductivity (S/m): P.526 3.1.1, P.1812 4.3.3.
_LAND = (22.0, 0.003)
_SEA = (80.0, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothSurface:
    """The smooth surface fitted to a profile: heights (m above sea level) at both ends.

    tx_m, rx_m: least-squares line. tx_diffraction_m, rx_diffraction_m: lowered under obstructions, as diffraction takes it.
    """

    tx_m: float
    rx_m: float
    tx_diffraction_m: float
    rx_diffraction_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DeltaBullington:
    """The three parts of the delta method and their sum, dB."""

    actual_db: float
    smooth_db: float
    spherical_db: float
    nu: float

    @property
    def loss_db(self) -> float:
        """L_bull,a + max(L_sph − L_bull,s, 0). Source: P.526 4.5.2, P.1812 eq. 40."""
        return self.actual_db + max(self.spherical_db - self.smooth_db, 0.0)


def knife_edge_db(nu: float) -> float:
    """Return J(ν), the loss over one edge, in dB; 0 at or below ν = −0.78. Source: ITU-R P.526 eq. 31."""
    if nu <= -0.78:
        return 0.0
    return 6.9 + 20.0 * math.log10(math.sqrt((nu - 0.1) ** 2 + 1.0) + nu - 0.1)


def knife_edge_parameter(*, height_m: float, from_start_m: float, to_end_m: float, frequency_mhz: float) -> float:
    """Return ν of an edge that stands height_m above (below: negative) the straight line. Source: ITU-R P.526 eq. 26."""
    wavelength = 299.8 / frequency_mhz
    return height_m * math.sqrt(2.0 * (from_start_m + to_end_m) / (wavelength * from_start_m * to_end_m))


def smooth_surface(path: Profile, *, tx_masl_m: float, rx_masl_m: float) -> SmoothSurface:
    """Return the smooth surface of a profile (bare ground). Source: ITU-R P.1812 Attachment 1, 5.6.1 and 5.6.2 (P.526 4.5.2)."""
    d, h = path.distance_km, path.ground_m
    length = path.length_km
    steps = d[1:] - d[:-1]
    v1 = float((steps * (h[1:] + h[:-1])).sum())
    v2 = float((steps * (h[1:] * (2.0 * d[1:] + d[:-1]) + h[:-1] * (d[1:] + 2.0 * d[:-1]))).sum())
    tx = (2.0 * v1 * length - v2) / length**2
    rx = (v2 - v1 * length) / length**2
    inner_d, inner_h = d[1:-1], h[1:-1]
    above = inner_h - (tx_masl_m * (length - inner_d) + rx_masl_m * inner_d) / length
    highest = float(above.max())
    lowered_tx, lowered_rx = tx, rx
    if highest > 0.0:
        tilt_tx = float((above / inner_d).max())
        tilt_rx = float((above / (length - inner_d)).max())
        lowered_tx -= highest * tilt_tx / (tilt_tx + tilt_rx)
        lowered_rx -= highest * tilt_rx / (tilt_tx + tilt_rx)
    return SmoothSurface(tx_m=tx, rx_m=rx, tx_diffraction_m=min(lowered_tx, float(h[0])), rx_diffraction_m=min(lowered_rx, float(h[-1])))


def bullington_db(
    distance_km: NDArray[np.float64], surface_m: NDArray[np.float64], *, tx_masl_m: float, rx_masl_m: float, earth_radius_km: float, wavelength_m: float
) -> tuple[float, float]:
    """Return (loss in dB, ν) of the Bullington construction over a profile. Source: ITU-R P.526 4.5.1, P.1812 4.3.1."""
    import numpy as np

    length = float(distance_km[-1])
    d = distance_km[1:-1]
    over_chord = surface_m[1:-1] + 500.0 / earth_radius_km * d * (length - d)
    slope_tx = float(((over_chord - tx_masl_m) / d).max())
    if slope_tx < (rx_masl_m - tx_masl_m) / length:
        clearance = over_chord - (tx_masl_m * (length - d) + rx_masl_m * d) / length
        nu = float((clearance * np.sqrt(0.002 * length / (wavelength_m * d * (length - d)))).max())
    else:
        slope_rx = float(((over_chord - rx_masl_m) / (length - d)).max())
        at = (rx_masl_m - tx_masl_m + slope_rx * length) / (slope_tx + slope_rx)
        height = tx_masl_m + slope_tx * at - (tx_masl_m * (length - at) + rx_masl_m * at) / length
        nu = height * math.sqrt(0.002 * length / (wavelength_m * at * (length - at)))
    edge = knife_edge_db(nu)
    return edge + (1.0 - math.exp(-edge / 6.0)) * (10.0 + 0.02 * length), nu


def spherical_earth_db(
    *, distance_km: float, tx_height_m: float, rx_height_m: float, earth_radius_km: float, frequency_ghz: float, polarization: int, sea_share: float
) -> float:
    """Return the diffraction loss over a smooth spherical earth, in dB, never below 0.

    tx_height_m, rx_height_m: above the smooth surface, at least 0. sea_share: share of the path over water, 0..1.
    Source: ITU-R P.526 3.2, P.1812 4.3.2 and 4.3.3.
    """

    def first_term(radius_km: float) -> float:
        def over(ground: tuple[float, float]) -> float:
            return _first_term_db(distance_km, tx_height_m, rx_height_m, radius_km, frequency_ghz, polarization, ground)

        return sea_share * over(_SEA) + (1.0 - sea_share) * over(_LAND)

    total = tx_height_m + rx_height_m
    in_sight_km = math.sqrt(2.0 * earth_radius_km) * (math.sqrt(0.001 * tx_height_m) + math.sqrt(0.001 * rx_height_m))
    if distance_km >= in_sight_km or total <= 0.0:
        return max(first_term(earth_radius_km), 0.0)
    c = (tx_height_m - rx_height_m) / total
    m = 250.0 * distance_km**2 / (earth_radius_km * total)
    argument = min(1.0, max(-1.0, 3.0 * c / 2.0 * math.sqrt(3.0 * m / (m + 1.0) ** 3)))
    b = 2.0 * math.sqrt((m + 1.0) / (3.0 * m)) * math.cos(math.pi / 3.0 + math.acos(argument) / 3.0)
    d1 = distance_km / 2.0 * (1.0 + b)
    d2 = distance_km - d1
    clearance = ((tx_height_m - 500.0 * d1**2 / earth_radius_km) * d2 + (rx_height_m - 500.0 * d2**2 / earth_radius_km) * d1) / distance_km
    needed = 17.456 * math.sqrt(max(d1 * d2, 0.0) * (0.2998 / frequency_ghz) / distance_km)
    if clearance > needed:
        return 0.0
    grazing_radius_km = 500.0 * (distance_km / (math.sqrt(tx_height_m) + math.sqrt(rx_height_m))) ** 2
    loss = first_term(grazing_radius_km)
    return max(0.0, (1.0 - clearance / needed) * loss) if needed > 0.0 else max(0.0, loss)


def delta_bullington(
    path: Profile, surface: SmoothSurface, *, tx_masl_m: float, rx_masl_m: float, earth_radius_km: float, frequency_ghz: float, polarization: int, sea_share: float
) -> DeltaBullington:
    """Return the diffraction loss of a profile by the delta-Bullington method. Source: ITU-R P.526 4.5.2, P.1812 4.3.4."""
    import numpy as np

    wavelength = 0.2998 / frequency_ghz
    tx_over = tx_masl_m - surface.tx_diffraction_m
    rx_over = rx_masl_m - surface.rx_diffraction_m
    actual, nu = bullington_db(
        path.distance_km, path.surface_m, tx_masl_m=tx_masl_m, rx_masl_m=rx_masl_m, earth_radius_km=earth_radius_km, wavelength_m=wavelength
    )
    flat, _ = bullington_db(
        path.distance_km, np.zeros_like(path.ground_m), tx_masl_m=tx_over, rx_masl_m=rx_over, earth_radius_km=earth_radius_km, wavelength_m=wavelength
    )
    spherical = spherical_earth_db(
        distance_km=path.length_km,
        tx_height_m=tx_over,
        rx_height_m=rx_over,
        earth_radius_km=earth_radius_km,
        frequency_ghz=frequency_ghz,
        polarization=polarization,
        sea_share=sea_share,
    )
    return DeltaBullington(actual_db=actual, smooth_db=flat, spherical_db=spherical, nu=nu)


def _first_term_db(distance_km: float, tx_m: float, rx_m: float, radius_km: float, frequency_ghz: float, polarization: int, ground: tuple[float, float]) -> float:
    """First term of the residue series. Source: ITU-R P.526 3.1.1, P.1812 4.3.3."""
    permittivity, conductivity = ground
    loss_term = (18.0 * conductivity / frequency_ghz) ** 2
    k = 0.036 * math.pow(radius_km * frequency_ghz, -1.0 / 3.0) * math.pow((permittivity - 1.0) ** 2 + loss_term, -0.25)
    if polarization == VERTICAL:
        k *= math.sqrt(permittivity**2 + loss_term)
    beta = (1.0 + 1.6 * k**2 + 0.67 * k**4) / (1.0 + 4.5 * k**2 + 1.53 * k**4)
    x = 21.88 * beta * math.cbrt(frequency_ghz / radius_km**2) * distance_km
    y = 0.9575 * beta * math.cbrt(frequency_ghz**2 / radius_km)
    field = 11.0 + 10.0 * math.log10(x) - 17.6 * x if x >= 1.6 else -20.0 * math.log10(x) - 5.6488 * math.pow(x, 1.425)
    return -field - _height_gain_db(beta * y * tx_m, k) - _height_gain_db(beta * y * rx_m, k)


def _height_gain_db(b: float, k: float) -> float:
    least = 2.0 + 20.0 * math.log10(k)
    if b <= 0.0:
        return least
    gain = 17.6 * math.sqrt(b - 1.1) - 5.0 * math.log10(b - 1.1) - 8.0 if b > 2.0 else 20.0 * math.log10(b + 0.1 * b**3)
    return max(gain, least)

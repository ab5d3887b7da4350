"""ITU-R P.1812: the loss of a path over terrain, 30 MHz to 6 GHz, for 1 to 50 % of time and 1 to 99 % of locations.

The whole of the Recommendation's step-by-step procedure (4.1 to 4.7 and Attachment 1) for one link, in numpy. `kernels` has a
compiled form of the same for fans and ensembles. As printed there: λ = 0.2998/f, 92.4 in the free-space term, and the rational
approximation of the normal quantile. Departures: eq. 60 is written as a log-sum-exp, so that no loss overflows; the guards of
`diffraction`; where two points tie for the horizon, the one nearer to its terminal counts.

Time percentages below 50 are what arrives from afar; a site's own link is planned at 50.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.errors import RangeError
from bandwright.propagation.diffraction import HORIZONTAL, VERTICAL, DeltaBullington, SmoothSurface, delta_bullington, smooth_surface
from bandwright.propagation.freespace import EARTH_RADIUS_KM, effective_earth_radius_km
from bandwright.propagation.profile import COAST, INLAND, SEA, Profile, profile

__all__ = ["P1812Loss", "location_sigma_db", "normal_quantile", "p1812"]

_BETA_RADIUS_KM = EARTH_RADIUS_KM * 3.0
_SOURCE = "ITU-R P.1812, 2 and table 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class P1812Loss:
    """The loss and every intermediate value, dB unless named otherwise.

    basic_transmission_loss_db: not exceeded for the time and locations asked for. bullington_actual_db, bullington_smooth_db and
    spherical_earth_diffraction_db belong to the effective radius exceeded for β0 of time (3·6371 km); diffraction_median_db to the
    median radius. in_sight: the path has no terrain horizon.
    """

    basic_transmission_loss_db: float
    effective_earth_radius_km: float
    free_space_loss_db: float
    lb0p_db: float
    bullington_actual_db: float
    bullington_smooth_db: float
    spherical_earth_diffraction_db: float
    diffraction_median_db: float
    diffraction_p_db: float
    ducting_db: float
    troposcatter_db: float
    beta0_percent: float
    sea_share: float
    angular_distance_mrad: float
    in_sight: bool

    def __getitem__(self, name: str) -> float:
        """Return a value by its name, for tables of cases. Raises KeyError."""
        if name not in self.__dataclass_fields__:
            raise KeyError(name)
        return float(getattr(self, name))

    def keys(self) -> tuple[str, ...]:
        """Return the names of all values, so that `dict(loss)` works."""
        return tuple(self.__dataclass_fields__)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Horizon:
    """Horizon angles (mrad), distances (km), effective heights and roughness (m). Source: Attachment 1, 5."""

    in_sight: bool
    tx_angle_mrad: float
    rx_angle_mrad: float
    tx_distance_km: float
    rx_distance_km: float
    angular_distance_mrad: float
    tx_effective_m: float
    rx_effective_m: float
    roughness_m: float


def p1812(
    *,
    frequency_ghz: float,
    distance_km: Sequence[float],
    terrain_height_m: Sequence[float],
    tx_height_m: float,
    rx_height_m: float,
    tx_lat_deg: float,
    rx_lat_deg: float,
    tx_lon_deg: float,
    rx_lon_deg: float,
    clutter_height_m: Sequence[float] | None = None,
    zone: Sequence[int] | None = None,
    time_percent: float = 50.0,
    polarization: int = VERTICAL,
    delta_n: float = 45.0,
    n0: float = 325.0,
    dct_km: float = 500.0,
    dcr_km: float = 500.0,
    location_percent: float = 50.0,
    location_sigma_db: float = 0.0,
) -> P1812Loss:
    """Return the basic transmission loss between two antennas by ITU-R P.1812, with its intermediate values.

    frequency_ghz: 0.03..6. distance_km: rising from 0, total 0.25..3000. terrain_height_m: above sea level. clutter_height_m: what stands on it,
    dropped at both ends. zone: 1 sea, 3 coastal land, 4 inland. tx_height_m, rx_height_m: above ground, 1..3000.
    time_percent: 1..50. location_percent: 1..99, with location_sigma_db. polarization: 1 horizontal, 2 vertical.
    delta_n, n0: refractivity lapse and sea-level surface refractivity at the middle of the path. dct_km, dcr_km: distance to the coast, 500 where inland.
    Raises RangeError outside these, TerrainError for a profile that cannot be used.
    """
    path = profile(distance_km=distance_km, ground_m=terrain_height_m, clutter_m=clutter_height_m, zone=zone)
    _check(frequency_ghz, path.length_km, time_percent, location_percent, polarization, tx_height_m, rx_height_m)
    tx_masl, rx_masl = float(path.ground_m[0]) + tx_height_m, float(path.ground_m[-1]) + rx_height_m
    radius = effective_earth_radius_km(delta_n=delta_n)
    sea = _share(path, SEA)
    inland_km = _longest_km(path, (INLAND,))
    beta0 = _beta0_percent(_middle_latitude_deg(tx_lat_deg, rx_lat_deg, tx_lon_deg, rx_lon_deg, path.length_km / 2.0), _longest_km(path, (COAST, INLAND)), inland_km)
    smooth = smooth_surface(path, tx_masl_m=tx_masl, rx_masl_m=rx_masl)
    horizon = _horizon(path, smooth, tx_masl, rx_masl, radius, frequency_ghz)
    free, free_p, free_beta = _line_of_sight_db(path.length_km, tx_masl, rx_masl, frequency_ghz, time_percent, beta0, horizon)

    def diffract(radius_km: float) -> DeltaBullington:
        return delta_bullington(
            path, smooth, tx_masl_m=tx_masl, rx_masl_m=rx_masl, earth_radius_km=radius_km, frequency_ghz=frequency_ghz, polarization=polarization, sea_share=sea
        )

    at_beta, median_db = diffract(_BETA_RADIUS_KM), diffract(radius).loss_db
    share = _interpolation(time_percent, beta0)
    diffraction_p = median_db if time_percent == 50.0 else median_db + share * (at_beta.loss_db - median_db)
    ducting = _ducting_db(
        path.length_km,
        horizon,
        frequency_ghz,
        time_percent,
        beta0,
        sea,
        radius,
        inland_km,
        (0.0 if path.zone[0] == SEA else dct_km, tx_masl),
        (0.0 if path.zone[-1] == SEA else dcr_km, rx_masl),
    )
    scatter = _troposcatter_db(path.length_km, horizon.angular_distance_mrad, frequency_ghz, time_percent, n0)

    # 4.6: the parts combined. Equation numbers are P.1812-6's.
    around_db = free + median_db  # L_bd50, eq. 42
    diffraction = free_p + diffraction_p  # L_bd, eq. 43
    least = free_p + (1.0 - sea) * diffraction_p  # eq. 59 below β0
    if time_percent >= beta0:
        least = around_db + (free_beta + (1.0 - sea) * diffraction_p - around_db) * share
    enhanced = 2.5 * _log_add_exp(ducting / 2.5, free_p / 2.5)  # eq. 60
    combined = diffraction
    if enhanced <= diffraction:
        combined = enhanced + (diffraction - enhanced) * _path_length_blend(path.length_km)  # eq. 61
    modified = combined + (least - combined) * _angle_blend(horizon.angular_distance_mrad)  # eq. 62
    median_of_places = -5.0 * (_log_add_exp(-0.2 * scatter * _LN10, -0.2 * modified * _LN10) / _LN10)  # eq. 63
    spread = 0.0 if path.zone[-1] == SEA else -normal_quantile(location_percent / 100.0) * location_sigma_db
    return P1812Loss(
        basic_transmission_loss_db=max(free_p, median_of_places + spread),
        effective_earth_radius_km=radius,
        free_space_loss_db=free,
        lb0p_db=free_p,
        bullington_actual_db=at_beta.actual_db,
        bullington_smooth_db=at_beta.smooth_db,
        spherical_earth_diffraction_db=at_beta.spherical_db,
        diffraction_median_db=median_db,
        diffraction_p_db=diffraction_p,
        ducting_db=ducting,
        troposcatter_db=scatter,
        beta0_percent=beta0,
        sea_share=sea,
        angular_distance_mrad=horizon.angular_distance_mrad,
        in_sight=horizon.in_sight,
    )


def location_sigma_db(*, frequency_ghz: float, height_m: float, clutter_m: float, cell_width_m: float) -> float:
    """Return the model's own spread over locations: (0.52 + 0.024·f)·w^0.28·u_h, in dB.

    height_m: of the receiving antenna above ground; clutter_m: of what stands around. u_h is 1 below clutter height and falls to 0 at 10 m above it.
    cell_width_m: side of the square that one answer stands for, 1..1000. Raises RangeError outside. Source: ITU-R P.1812 4.8.
    """
    if not 1.0 <= cell_width_m <= 1000.0:
        raise RangeError("cell_width_m", given=cell_width_m, allowed="1..1000", source="ITU-R P.1812, 4.8")
    weight = 1.0 if height_m < clutter_m else max(0.0, 1.0 - (height_m - clutter_m) / 10.0)
    return (0.52 + 0.024 * frequency_ghz) * math.pow(cell_width_m, 0.28) * weight


def normal_quantile(share: float) -> float:
    """Return the inverse complementary cumulative normal of share, 0.000001..0.999999, by P.1812's rational approximation (off by up to 4e-4).

    Source: ITU-R P.1812 Attachment 2. Raises RangeError outside.
    """
    if not 1e-6 <= share <= 1.0 - 1e-6:
        raise RangeError("share", given=share, allowed="0.000001..0.999999", source="ITU-R P.1812, Attachment 2")
    if share > 0.5:
        return -_upper_quantile(1.0 - share)
    return _upper_quantile(share)


_LN10 = math.log(10.0)


def _upper_quantile(share: float) -> float:
    t = math.sqrt(-2.0 * math.log(share))
    above = (0.010328 * t + 0.802853) * t + 2.515516698
    below = ((0.001308 * t + 0.189269) * t + 1.432788) * t + 1.0
    return t - above / below


def _check(frequency_ghz: float, length_km: float, time_percent: float, location_percent: float, polarization: int, tx_height_m: float, rx_height_m: float) -> None:
    for name, value, low, high, todo in (
        ("frequency_ghz", frequency_ghz, 0.03, 6.0, "Above 6 GHz take diffraction by P.526 with rain and gas."),
        ("path length in km", length_km, 0.25, 3000.0, "Below 0.25 km take free space and diffraction by P.526."),
        ("time_percent", time_percent, 1.0, 50.0, None),
        ("location_percent", location_percent, 1.0, 99.0, None),
        ("tx_height_m", tx_height_m, 1.0, 3000.0, None),
        ("rx_height_m", rx_height_m, 1.0, 3000.0, None),
    ):
        if not low <= value <= high:
            raise RangeError(name, given=float(value), allowed=f"{low:g}..{high:g}", todo=todo, source=_SOURCE)
    if polarization not in {HORIZONTAL, VERTICAL}:
        raise RangeError("polarization", given=polarization, allowed="1 horizontal, 2 vertical", source=_SOURCE)


def _runs(path: Profile, zones: tuple[int, ...]) -> list[float]:
    """Lengths (km) of the unbroken stretches over these zones; a border lies half-way between two points. Source: P.1812 3.2.1."""
    import numpy as np

    d = path.distance_km
    inside = np.isin(path.zone, zones)
    borders = np.concatenate(([d[0]], (d[1:] + d[:-1]) / 2.0, [d[-1]]))
    lengths: list[float] = []
    start = None
    for i, here in enumerate(inside):
        if here and start is None:
            start = i
        if start is not None and (i + 1 == len(inside) or not inside[i + 1]):
            lengths.append(float(borders[i + 1] - borders[start]))
            start = None
    return lengths


def _longest_km(path: Profile, zones: tuple[int, ...]) -> float:
    return max(_runs(path, zones), default=0.0)


def _share(path: Profile, zone: int) -> float:
    return sum(_runs(path, (zone,))) / path.length_km


def _middle_latitude_deg(tx_lat: float, rx_lat: float, tx_lon: float, rx_lon: float, along_km: float) -> float:
    """Latitude of the point `along_km` from the transmitter on the great circle. Source: P.1812 Attachment 3 (as P.2001 Attachment H)."""
    phi_t, phi_r, turn = math.radians(tx_lat), math.radians(rx_lat), math.radians(rx_lon - tx_lon)
    if phi_t == phi_r and turn == 0.0:
        return tx_lat
    r = math.sin(phi_t) * math.sin(phi_r) + math.cos(phi_t) * math.cos(phi_r) * math.cos(turn)
    x1 = math.sin(phi_r) - r * math.sin(phi_t)
    y1 = math.cos(phi_t) * math.cos(phi_r) * math.sin(turn)
    bearing = turn if abs(x1) < 1e-9 and abs(y1) < 1e-9 else math.atan2(y1, x1)
    arc = along_km / EARTH_RADIUS_KM
    s = math.sin(phi_t) * math.cos(arc) + math.cos(phi_t) * math.sin(arc) * math.cos(bearing)
    return math.degrees(math.asin(max(-1.0, min(1.0, s))))


def _beta0_percent(latitude_deg: float, land_km: float, inland_km: float) -> float:
    """Time percentage for which the lapse exceeds 100 N-units/km. Source: P.1812 3.6."""
    tau = 1.0 - math.exp(-4.12e-4 * inland_km**2.41)
    mu1 = min(1.0, (10.0 ** (-land_km / (16.0 - 6.6 * tau)) + 10.0 ** (-5.0 * (0.496 + 0.354 * tau))) ** 0.2)
    away = abs(latitude_deg)
    if away <= 70.0:
        return float(10.0 ** (-0.015 * away + 1.67) * mu1 * mu1 ** (-0.935 + 0.0176 * away))
    return float(4.17 * mu1 * mu1**0.3)


def _horizon(path: Profile, smooth: SmoothSurface, tx_masl: float, rx_masl: float, radius_km: float, frequency_ghz: float) -> _Horizon:
    import numpy as np

    length = path.length_km
    d, h = path.distance_km[1:-1], path.ground_m[1:-1]
    from_tx = 1000.0 * np.arctan((h - tx_masl) / (1000.0 * d) - d / (2.0 * radius_km))
    straight = 1000.0 * math.atan((rx_masl - tx_masl) / (1000.0 * length) - length / (2.0 * radius_km))
    in_sight = bool(from_tx.max() <= straight)
    if in_sight:
        wavelength = 0.2998 / frequency_ghz
        nu = (h + 500.0 / radius_km * d * (length - d) - (tx_masl * (length - d) + rx_masl * d) / length) * np.sqrt(0.002 * length / (wavelength * d * (length - d)))
        first = last = int(nu.argmax()) + 1
        tx_angle, rx_angle = straight, 1000.0 * math.atan((tx_masl - rx_masl) / (1000.0 * length) - length / (2.0 * radius_km))
    else:
        from_rx = 1000.0 * np.arctan((h - rx_masl) / (1000.0 * (length - d)) - (length - d) / (2.0 * radius_km))
        first = int(from_tx.argmax()) + 1
        last = len(from_rx) - int(from_rx[::-1].argmax())
        tx_angle, rx_angle = float(from_tx.max()), float(from_rx.max())
    base_tx, base_rx = min(smooth.tx_m, float(path.ground_m[0])), min(smooth.rx_m, float(path.ground_m[-1]))
    between = slice(first, last + 1)
    over = path.ground_m[between] - (base_tx + (base_rx - base_tx) / length * path.distance_km[between])
    return _Horizon(
        in_sight=in_sight,
        tx_angle_mrad=tx_angle,
        rx_angle_mrad=rx_angle,
        tx_distance_km=float(path.distance_km[first]),
        rx_distance_km=length - float(path.distance_km[last]),
        angular_distance_mrad=1000.0 * length / radius_km + tx_angle + rx_angle,
        tx_effective_m=tx_masl - base_tx,
        rx_effective_m=rx_masl - base_rx,
        roughness_m=float(over.max()) if over.size else 0.0,
    )


def _line_of_sight_db(length_km: float, tx_masl: float, rx_masl: float, f: float, p: float, beta0: float, horizon: _Horizon) -> tuple[float, float, float]:
    """Free space, and with multipath and focusing for p and for β0 of time. Source: P.1812 4.2."""
    free = 92.4 + 20.0 * math.log10(f) + 10.0 * math.log10(length_km**2 + ((tx_masl - rx_masl) / 1000.0) ** 2)
    focus = 2.6 * (1.0 - math.exp(-0.1 * (horizon.tx_distance_km + horizon.rx_distance_km)))
    return free, free + focus * math.log10(p / 50.0), free + focus * math.log10(beta0 / 50.0)


def _interpolation(p: float, beta0: float) -> float:
    """F_i: 1 at or below β0 of time, 0 at 50 %. Source: P.1812 4.3.5, eq. 41."""
    return normal_quantile(p / 100.0) / normal_quantile(beta0 / 100.0) if p > beta0 else 1.0


def _path_length_blend(length_km: float) -> float:
    return 1.0 - 0.5 * (1.0 + math.tanh(3.0 * 0.5 * (length_km - 20.0) / 20.0))  # F_k, eq. 58


def _angle_blend(angular_distance_mrad: float) -> float:
    return 1.0 - 0.5 * (1.0 + math.tanh(3.0 * 0.8 * (angular_distance_mrad - 0.3) / 0.3))  # F_j, eq. 57


def _ducting_db(
    length_km: float,
    horizon: _Horizon,
    f: float,
    p: float,
    beta0: float,
    sea: float,
    radius_km: float,
    inland_km: float,
    tx_coast: tuple[float, float],
    rx_coast: tuple[float, float],
) -> float:
    """Ducting and layer reflection. tx_coast, rx_coast: (distance over land to the coast km, antenna m above sea level). Source: P.1812 4.5."""
    fixed = 102.45 + 20.0 * math.log10(f) + 20.0 * math.log10(horizon.tx_distance_km + horizon.rx_distance_km)
    if f < 0.5:
        fixed += 45.375 - 137.0 * f + 92.5 * f**2
    for (coast_km, masl_m), to_horizon_km, angle in (
        (tx_coast, horizon.tx_distance_km, horizon.tx_angle_mrad),
        (rx_coast, horizon.rx_distance_km, horizon.rx_angle_mrad),
    ):
        shielding = angle - 0.1 * to_horizon_km
        if shielding > 0.0:
            fixed += 20.0 * math.log10(1.0 + 0.361 * shielding * math.sqrt(f * to_horizon_km)) + 0.264 * shielding * math.cbrt(f)
        if sea >= 0.75 and coast_km <= to_horizon_km and coast_km <= 5.0:
            fixed -= 3.0 * math.exp(-0.25 * coast_km**2) * (1.0 + math.tanh(0.07 * (50.0 - masl_m)))
    angle = 1000.0 * length_km / radius_km + min(horizon.tx_angle_mrad, 0.1 * horizon.tx_distance_km) + min(horizon.rx_angle_mrad, 0.1 * horizon.rx_distance_km)
    between_km = min(length_km - horizon.tx_distance_km - horizon.rx_distance_km, 40.0)
    rough = math.exp(-4.6e-5 * (horizon.roughness_m - 10.0) * (43.0 + 6.0 * between_km)) if horizon.roughness_m > 10.0 else 1.0
    tau = 1.0 - math.exp(-4.12e-4 * inland_km**2.41)
    alpha = max(-3.4, -0.6 - 3.5e-9 * length_km**3.1 * tau)
    heights = (math.sqrt(horizon.tx_effective_m) + math.sqrt(horizon.rx_effective_m)) ** 2
    mu2 = min(1.0, (500.0 / radius_km * length_km**2 / heights) ** alpha)
    beta = beta0 * mu2 * rough
    log_beta = math.log10(beta)
    gamma = 1.076 / (2.0058 - log_beta) ** 1.012 * math.exp(-(9.51 - 4.8 * log_beta + 0.198 * log_beta**2) * 1e-6 * length_km**1.13)
    variable = -12.0 + (1.2 + 3.7e-3 * length_km) * math.log10(p / beta) + 12.0 * math.pow(p / beta, gamma)
    return fixed + 5e-5 * radius_km * math.cbrt(f) * angle + variable


def _troposcatter_db(length_km: float, angle_mrad: float, f: float, p: float, n0: float) -> float:
    """Source: P.1812 4.4."""
    by_frequency = 25.0 * math.log10(f) - 2.5 * math.log10(f / 2.0) ** 2
    return 190.1 + by_frequency + 20.0 * math.log10(length_km) + 0.573 * angle_mrad - 0.15 * n0 - 10.125 * math.pow(math.log10(50.0 / p), 0.7)


def _log_add_exp(a: float, b: float) -> float:
    high, low = max(a, b), min(a, b)
    return high + math.log1p(math.exp(low - high))

"""The compiled forms of `terrain` and of the radial sweep. Importing this module imports numba: do so only inside `kernels`.

Each function stands beside a plain twin (`terrain.p1812`, `kernels.fan_plain`), and tests hold the two together. Symbols are those of ITU-R
P.1812 where a name would hide the formula: ht, hr heights above sea level, k = 500/a_e, D the path length in km.

The sweep goes outward along a radial and keeps (a) running maxima of what is seen from the centre, (b) the two sums of the smooth surface,
(c) upper convex hulls of (d, g − k·d²), (d, h) and (d, h − k·d²). What is seen from the far end is then a tangent to a hull, and the greatest
height over the chord a hull's extreme point: a binary search each, where a fresh profile would be a scan.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np

__all__ = ["ensemble_median", "fan_median", "p1812_total"]

F = TypeVar("F", bound=Callable[..., Any])
_jit = cast("Callable[[F], F]", numba.njit(cache=True, error_model="numpy", nogil=True))


@_jit
def _knife(nu: float) -> float:
    if nu <= -0.78:
        return 0.0
    return 6.9 + 20.0 * math.log10(math.sqrt((nu - 0.1) ** 2 + 1.0) + nu - 0.1)


@_jit
def _height_gain(b: float, least: float) -> float:
    if b <= 0.0:
        return least
    if b > 2.0:
        return max(17.6 * math.sqrt(b - 1.1) - 5.0 * math.log10(b - 1.1) - 8.0, least)
    return max(20.0 * math.log10(b + 0.1 * b * b * b), least)


@_jit
def _ground_constant(f: float, pol: int, eps: float, sigma: float) -> float:
    """What of K depends on ground and frequency alone: K = constant/(a)^(1/3)."""
    loss_term = (18.0 * sigma / f) ** 2
    k = 0.036 * math.pow(f, -1.0 / 3.0) * math.pow((eps - 1.0) ** 2 + loss_term, -0.25)
    return k * math.sqrt(eps**2 + loss_term) if pol == 2 else k


@_jit
def _first_term(distance: float, ht: float, hr: float, root_radius: float, root_f: float, constant: float) -> float:
    """First residue term. root_radius, root_f: cube roots of radius and frequency, so that no power is taken here."""
    k = constant / root_radius
    k2 = k * k
    beta = (1.0 + 1.6 * k2 + 0.67 * k2 * k2) / (1.0 + 4.5 * k2 + 1.53 * k2 * k2)
    x = 21.88 * beta * root_f / (root_radius * root_radius) * distance
    scale = 0.9575 * beta * beta * root_f * root_f / root_radius
    log_x = math.log(x)
    field = 11.0 + 4.342944819032518 * log_x - 17.6 * x if x >= 1.6 else -8.685889638065035 * log_x - 5.6488 * math.exp(1.425 * log_x)
    least = 2.0 + 8.685889638065035 * math.log(k)
    return -field - _height_gain(scale * ht, least) - _height_gain(scale * hr, least)


@_jit
def _over_ground(distance: float, ht: float, hr: float, radius: float, root_f: float, land: float, water: float, sea: float) -> float:
    root_radius = np.cbrt(radius)
    loss = 0.0
    if sea > 0.0:
        loss += sea * _first_term(distance, ht, hr, root_radius, root_f, water)
    if sea < 1.0:
        loss += (1.0 - sea) * _first_term(distance, ht, hr, root_radius, root_f, land)
    return loss


@_jit
def _spherical(distance: float, ht: float, hr: float, radius: float, wavelength: float, root_f: float, land: float, water: float, sea: float) -> float:
    total = ht + hr
    in_sight = math.sqrt(2.0 * radius) * (math.sqrt(0.001 * ht) + math.sqrt(0.001 * hr))
    if distance >= in_sight or total <= 0.0:
        return max(_over_ground(distance, ht, hr, radius, root_f, land, water, sea), 0.0)
    c = (ht - hr) / total
    m = 250.0 * distance**2 / (radius * total)
    argument = min(1.0, max(-1.0, 1.5 * c * math.sqrt(3.0 * m / (m + 1.0) ** 3)))
    b = 2.0 * math.sqrt((m + 1.0) / (3.0 * m)) * math.cos(math.pi / 3.0 + math.acos(argument) / 3.0)
    d1 = distance / 2.0 * (1.0 + b)
    d2 = distance - d1
    clearance = ((ht - 500.0 * d1 * d1 / radius) * d2 + (hr - 500.0 * d2 * d2 / radius) * d1) / distance
    needed = 17.456 * math.sqrt(max(d1 * d2, 0.0) * wavelength / distance)
    if clearance > needed:
        return 0.0
    grazing = 500.0 * (distance / (math.sqrt(ht) + math.sqrt(hr))) ** 2
    loss = _over_ground(distance, ht, hr, grazing, root_f, land, water, sea)
    if needed > 0.0:
        return max(0.0, (1.0 - clearance / needed) * loss)
    return max(0.0, loss)


@_jit
def _spread(edge: float, length: float) -> float:
    return edge + (1.0 - math.exp(-edge / 6.0)) * (10.0 + 0.02 * length)


@_jit
def _two_edges(slope_tx: float, slope_rx: float, ht: float, hr: float, length: float, wavelength: float) -> float:
    """Bullington's point where both horizons meet. Slopes are seen from their ends over the chord's bulge (S_tim, S_rim)."""
    at = (hr - ht + slope_rx * length) / (slope_tx + slope_rx)
    height = ht + slope_tx * at - (ht * (length - at) + hr * at) / length
    return _knife(height * math.sqrt(0.002 * length / (wavelength * at * (length - at))))


@_jit
def _nu_of_flat(d: float, ht: float, hr: float, k: float, length: float) -> float:
    r = length - d
    return (k * d * r - (ht * r + hr * d) / length) / math.sqrt(d * r)


@_jit
def _bullington_flat(d: np.ndarray, last: int, ht: float, hr: float, k: float, wavelength: float) -> float:
    """Bullington over a profile of zeros: all of its maxima are unimodal along the path, so no scan is needed. Interior points are 1..last-1."""
    length = d[last]
    slope_tx = -1e30
    place = np.searchsorted(d[1:last], math.sqrt(ht / k)) + 1 if ht > 0.0 else 1
    for i in (max(1, min(last - 1, place - 1)), min(last - 1, place)):
        slope_tx = max(slope_tx, k * (length - d[i]) - ht / d[i])
    if slope_tx < (hr - ht) / length:
        low, high = 1, last - 1
        while low < high:
            middle = (low + high) // 2
            if _nu_of_flat(d[middle], ht, hr, k, length) < _nu_of_flat(d[middle + 1], ht, hr, k, length):
                low = middle + 1
            else:
                high = middle
        edge = _knife(_nu_of_flat(d[low], ht, hr, k, length) * math.sqrt(0.002 * length / wavelength))
    else:
        slope_rx = -1e30
        place = np.searchsorted(d[1:last], length - math.sqrt(hr / k)) + 1 if hr > 0.0 else last - 1
        for i in (max(1, min(last - 1, place - 1)), max(1, min(last - 1, place))):
            slope_rx = max(slope_rx, k * d[i] - hr / (length - d[i]))
        edge = _two_edges(slope_tx, slope_rx, ht, hr, length, wavelength)
    return _spread(edge, length)


@_jit
def _upper_quantile(share: float) -> float:
    t = math.sqrt(-2.0 * math.log(share))
    return t - ((0.010328 * t + 0.802853) * t + 2.515516698) / (((0.001308 * t + 0.189269) * t + 1.432788) * t + 1.0)


@_jit
def _quantile(share: float) -> float:
    return _upper_quantile(share) if share <= 0.5 else -_upper_quantile(1.0 - share)


@_jit
def _log_add_exp(a: float, b: float) -> float:
    high, low = max(a, b), min(a, b)
    return high + math.log1p(math.exp(low - high))


@_jit
def _troposcatter(length: float, angle: float, f: float, p: float, n0: float) -> float:
    by_frequency = 25.0 * math.log10(f) - 2.5 * math.log10(f / 2.0) ** 2
    return 190.1 + by_frequency + 20.0 * math.log10(length) + 0.573 * angle - 0.15 * n0 - 10.125 * math.pow(math.log10(50.0 / p), 0.7)


@_jit
def _zones(d: np.ndarray, zone: np.ndarray) -> tuple[float, float, float]:
    """Share over sea, longest stretch over land, longest inland (km); a border lies half-way between two points."""
    n = d.size
    sea = land = inland = land_run = inland_run = 0.0
    for i in range(n):
        left = d[0] if i == 0 else 0.5 * (d[i - 1] + d[i])
        right = d[n - 1] if i == n - 1 else 0.5 * (d[i] + d[i + 1])
        width = right - left
        if zone[i] == 1:
            sea += width
        land_run = land_run + width if zone[i] != 1 else 0.0
        inland_run = inland_run + width if zone[i] == 4 else 0.0
        land, inland = max(land, land_run), max(inland, inland_run)
    return sea / (d[n - 1] - d[0]), land, inland


@_jit
def _nu_scaled(worst: float, length: float, wavelength: float) -> float:
    """ν from the least of clearance·|clearance|/(d·r)."""
    scale = math.sqrt(abs(worst) * 0.002 * length / wavelength)
    return -scale if worst > 0.0 else scale


@_jit
def p1812_total(
    d: np.ndarray,
    h: np.ndarray,
    c: np.ndarray,
    zone: np.ndarray,
    f: float,
    p: float,
    tx_height: float,
    rx_height: float,
    latitude: float,
    pol: int,
    delta_n: float,
    n0: float,
    dct: float,
    dcr: float,
    location_share: float,
    location_sigma: float,
) -> float:
    """Return the basic transmission loss of P.1812 in dB: one pass over the profile, a second between its horizons. latitude: of the path's middle."""
    n = d.size
    last = n - 1
    length = d[last]
    ht, hr = h[0] + tx_height, h[last] + rx_height
    radius = 6371.0 * 157.0 / (157.0 - delta_n)
    radius_beta = 6371.0 * 3.0
    k, k_beta = 500.0 / radius, 500.0 / radius_beta
    wavelength = 0.2998 / f
    sea, land, inland = _zones(d, zone)
    root_f, land_k, water_k = np.cbrt(f), _ground_constant(f, pol, 22.0, 0.003), _ground_constant(f, pol, 80.0, 5.0)
    straight = (hr - ht) / length
    v1 = v2 = 0.0
    tim = rim = tim_b = rim_b = see_t = see_r = over_t = over_r = -1e30
    highest = -1e30
    worst = worst_b = worst_h = 1e30
    first_t = last_r = at_worst = 1
    for i in range(1, n):
        step = d[i] - d[i - 1]
        v1 += step * (h[i] + h[i - 1])
        v2 += step * (h[i] * (2.0 * d[i] + d[i - 1]) + h[i - 1] * (d[i] + 2.0 * d[i - 1]))
        if i == last:
            break
        x, hi = d[i], h[i]
        g = hi + c[i]
        r = length - x
        ix, ir = 1.0 / x, 1.0 / r
        bulge = x * r
        chord = ht + straight * x
        tim = max(tim, (g - ht) * ix + k * r)
        rim = max(rim, (g - hr) * ir + k * x)
        tim_b = max(tim_b, (g - ht) * ix + k_beta * r)
        rim_b = max(rim_b, (g - hr) * ir + k_beta * x)
        room = chord - g
        clear, clear_b, clear_h = room - k * bulge, room - k_beta * bulge, chord - hi - k * bulge
        worst = min(worst, clear * abs(clear) * ix * ir)
        worst_b = min(worst_b, clear_b * abs(clear_b) * ix * ir)
        q = clear_h * abs(clear_h) * ix * ir
        if q < worst_h:
            worst_h, at_worst = q, i
        up, down = (hi - ht) * ix, (hi - hr) * ir
        over_t, over_r = max(over_t, up), max(over_r, down)
        highest = max(highest, hi - chord)
        if up - k * x > see_t:
            see_t, first_t = up - k * x, i
        if down - k * r >= see_r:
            see_r, last_r = down - k * r, i
    smooth_t, smooth_r = (2.0 * v1 * length - v2) / length**2, (v2 - v1 * length) / length**2
    low_t, low_r = smooth_t, smooth_r
    if highest > 0.0:
        tilt_t, tilt_r = over_t - straight, over_r + straight
        low_t -= highest * tilt_t / (tilt_t + tilt_r)
        low_r -= highest * tilt_r / (tilt_t + tilt_r)
    low_t, low_r = min(low_t, h[0]), min(low_r, h[last])
    diffraction = _delta(d, last, ht, hr, ht - low_t, hr - low_r, tim, rim, worst, straight, k, radius, wavelength, root_f, land_k, water_k, sea)
    straight_angle = straight - k * length
    if see_t <= straight_angle:
        to_t, to_r = d[at_worst], length - d[at_worst]
        first_t = last_r = at_worst
        angle_t, angle_r = straight_angle, -straight - k * length
    else:
        to_t, to_r = d[first_t], length - d[last_r]
        angle_t, angle_r = see_t, see_r
    angle_t, angle_r = 1000.0 * math.atan(angle_t / 1000.0), 1000.0 * math.atan(angle_r / 1000.0)
    theta = 1000.0 * length / radius + angle_t + angle_r
    beta0 = _beta0(latitude, land, inland)
    free = 92.4 + 20.0 * math.log10(f) + 10.0 * math.log10(length**2 + ((ht - hr) / 1000.0) ** 2)
    focus = 2.6 * (1.0 - math.exp(-0.1 * (to_t + to_r)))
    free_p, free_beta = free + focus * math.log10(p / 50.0), free + focus * math.log10(beta0 / 50.0)
    share = _quantile(p / 100.0) / _quantile(beta0 / 100.0) if p > beta0 else 1.0
    diffraction_p = diffraction
    if p != 50.0:
        at_beta = _delta(d, last, ht, hr, ht - low_t, hr - low_r, tim_b, rim_b, worst_b, straight, k_beta, radius_beta, wavelength, root_f, land_k, water_k, sea)
        diffraction_p = diffraction + share * (at_beta - diffraction)
    base_t, base_r = min(smooth_t, h[0]), min(smooth_r, h[last])
    slope = (base_r - base_t) / length
    rough = -1e30
    for i in range(first_t, last_r + 1):
        rough = max(rough, h[i] - base_t - slope * d[i])
    ducting = _ducting(length, to_t, to_r, angle_t, angle_r, ht - base_t, hr - base_r, rough, f, p, beta0, sea, radius, inland, 0.0 if zone[0] == 1 else dct, 0.0 if zone[last] == 1 else dcr, ht, hr)
    scatter = _troposcatter(length, theta, f, p, n0)
    around = free + diffraction
    direct = free_p + diffraction_p
    least = direct - sea * diffraction_p
    if p >= beta0:
        least = around + (free_beta + (1.0 - sea) * diffraction_p - around) * share
    enhanced = 2.5 * _log_add_exp(ducting / 2.5, free_p / 2.5)
    combined = direct
    if enhanced <= direct:
        combined = enhanced + (direct - enhanced) * (1.0 - 0.5 * (1.0 + math.tanh(1.5 * (length - 20.0) / 20.0)))
    modified = combined + (least - combined) * (1.0 - 0.5 * (1.0 + math.tanh(2.4 * (theta - 0.3) / 0.3)))
    ln10 = math.log(10.0)
    total = -5.0 * _log_add_exp(-0.2 * scatter * ln10, -0.2 * modified * ln10) / ln10
    if zone[last] != 1 and location_sigma > 0.0:
        total -= _quantile(location_share) * location_sigma
    return max(free_p, total)


@_jit
def _delta(
    d: np.ndarray,
    last: int,
    ht: float,
    hr: float,
    over_t: float,
    over_r: float,
    tim: float,
    rim: float,
    worst: float,
    straight: float,
    k: float,
    radius: float,
    wavelength: float,
    root_f: float,
    land: float,
    water: float,
    sea: float,
) -> float:
    """Delta-Bullington from what a pass over the profile has gathered."""
    length = d[last]
    edge = _knife(_nu_scaled(worst, length, wavelength)) if tim < straight else _two_edges(tim, rim, ht, hr, length, wavelength)
    loss = _spread(edge, length)
    round_earth = _spherical(length, over_t, over_r, radius, wavelength, root_f, land, water, sea)
    if round_earth > 0.0:
        loss += max(0.0, round_earth - _bullington_flat(d, last, over_t, over_r, k, wavelength))
    return loss


@_jit
def _beta0(latitude: float, land: float, inland: float) -> float:
    tau = 1.0 - math.exp(-4.12e-4 * math.pow(inland, 2.41))
    mu1 = min(1.0, math.pow(math.pow(10.0, -land / (16.0 - 6.6 * tau)) + math.pow(10.0, -5.0 * (0.496 + 0.354 * tau)), 0.2))
    away = abs(latitude)
    if away <= 70.0:
        return math.pow(10.0, -0.015 * away + 1.67) * mu1 * math.pow(mu1, -0.935 + 0.0176 * away)
    return 4.17 * math.pow(mu1, 1.3)


@_jit
def _ducting(
    length: float,
    to_t: float,
    to_r: float,
    angle_t: float,
    angle_r: float,
    over_t: float,
    over_r: float,
    rough: float,
    f: float,
    p: float,
    beta0: float,
    sea: float,
    radius: float,
    inland: float,
    dct: float,
    dcr: float,
    ht: float,
    hr: float,
) -> float:
    root = np.cbrt(f)
    fixed = 102.45 + 20.0 * math.log10(f) + 20.0 * math.log10(to_t + to_r)
    if f < 0.5:
        fixed += 45.375 - 137.0 * f + 92.5 * f * f
    for coast, masl, horizon, angle in ((dct, ht, to_t, angle_t), (dcr, hr, to_r, angle_r)):
        shielding = angle - 0.1 * horizon
        if shielding > 0.0:
            fixed += 20.0 * math.log10(1.0 + 0.361 * shielding * math.sqrt(f * horizon)) + 0.264 * shielding * root
        if sea >= 0.75 and coast <= horizon and coast <= 5.0:
            fixed -= 3.0 * math.exp(-0.25 * coast * coast) * (1.0 + math.tanh(0.07 * (50.0 - masl)))
    bent = 1000.0 * length / radius + min(angle_t, 0.1 * to_t) + min(angle_r, 0.1 * to_r)
    between = min(length - to_t - to_r, 40.0)
    mu3 = math.exp(-4.6e-5 * (rough - 10.0) * (43.0 + 6.0 * between)) if rough > 10.0 else 1.0
    tau = 1.0 - math.exp(-4.12e-4 * math.pow(inland, 2.41))
    alpha = max(-3.4, -0.6 - 3.5e-9 * math.pow(length, 3.1) * tau)
    mu2 = min(1.0, math.pow(500.0 / radius * length**2 / (math.sqrt(over_t) + math.sqrt(over_r)) ** 2, alpha))
    log_beta = math.log10(beta0 * mu2 * mu3)
    beta = math.pow(10.0, log_beta)
    gamma = 1.076 / math.pow(2.0058 - log_beta, 1.012) * math.exp(-(9.51 - 4.8 * log_beta + 0.198 * log_beta**2) * 1e-6 * math.pow(length, 1.13))
    variable = -12.0 + (1.2 + 3.7e-3 * length) * math.log10(p / beta) + 12.0 * math.pow(p / beta, gamma)
    return float(fixed + 5e-5 * radius * root * bent + variable)


@_jit
def ensemble_median(
    d: np.ndarray, h: np.ndarray, c: np.ndarray, zone: np.ndarray, tx_heights: np.ndarray, rx_heights: np.ndarray, frequencies: np.ndarray, delta_ns: np.ndarray, latitude: float, pol: int, n0: float
) -> np.ndarray:
    """Return the median loss of one profile for each member: heights, frequency and refractivity lapse of an ensemble."""
    out = np.empty(tx_heights.size)
    for m in range(tx_heights.size):
        out[m] = p1812_total(d, h, c, zone, frequencies[m], 50.0, tx_heights[m], rx_heights[m], latitude, pol, delta_ns[m], n0, 500.0, 500.0, 0.5, 0.0)
    return out


@_jit
def _push(x: np.ndarray, y: np.ndarray, count: int, px: float, py: float) -> int:
    """Add a point to the right of an upper hull; return how many points it has."""
    while count >= 2 and (y[count - 1] - y[count - 2]) * (px - x[count - 2]) <= (py - y[count - 2]) * (x[count - 1] - x[count - 2]):
        count -= 1
    x[count], y[count] = px, py
    return count + 1


@_jit
def _tangent(x: np.ndarray, y: np.ndarray, count: int, px: float, py: float) -> float:
    """Return the steepest (y − py)/(px − x) over a hull that lies to the left of px: unimodal along it."""
    low, high = 0, count - 1
    while low < high:
        middle = (low + high) // 2
        if (y[middle] - py) * (px - x[middle + 1]) < (y[middle + 1] - py) * (px - x[middle]):
            low = middle + 1
        else:
            high = middle
    return float((y[low] - py) / (px - x[low]))


@_jit
def _extreme(x: np.ndarray, y: np.ndarray, count: int, slope: float) -> float:
    """Return the greatest y − slope·x over an upper hull."""
    low, high = 0, count - 1
    while low < high:
        middle = (low + high) // 2
        if y[middle + 1] - y[middle] > slope * (x[middle + 1] - x[middle]):
            low = middle + 1
        else:
            high = middle
    return float(y[low] - slope * x[low])


@_jit
def fan_median(
    heights: np.ndarray, clutter: np.ndarray, step_km: float, at: np.ndarray, centre_height: float, far_height: float, f: float, radius: float, n0: float, pol: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return (median loss, diffraction loss), dB, at points `at` (indices, rising, 2 or more) of each radial. heights, clutter: radials × points, m.

    All land. The median is −5·log10(10^(−0.2·(free + diffraction)) + 10^(−0.2·troposcatter)): within 1e-4 dB of the whole of P.1812 from 1 km up.
    """
    radials, n = heights.shape
    total = np.empty((radials, at.size))
    bent = np.empty((radials, at.size))
    k = 500.0 / radius
    wavelength = 0.2998 / f
    root_f, land = np.cbrt(f), _ground_constant(f, pol, 22.0, 0.003)
    flat = clutter.size == 0
    d = np.arange(n) * step_km
    gx, gy = np.empty(n), np.empty(n)
    hx, hy = np.empty(n), np.empty(n)
    sx, sy = np.empty(n), np.empty(n)
    by_frequency = 92.4 + 20.0 * math.log10(f)
    for radial in range(radials):
        h = heights[radial]
        ht = h[0] + centre_height
        g_count = h_count = s_count = 0
        tim = see = up = -1e30
        v1 = v2 = 0.0
        done = 0
        for j in range(at.size):
            r = at[j]
            for i in range(done + 1, r + 1):
                v1 += step_km * (h[i] + h[i - 1])
                v2 += step_km * (h[i] * (2.0 * d[i] + d[i - 1]) + h[i - 1] * (d[i] + 2.0 * d[i - 1]))
            for i in range(max(1, done), r):
                x, hi = d[i], h[i]
                g = hi if flat else hi + clutter[radial, i]
                bow = k * x * x
                ix = 1.0 / x
                seen = (hi - ht) * ix
                up, see = max(up, seen), max(see, seen - k * x)
                tim = max(tim, (g - ht) * ix - k * x)
                g_count = _push(gx, gy, g_count, x, g - bow)
                h_count = _push(hx, hy, h_count, x, hi)
                if not flat:
                    s_count = _push(sx, sy, s_count, x, hi - bow)
            done = r
            length = d[r]
            hr = h[r] + far_height
            straight = (hr - ht) / length
            smooth_t, smooth_r = (2.0 * v1 * length - v2) / length**2, (v2 - v1 * length) / length**2
            highest = _extreme(hx, hy, h_count, straight) - ht
            if highest > 0.0:
                tilt_t, tilt_r = up - straight, _tangent(hx, hy, h_count, length, hr) + straight
                smooth_t -= highest * tilt_t / (tilt_t + tilt_r)
                smooth_r -= highest * tilt_r / (tilt_t + tilt_r)
            over_t, over_r = ht - min(smooth_t, h[0]), hr - min(smooth_r, h[r])
            slope_tx = tim + k * length
            if slope_tx < straight:
                least = ht - _extreme(gx, gy, g_count, straight - k * length)
                edge = 0.0
                if least * 2.0 * math.sqrt(0.002 * length / wavelength) / length <= 0.78:
                    worst = 1e30
                    for i in range(1, r):
                        g = h[i] if flat else h[i] + clutter[radial, i]
                        x = d[i]
                        clear = ht + straight * x - g - k * x * (length - x)
                        worst = min(worst, clear * abs(clear) / (x * (length - x)))
                    edge = _knife(_nu_scaled(worst, length, wavelength))
            else:
                slope_rx = _tangent(gx, gy, g_count, length, hr - k * length * length) - k * length
                edge = _two_edges(slope_tx, slope_rx, ht, hr, length, wavelength)
            loss = _spread(edge, length)
            round_earth = _spherical(length, over_t, over_r, radius, wavelength, root_f, land, land, 0.0)
            if round_earth > 0.0:
                loss += max(0.0, round_earth - _bullington_flat(d, r, over_t, over_r, k, wavelength))
            free = by_frequency + 10.0 * math.log10(length**2 + ((ht - hr) / 1000.0) ** 2)
            median = free + loss
            # Scattering only caps: below its least loss by 30 dB it changes the median by 2e-6 dB.
            if loss > 0.0 and median > _troposcatter(length, 0.0, f, 50.0, n0) - 30.0:
                straight_angle = straight - k * length
                if see <= straight_angle:
                    angle_t, angle_r = straight_angle, -straight - k * length
                else:
                    reach = hr - k * length * length
                    angle_t = see
                    angle_r = (_tangent(gx, gy, g_count, length, reach) if flat else _tangent(sx, sy, s_count, length, reach)) - 2.0 * k * length
                theta = 1000.0 * length / radius + 1000.0 * math.atan(angle_t / 1000.0) + 1000.0 * math.atan(angle_r / 1000.0)
                scatter = _troposcatter(length, theta, f, 50.0, n0)
                ln10 = math.log(10.0)
                median = -5.0 * _log_add_exp(-0.2 * scatter * ln10, -0.2 * median * ln10) / ln10
            total[radial, j] = median
            bent[radial, j] = loss
    return total, bent

"""Clearance along the path, in radii of the first Fresnel zone, and the ground under it.

0.6 is the usual criterion (ITU-R P.530): where the band stays above it, the ground hardly matters. Drawn directly: ground, line and
clearance share one axis of distance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.telling.charts.svg import SLIM, WIDE, Canvas
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.numbers import NBSP, number
from bandwright.telling.said import said

__all__ = ["CRITERION", "Clearance", "ClearancePoint", "clearance", "draw", "finding", "first_zone_m", "table"]

CRITERION = 0.6  # of the first Fresnel radius; ITU-R P.530
_EARTH_RADIUS_M = 6_371_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearancePoint:
    """At one distance: height of the ground with the earth's bulge, of the line, and the clearance in first Fresnel radii."""

    distance_m: float
    ground_m: float
    line_m: float
    clearance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """All points between the two ends (at most 400 are drawn), and the worst of them."""

    points: tuple[ClearancePoint, ...]
    worst: ClearancePoint
    frequency_mhz: float


def first_zone_m(*, from_m: float, to_m: float, frequency_mhz: float) -> float:
    """Return the radius of the first Fresnel zone, in m, at distances from_m and to_m > 0 from the ends. Source: ITU-R P.526."""
    wavelength_m = 299.792458 / frequency_mhz
    return math.sqrt(wavelength_m * from_m * to_m / (from_m + to_m))


def clearance(distances_m: Sequence[float], ground_m: Sequence[float], *, near_height_m: float, far_height_m: float, frequency_mhz: float, earth_factor: float = 4.0 / 3.0) -> Clearance:
    """Return the clearance of the line between two antennas as plain data. Heights of antennas above the ground at their ends.

    earth_factor: effective earth radius over the true one (ITU-R P.530: median 4/3). Raises ValueError for fewer than three points.
    """
    if len(distances_m) < 3 or len(distances_m) != len(ground_m):
        msg = f"{len(distances_m)} distances and {len(ground_m)} heights make no path: three or more of each"
        raise ValueError(msg)
    total = distances_m[-1]
    low, high = ground_m[0] + near_height_m, ground_m[-1] + far_height_m
    points = []
    for d, ground in zip(distances_m[1:-1], ground_m[1:-1], strict=True):
        bulge = d * (total - d) / (2 * earth_factor * _EARTH_RADIUS_M)
        line = low + (high - low) * d / total
        zone = first_zone_m(from_m=d, to_m=total - d, frequency_mhz=frequency_mhz)
        points.append(ClearancePoint(distance_m=d, ground_m=ground + bulge, line_m=line, clearance=(line - ground - bulge) / zone))
    worst = min(points, key=lambda p: p.clearance)
    every = max(1, len(points) // 400)
    return Clearance(points=tuple(p for i, p in enumerate(points) if i % every == 0 or p is worst), worst=worst, frequency_mhz=frequency_mhz)


def finding(data: Clearance) -> str:
    """Return what the worst place on the path means."""
    w = data.worst
    where = f"at {_distance(w.distance_m)}"
    if w.clearance >= CRITERION:
        return f"The path is clear: {where}, where it is tightest, {number(w.clearance, 1)} radii are free."
    if w.clearance > 0:
        return f"Sight, but not clear: {where} only {number(w.clearance, 1)} of the first Fresnel radius is free; 0.6 is the usual criterion."
    return f"No sight: {where} the ground stands {number(w.ground_m - w.line_m, 1)}{NBSP}m above the line."


def _distance(metres: float) -> str:
    return f"{metres:.0f}{NBSP}m" if metres < 2000 else f"{metres / 1000:.1f}{NBSP}km"


def table(data: Clearance) -> Table:
    """Return the tightest places as a table."""
    tight = sorted(data.points, key=lambda p: p.clearance)[:8]
    rows = [row(_distance(p.distance_m), number(p.clearance, 2), f"{number(p.line_m - p.ground_m, 1)}{NBSP}m") for p in sorted(tight, key=lambda p: p.distance_m)]
    return Table(caption=said("The tightest places"), heads=("From the site", "First Fresnel radii free", "Line above ground"), rows=tuple(rows), numeric=(1, 2))


def draw(data: Clearance) -> Drawing:
    """Return the drawing in both layouts."""
    text = f"Clearance along the path in first Fresnel radii at {data.frequency_mhz:.0f} MHz, and the ground under it. {finding(data)}"
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def _one(data: Clearance, *, label: str, wide: bool) -> str:
    width = WIDE if wide else SLIM
    upper, lower = (110, 110) if wide else (100, 90)
    g = Canvas(wide=wide, height=upper + lower + 100, label=label)
    x0, x1, y0 = 46.0, width - 8.0, 26.0
    total = data.points[-1].distance_m + data.points[0].distance_m
    ceiling = min(max([2.0, *(p.clearance for p in data.points)]), 6.0)
    floor = max(min(-0.4, data.worst.clearance - 0.3), -4.0)

    def x(d: float) -> float:
        return x0 + d / total * (x1 - x0)

    def y(c: float) -> float:
        return y0 + upper - (min(max(c, floor), ceiling) - floor) / (ceiling - floor) * upper

    g.text(0, 13, "free radii of the first Fresnel zone", "q")
    g.rect(x0, y(CRITERION), x1 - x0, y(floor) - y(CRITERION), "zone")
    written: list[float] = []
    for v in (CRITERION, 0.0, *(float(k) for k in range(1, int(ceiling) + 1, 1 if ceiling <= 3 else 2))):
        g.line(x0, y(v), x1, y(v), "axis" if v == 0 else "grid")
        if all(abs(y(v) - other) >= 17 for other in written):
            g.text(x0 - 6, y(v) + 5, f"{v:g}", "q", "end")
            written.append(y(v))
    g.path([(x(p.distance_m), y(p.clearance)) for p in data.points], "l2")
    g.mark(x(data.worst.distance_m), y(data.worst.clearance), 2, 5)
    side = "end" if x(data.worst.distance_m) > width - 150 else "start"
    shift = -10 if side == "end" else 10
    g.text(x(data.worst.distance_m) + shift, y(data.worst.clearance) + (18 if data.worst.clearance > 1 else -8), f"{number(data.worst.clearance, 1)} at {_distance(data.worst.distance_m)}", "strong halo", side)
    base = y0 + upper + 40 + lower
    heights = [v for p in data.points for v in (p.ground_m, p.line_m)]
    bottom, top = min(heights) - 4, max(heights) + 4

    def z(h: float) -> float:
        return base - (h - bottom) / (top - bottom) * lower

    g.text(0, base - lower - 10, "ground and line, m above sea level", "q")
    for v in _round_heights(bottom, top):
        g.line(x0, z(v), x1, z(v), "grid")
        g.text(x0 - 6, z(v) + 5, f"{v:g}", "q", "end")
    g.path([(x(p.distance_m), z(p.ground_m)) for p in data.points] + [(x(data.points[-1].distance_m), base), (x(data.points[0].distance_m), base)], "ground", closed=True)
    g.path([(x(p.distance_m), z(p.line_m)) for p in data.points], "l2")
    g.line(x0, base, x1, base, "axis")
    step = _round_step(total, 6 if wide else 3)
    for k in range(int(total / step) + 1):
        g.line(x(k * step), base, x(k * step), base + 6)
        if x(k * step) < x1 - 40:
            g.text(x(k * step), base + 22, f"{k * step / 1000:g}" if total >= 2000 else f"{k * step:g}", "q", "middle")
    g.text(x1, base + 22, "km" if total >= 2000 else "m", "q", "end")
    return g.svg()


def _round_step(span: float, most: int) -> float:
    for base in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000):
        if span / base <= most:
            return float(base)
    return span / most


def _round_heights(low: float, high: float) -> list[float]:
    step = _round_step(high - low, 4)
    first = math.ceil(low / step)
    return [k * step for k in range(first, int(high / step) + 1)]

"""The plan: the site, the ways to masts over shaded ground, or the area where a mast can be. North up, never a pin for a guess.

The ground is a grey picture inside the drawing, so nothing is fetched; everything else is drawn over it. Each layout has its own section of
the ground, because a plan that is shrunk cannot be read.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bandwright.telling.charts.svg import SLIM, WIDE, Canvas, wrapped
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.numbers import NBSP
from bandwright.telling.said import said

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Area", "Ground", "Plan", "Way", "distance_text", "draw", "finding", "grey_png", "plan", "table"]

_HEIGHT = {True: 500.0, False: 330.0}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """Light 0..1 by rows from north (NaN not known), and the edges in m east and north of the site. light None: no ground is known."""

    light: NDArray[np.float64] | None
    west_m: float
    south_m: float
    east_m: float
    north_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way to a mast. guessed: its end is not a known place. first: the one worth trying first. edge_m: distance of the edge that blocks, or None."""

    label: str
    azimuth_deg: float
    distance_m: float
    guessed: bool = False
    first: bool = False
    edge_m: float | None = None
    compass_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """Where a mast can be: (azimuth from, to, range from, to) of its cells, and the probability within."""

    cells: tuple[tuple[float, float, float, float], ...]
    level: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """What the plan shows. beam_deg: width of the antenna's beam round the first way. rings_m: distances by timing advance."""

    ways: tuple[Way, ...]
    wide: Ground
    slim: Ground
    area: Area | None = None
    rings_m: tuple[float, ...] = ()
    beam_deg: float | None = None


def plan(ways: Sequence[Way], *, wide: Ground | None, slim: Ground | None, area: Area | None = None, rings_m: Sequence[float] = (), beam_deg: float | None = None) -> Plan | None:
    """Return the plan as plain data, or None where neither way nor area is known. Without ground the section is cut round what is known."""
    if not ways and area is None:
        return None
    far = max([w.distance_m for w in ways] + [c[3] for c in (area.cells if area else ())])

    def bare(aspect: float) -> Ground:
        half = 1.2 * far
        return Ground(light=None, west_m=-half * max(aspect, 1.0), east_m=half * max(aspect, 1.0), south_m=-half * max(1.0 / aspect, 1.0), north_m=half * max(1.0 / aspect, 1.0))

    return Plan(ways=tuple(ways), wide=wide or bare(WIDE / _HEIGHT[True]), slim=slim or bare(SLIM / _HEIGHT[False]), area=area, rings_m=tuple(rings_m), beam_deg=beam_deg)


def finding(data: Plan) -> str:
    """Return which heading to try first, or how well the mast's place is known."""
    first = next((w for w in data.ways if w.first), None)
    if first is None:
        return "Where the mast can be."
    if first.guessed:
        return f"Start at {first.azimuth_deg:.0f}° true: the likeliest direction, not a known mast."
    return f"One heading is worth trying first: {first.azimuth_deg:.0f}° true."


def table(data: Plan) -> Table:
    """Return the ways as a table."""
    rows = [row(w.label, f"{w.azimuth_deg:.0f}°", "not known" if w.compass_deg is None else f"{w.compass_deg:.0f}°", distance_text(w.distance_m)) for w in data.ways]
    return Table(caption=said("Ways from the site"), heads=("To", "True heading", "By compass", "Distance"), rows=tuple(rows), numeric=(1, 2, 3))


def draw(data: Plan) -> Drawing:
    """Return the plan in both layouts."""
    ways = "; ".join(f"{w.label} at {w.azimuth_deg:.0f}° true, {distance_text(w.distance_m)}" for w in data.ways)
    where = f" Shaded: the area that holds the mast with {round(100 * data.area.level)} in 100." if data.area else ""
    text = f"Plan, north up, from the site: {ways}.{where}"
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def distance_text(metres: float) -> str:
    """Return "840 m" or "6.8 km"."""
    return f"{metres:.0f}{NBSP}m" if metres < 1000 else f"{metres / 1000:.1f}{NBSP}km"


def grey_png(light: NDArray[np.float64]) -> bytes:
    """Return a grey picture of light 0..1 (flat ground near white, so that words stay legible), transparent where it is not known. Source: PNG 1.2, grey with alpha."""
    import numpy as np

    known = np.isfinite(light)
    level = np.where(known, np.nan_to_num(light, nan=1.0), 1.0)
    grey = np.clip(182.0 + 96.0 * level, 0.0, 255.0).astype(np.uint8)  # flat ground, sin 45°, is 249
    rows, columns = light.shape
    octets = np.zeros((rows, 1 + 2 * columns), dtype=np.uint8)
    octets[:, 1::2], octets[:, 2::2] = grey, np.where(known, 255, 0).astype(np.uint8)

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, 4, 0, 0, 0)) + chunk(b"IDAT", zlib.compress(octets.tobytes(), 6)) + chunk(b"IEND", b"")


class _View:
    """From metres round the site to units of the drawing."""

    def __init__(self, ground: Ground, width: float, height: float) -> None:
        self.scale = width / (ground.east_m - ground.west_m)
        self._ground = ground
        self.width, self.height = width, height

    def at(self, azimuth_deg: float, distance_m: float) -> tuple[float, float]:
        """Place a direction and a distance."""
        a = math.radians(azimuth_deg)
        return (distance_m * math.sin(a) - self._ground.west_m) * self.scale, (self._ground.north_m - distance_m * math.cos(a)) * self.scale

    def within(self, x: float, y: float) -> bool:
        """Whether a place lies inside, with some room for a mark."""
        return 6 <= x <= self.width - 6 and 6 <= y <= self.height - 6


def _one(data: Plan, *, label: str, wide: bool) -> str:
    ground, width, height = (data.wide if wide else data.slim), float(WIDE if wide else SLIM), _HEIGHT[wide]
    g, view = Canvas(wide=wide, height=height, label=label), _View(ground, width, height)
    clip = "plan-wide" if wide else "plan-slim"
    g.raw(f'<clipPath id="{clip}"><rect width="{width:.0f}" height="{height:.0f}"/></clipPath><g clip-path="url(#{clip})">')
    if ground.light is not None:
        png = base64.b64encode(grey_png(ground.light)).decode()
        g.raw(f'<image width="{width:.0f}" height="{height:.0f}" preserveAspectRatio="none" href="data:image/png;base64,{png}"/>')
    far = max(math.hypot(x, y) for x in (ground.west_m, ground.east_m) for y in (ground.south_m, ground.north_m))
    step = _round_step(far, 5 if wide else 4)
    ring_labels: list[tuple[float, float, str]] = []
    for k in range(1, math.ceil(far / step) + 1):
        g.path([view.at(a, k * step) for a in range(0, 361, 3)], "lead", closed=True, dashed="1 4")
        ring_labels.append((k * step, step, distance_text(k * step) if step < 1000 else f"{k * step / 1000:g}{NBSP}km"))
    first = next((w for w in data.ways if w.first), None)
    if first is not None and data.beam_deg is not None and not first.guessed:
        reach, half = 2.0 * far, data.beam_deg / 2.0
        wedge = [view.at(0, 0), *(view.at(first.azimuth_deg + half * (k / 6.0 - 1.0), reach) for k in range(13))]
        g.raw('<g opacity=".55">')
        g.path(wedge, "soft2", closed=True)
        g.raw("</g>")
    if data.area is not None:
        g.raw('<g opacity=".5">')
        for a0, a1, r0, r1 in data.area.cells:
            g.path([view.at(a0, r0), view.at(a0, r1), view.at(a1, r1), view.at(a1, r0)], "f2", closed=True)
        g.raw("</g>")
    for ring in data.rings_m:
        g.path([view.at(a, ring) for a in range(0, 361, 3)], "l2", closed=True, dashed="6 4")
    for way in data.ways:
        x, y = view.at(way.azimuth_deg, way.distance_m)
        g.line(*view.at(0, 0), x, y, "l2" if way.first else "axis", dashed="5 4" if way.guessed or not way.first else "")
        if way.edge_m is not None:
            g.line(*_across(view, way.azimuth_deg, way.edge_m), "axis", width=4)
    g.raw("</g>")
    taken = _words_of_ways(g, data, view)
    _ring_words(g, view, ring_labels, data, taken)
    g.raw(f'<path d="M18 46V16M11 24L18 14L25 24" class="axis"/><rect width="{width:.0f}" height="{height:.0f}" class="grid"/>')
    g.text(30, 28, "N", "strong halo")
    return g.svg()


def _across(view: _View, azimuth_deg: float, distance_m: float) -> tuple[float, float, float, float]:
    """A short stroke across a way, 9 units either side."""
    x, y = view.at(azimuth_deg, distance_m)
    a = math.radians(azimuth_deg)
    return x - 9 * math.cos(a), y - 9 * math.sin(a), x + 9 * math.cos(a), y + 9 * math.sin(a)


_Box = tuple[float, float, float, float]


def _words_of_ways(g: Canvas, data: Plan, view: _View) -> list[_Box]:
    """Put the site and the ends of ways with their words, each where nothing stands yet. Returns the boxes that are taken, the north arrow's first."""
    taken: list[_Box] = [(0, 0, 50, 50)]
    x0, y0 = view.at(0, 0)
    g.raw(f'<circle cx="{x0:.1f}" cy="{y0:.1f}" r="6" class="hollow4" style="stroke:var(--ink);stroke-width:2.5px"/>')
    taken.append((x0 - 8, y0 - 8, x0 + 8, y0 + 8))
    _put(g, view, taken, x0, y0, ["the site"])
    for way in sorted(data.ways, key=lambda w: not w.first):
        x, y = view.at(way.azimuth_deg, way.distance_m)
        if not view.within(x, y):
            continue
        if not way.guessed:
            g.raw(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" class="bar"/>')
        taken.append((x - 6, y - 6, x + 6, y + 6))
        _put(g, view, taken, x, y, ["likeliest here"] if way.guessed else [*wrapped(way.label, 18), f"{way.azimuth_deg:.0f}° true, {distance_text(way.distance_m)}"])
    return taken


def _put(g: Canvas, view: _View, taken: list[_Box], x: float, y: float, words: list[str]) -> None:
    wide, high = max(len(w) for w in words) * 9.6, 17.0 * len(words)
    for left, top in ((x + 11, y - high / 2), (x - 11 - wide, y - high / 2), (x - wide / 2, y - 11 - high), (x - wide / 2, y + 11), (x + 11, y + 11), (x - 11 - wide, y + 11), (x + 11, y - 11 - high), (x - 11 - wide, y - 11 - high)):
        box = (left, top, left + wide, top + high)
        if left >= 2 and left + wide <= view.width - 2 and top >= 2 and top + high <= view.height - 4 and not any(_meet(box, other) for other in taken):
            taken.append(box)
            g.lines(left + wide / 2, top + 13, words, "strong halo", "middle")
            return


def _ring_words(g: Canvas, view: _View, rings: list[tuple[float, float, str]], data: Plan, taken: list[_Box]) -> None:
    """Name each ring once, where nothing else stands and away from the ways."""
    for distance, _, words in rings:
        wide = len(words) * 9.0
        for azimuth in (90, 120, 60, 150, 30, 180, 0, 210, 240, 270, 300, 330):
            if any(abs((azimuth - w.azimuth_deg + 180) % 360 - 180) < 12 for w in data.ways):
                continue
            x, y = view.at(azimuth, distance)
            box = (x - wide / 2, y - 10, x + wide / 2, y + 6)
            if box[0] >= 4 and box[2] <= view.width - 4 and box[1] >= 4 and box[3] <= view.height - 4 and not any(_meet(box, other) for other in taken):
                taken.append(box)
                g.text(x, y + 5, words, "halo", "middle")
                break


def _meet(a: _Box, b: _Box) -> bool:
    return min(a[2], b[2]) > max(a[0], b[0]) and min(a[3], b[3]) > max(a[1], b[1])


def _round_step(span: float, most: int) -> float:
    for base in (50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000):
        if span / base <= most:
            return float(base)
    return span / most

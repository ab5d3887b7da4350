"""What each metre of height brings: the change of level against a lower height, as a band, with the heights that are declared marked.

The lower edge is what the terrain alone brings or less, the upper what terrain and surroundings bring together or more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.telling.charts.svg import SLIM, WIDE, Canvas, wrapped
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.numbers import NBSP, number, ranged
from bandwright.telling.said import said

__all__ = ["HeightMark", "HeightRow", "Heights", "draw", "finding", "heights", "table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightRow:
    """One height above ground: change in dB against the lowest one, as terrain alone says, and its range."""

    height_m: float
    terrain_db: float
    low_db: float
    high_db: float

    @property
    def middle_db(self) -> float:
        """The middle of the range."""
        return (self.low_db + self.high_db) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightMark:
    """A height with a name."""

    height_m: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Heights:
    """All rows by height, and the heights that have a name."""

    rows: tuple[HeightRow, ...]
    marks: tuple[HeightMark, ...]


def heights(rows: Sequence[HeightRow], *, marks: Sequence[HeightMark] = ()) -> Heights | None:
    """Return heights as plain data, or None for fewer than three. Marks outside the rows are left out."""
    if len(rows) < 3:
        return None
    ordered = tuple(sorted(rows, key=lambda r: r.height_m))
    within = tuple(m for m in marks if ordered[0].height_m <= m.height_m <= ordered[-1].height_m)
    return Heights(rows=ordered, marks=within)


def finding(data: Heights) -> str:
    """Return what going up brings, per metre and in all; "hardly anything" where the range holds zero."""
    first, last = data.rows[0], data.rows[-1]
    best = next((m for m in data.marks if m.height_m > first.height_m), None)
    top = _at(data, best.height_m) if best is not None else last
    metres = top.height_m - first.height_m
    between = f"From {first.height_m:g} to {top.height_m:g}{NBSP}m"
    if top.middle_db < 1.0:
        return f"{between} hardly anything changes."
    doubt = "; it may bring nothing" if top.low_db <= 0.0 else ""
    return f"{between} each metre brings about {number(top.middle_db / metres, 1)}{NBSP}dB, {ranged(top.low_db, top.high_db, 'dB')} in all{doubt}."


def table(data: Heights) -> Table:
    """Return whole metres and named heights as a table."""
    names = {m.height_m: m.label for m in data.marks}
    chosen = [r for r in data.rows if r.height_m == round(r.height_m) or r.height_m in names]
    rows = [row(f"{r.height_m:g}{NBSP}m" + (f", {names[r.height_m]}" if r.height_m in names else ""), number(r.terrain_db, 1) + NBSP + "dB", ranged(r.low_db, r.high_db, "dB", 1)) for r in chosen]
    return Table(caption=said("Change of level with height"), heads=("Height of the antenna", "Terrain alone", "Range"), rows=tuple(rows), numeric=(1, 2))


def draw(data: Heights) -> Drawing:
    """Return the chart in both layouts."""
    text = f"Change of level with the height of the antenna. {finding(data)}"
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def _at(data: Heights, height_m: float) -> HeightRow:
    return min(data.rows, key=lambda r: abs(r.height_m - height_m))


def _one(data: Heights, *, label: str, wide: bool) -> str:
    width, tall = float(WIDE if wide else SLIM), 190.0 if wide else 170.0
    g = Canvas(wide=wide, height=tall + 58, label=label)
    x0, x1, y0 = 46.0, width - 14.0, 26.0
    low_m, high_m = data.rows[0].height_m, data.rows[-1].height_m
    low = min(0.0, *(r.low_db for r in data.rows))
    high = max(5.0, *(r.high_db for r in data.rows))
    step = next(s for s in (2, 5, 10, 20, 50) if (high - low) / s <= 5.5)
    low, high = step * math.floor(low / step), step * math.ceil(high / step)

    def x(m: float) -> float:
        return x0 + (m - low_m) / (high_m - low_m) * (x1 - x0)

    def y(db: float) -> float:
        return y0 + tall - (db - low) / (high - low) * tall

    g.text(0, 13, f"dB, against {low_m:g}{NBSP}m", "q")
    for k in range(round((high - low) / step) + 1):
        v = low + k * step
        g.line(x0, y(v), x1, y(v), "axis" if v == 0 else "grid")
        g.text(x0 - 6, y(v) + 5, ("+" if v > 0 else "") + number(v), "q", "end")
    g.path([(x(r.height_m), y(r.high_db)) for r in data.rows] + [(x(r.height_m), y(r.low_db)) for r in reversed(data.rows)], "soft2", closed=True)
    g.path([(x(r.height_m), y(r.middle_db)) for r in data.rows], "l2")
    base = y0 + tall
    g.line(x0, base, x1, base, "axis")
    unit = 2 if wide or high_m - low_m < 8 else 4
    for m in range(math.ceil(low_m / unit) * unit, int(high_m) + 1, unit):
        g.line(x(m), base, x(m), base + 6)
        if x(m) < x1 - 34:
            g.text(x(m), base + 22, f"{m}", "q", "middle")
    g.text(x1, base + 22, f"{number(high_m)}{NBSP}m", "q", "end")
    for mark in data.marks:
        at = _at(data, mark.height_m)
        g.line(x(at.height_m), y(at.low_db), x(at.height_m), y(at.high_db), "l2", width=6)
        g.mark(x(at.height_m), y(at.middle_db), 2, 5)
        words = wrapped(f"{mark.label}, {ranged(at.low_db, at.high_db, 'dB')}", (width - x0 - 8) / 9.6)  # bold words of the widest fonts
        start = min(x(at.height_m) + 10, width - 9.6 * max(len(line) for line in words))
        g.lines(max(x0 + 4, start), max(y(at.high_db) - 8 - 17 * (len(words) - 1), y0 + 12), words, "strong halo")
    return g.svg()

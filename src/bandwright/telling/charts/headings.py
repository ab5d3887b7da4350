"""Headings that were marked on the way round, with the fitted curve and the heading it says is best.

A plan seen from above, north up: the longer a line, the stronger the level. Drawn directly, because a compass is no grammar's axis; one
drawing serves both widths, since a circle does not stretch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.telling.charts.svg import Canvas
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.numbers import NBSP, number
from bandwright.telling.said import said

__all__ = ["Heading", "Headings", "draw", "finding", "headings", "table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """One heading that was marked: true degrees, level in dB or dBm, noise as sd in dB."""

    azimuth_deg: float
    level_db: float
    noise_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Headings:
    """What was marked, the fitted curve (azimuth, low, middle, high), the best heading with its range, the one now, the one next."""

    marks: tuple[Heading, ...]
    curve: tuple[tuple[float, float, float, float], ...]
    best_deg: tuple[float, float, float] | None
    unit: str
    now_deg: float | None = None
    next_deg: float | None = None


def headings(marks: Sequence[Heading], *, curve: Sequence[tuple[float, float, float, float]] = (), best_deg: tuple[float, float, float] | None = None, unit: str = "dBm", next_deg: float | None = None) -> Headings | None:
    """Return marked headings as plain data, or None where none is marked."""
    if not marks:
        return None
    return Headings(marks=tuple(marks), curve=tuple(curve), best_deg=best_deg, unit=unit, now_deg=marks[-1].azimuth_deg, next_deg=next_deg)


def finding(data: Headings) -> str:
    """Return the best heading so far, as a range."""
    if data.best_deg is not None:
        low, _, high = data.best_deg
        return f"Best between {low:.0f}° and {high:.0f}° true, by the fit."
    best = max(data.marks, key=lambda m: m.level_db)
    return f"Strongest so far at {best.azimuth_deg:.0f}° true; too few headings for a fit."


def table(data: Headings) -> Table:
    """Return the marked headings as a table."""
    rows = [row(f"{m.azimuth_deg:.0f}°", number(m.level_db, 1) + NBSP + data.unit, f"±{m.noise_db:.1f}{NBSP}dB") for m in sorted(data.marks, key=lambda m: m.azimuth_deg)]
    return Table(caption=said("Headings marked"), heads=("True heading", "Level", "Noise"), rows=tuple(rows), numeric=(1, 2))


def draw(data: Headings) -> Drawing:
    """Return the plan; the same drawing in both layouts."""
    facts = ", ".join(f"{m.azimuth_deg:.0f}° {number(m.level_db, 1)} {data.unit}" for m in data.marks)
    text = f"Plan, north up. Marked headings: {facts}. {finding(data)}"
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def _one(data: Headings, *, label: str, wide: bool) -> str:
    size = 420 if wide else 288
    g = Canvas(wide=wide, width=size, height=size, label=label)
    centre, reach = size / 2, size / 2 - 44
    levels = [m.level_db for m in data.marks] + [v for _, *band in data.curve for v in band]
    high, low = max(levels), min(levels)
    low = min(low, high - 12.0)

    def radius(db: float) -> float:
        return reach * (0.12 + 0.88 * (db - low) / (high - low))

    def at(azimuth: float, r: float) -> tuple[float, float]:
        a = math.radians(azimuth)
        return centre + r * math.sin(a), centre - r * math.cos(a)

    for fraction in (0.5, 1.0):
        g.path([at(a, reach * fraction) for a in range(0, 361, 3)], "grid", closed=True)
    for azimuth in range(0, 360, 10):
        g.line(*at(azimuth, reach), *at(azimuth, reach + (8 if azimuth % 30 == 0 else 4)))
    for azimuth, words in ((0, "N"), (90, "90°"), (180, "180°"), (270, "270°")):
        x, y = at(azimuth, reach + 25)
        g.text(x, y + 5, words, "strong" if azimuth == 0 else "q", "middle")
    if data.curve:
        g.path([at(a, radius(h)) for a, _, _, h in data.curve] + [at(a, radius(lo)) for a, lo, _, _ in reversed(data.curve)], "soft2", closed=True)
        g.path([at(a, radius(m)) for a, _, m, _ in data.curve], "l2")
    if data.best_deg is not None:
        a, _, b = data.best_deg
        steps = max(2, round(b - a))
        g.path([at(a + (b - a) * k / steps, reach + 2) for k in range(steps + 1)], "l2", width=7)
    for m in data.marks:
        current = m.azimuth_deg == data.now_deg
        x, y = at(m.azimuth_deg, radius(m.level_db))
        g.line(*at(m.azimuth_deg, 9), x, y, "axis" if current else "tick", width=2.5 if current else None)
        g.raw(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{6.5 if current else 4}" class="{"bar" if current else "hollow4"}"/>')
    if data.next_deg is not None:
        g.line(*at(data.next_deg, 12), *at(data.next_deg, reach), "axis", dashed="5 4")
    g.rect(centre - 5, centre - 5, 10, 10, "bar")
    return g.svg()

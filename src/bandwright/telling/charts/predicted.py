"""What was foreseen against what was measured: bands on one rule, and every test as a stroke.

Drawn directly: it is the band on a rule again, once for each row.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.telling.charts.svg import SLIM, WIDE, Canvas
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.numbers import NBSP, number, ranged
from bandwright.telling.said import said
from bandwright.words.answers import Forecast

__all__ = ["Foreseen", "PredictedRow", "draw", "finding", "foreseen", "table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedRow:
    """One rate: the range foreseen, the most the standard allows where known, and the tests."""

    name: str
    low: float
    middle: float
    high: float
    ceiling: float | None
    tests: tuple[float, ...]
    asked: float | None = None  # what the needs ask at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """All rows on one scale, in Mbit/s. level: share of tests that each range is meant to hold."""

    rows: tuple[PredictedRow, ...]
    level: float
    mark: int = 2


def foreseen(forecasts: Sequence[Forecast], *, down_mbps: Sequence[float] = (), up_mbps: Sequence[float] = (), asked_down: float | None = None, asked_up: float | None = None, mark: int = 2) -> Foreseen | None:
    """Return forecasts of the rates in sum beside the tests, or None where nothing was foreseen."""
    tests = {"goodput_down_mbps": ("Down", tuple(down_mbps), asked_down), "goodput_up_mbps": ("Up", tuple(up_mbps), asked_up)}
    rows = [
        PredictedRow(name=tests[f.quantity][0], low=f.low, middle=f.median, high=f.high, ceiling=f.ceiling, tests=tests[f.quantity][1], asked=tests[f.quantity][2])
        for f in forecasts
        if not f.of and f.quantity in tests
    ]
    return Foreseen(rows=tuple(rows), level=forecasts[0].level, mark=mark) if rows else None


def finding(data: Foreseen) -> str:
    """Return whether the tests fell where they were foreseen."""
    words = []
    for r in data.rows:
        if r.tests:
            inside = sum(r.low <= t <= r.high for t in r.tests)
            if len(r.tests) == 1:
                where = "within" if inside else "below" if r.tests[0] < r.low else "above"
                words.append(f"{r.name}: {number(r.tests[0], 0 if r.tests[0] >= 10 else 1)}{NBSP}Mbit/s, {where} what the reading foresaw")
            else:
                words.append(f"{r.name}: {inside} of {len(r.tests)} tests fell within what the reading foresaw")
    return ". ".join(words) + "." if words else "Foreseen from the reading; not yet measured."


def table(data: Foreseen) -> Table:
    """Return the same facts as a table."""
    rows = [row(r.name, ranged(r.low, r.high, "Mbit/s", 0 if r.high >= 10 else 1), number(sorted(r.tests)[len(r.tests) // 2], 1) if r.tests else "none", str(len(r.tests))) for r in data.rows]
    return Table(caption=said("Foreseen and measured"), heads=("Direction", "Foreseen", "Measured, middle", "Tests"), rows=tuple(rows), numeric=(1, 2, 3))


def draw(data: Foreseen) -> Drawing:
    """Return the drawing in both layouts."""
    facts = "; ".join(f"{r.name}: foreseen {ranged(r.low, r.high)} Mbit/s" + (f", {len(r.tests)} tests with a middle of {number(sorted(r.tests)[len(r.tests) // 2], 1)}" if r.tests else "") for r in data.rows)
    text = f"Rates foreseen from the reading and measured. {facts}."
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def _one(data: Foreseen, *, label: str, wide: bool) -> str:
    width, step = (WIDE, 62) if wide else (SLIM, 84)
    bottom = 10 + step * len(data.rows)
    g = Canvas(wide=wide, height=bottom + 34, label=label)
    x0, x1 = (70.0 if wide else 6.0), width - 14.0
    top = max(v for r in data.rows for v in (r.high, *r.tests, r.ceiling or 0.0, r.asked or 0.0)) * 1.06
    tick = _tick(top, 8 if wide else 4)

    def x(v: float) -> float:
        return x0 + min(v, top) / top * (x1 - x0)

    last = math.floor(top / tick)
    for k in range(last + 1):
        g.line(x(k * tick), 6, x(k * tick), bottom, "grid")
    for i, r in enumerate(data.rows):
        y = 10 + i * step + (26 if wide else 48)
        g.text(0, y + 5 if wide else y - 22, r.name, "strong" if wide else "strong halo")
        if r.ceiling:
            g.rect(x(0), y - 9, x(r.ceiling) - x(0), 18, "ghost")
        g.rect(x(r.low), y - 9, x(r.high) - x(r.low), 18, f"soft{data.mark}")
        g.line(x(r.middle), y - 12, x(r.middle), y + 12, "axis", width=3)
        for t in r.tests[-400:]:
            g.line(x(t), y - 9, x(t), y + 9, f"l{data.mark}", width=1.6)
        if r.asked:
            g.line(x(r.asked), y - 15, x(r.asked), y + 15, "axis", dashed="3 2")
        words = ranged(r.low, r.high, decimals=0 if r.high >= 10 else 1)
        near = [t for t in r.tests if x(r.high) < x(t) < x(r.high) + 9 * len(words) + 14]
        after = max([r.high, *near])
        if x1 - x(after) > 9 * len(words):
            g.text(x(after) + 8, y + 5, words, "strong halo")
        else:
            g.text(x1, y - 17 if wide else y - 22, words, "strong halo", "end")
    g.line(x0, bottom, x1, bottom, "axis")
    for k in range(last + 1):
        g.line(x(k * tick), bottom, x(k * tick), bottom + 7)
        if x(k * tick) < x1 - 66:
            g.text(x(k * tick), bottom + 24, f"{k * tick:g}", "q", "middle" if k or wide else "start")
    g.text(x1, bottom + 24, "Mbit/s", "q", "end")
    return g.svg()


def _tick(top: float, most: int) -> float:
    for base in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000):
        if top / base <= most:
            return float(base)
    return top / most

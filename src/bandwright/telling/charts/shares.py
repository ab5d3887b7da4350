"""The share of tests that met a need, as a band on a rule from 0 to 100; and the interval of a share from counts.

Drawn directly: the band on a rule is the house's own figure, and its labels must keep clear of each other at both widths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from bandwright.telling.charts.svg import Canvas, wrapped
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.numbers import of_hundred
from bandwright.telling.said import said
from bandwright.words.answers import Estimate

__all__ = ["CLUSTERING", "ShareBand", "draw", "finding", "share_band", "share_of", "table"]

CLUSTERING = 1.6  # tests stand in sessions, so they count for less than as many independent ones; as in the trial's own shares
_Z90 = 1.6448536269514722


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareBand:
    """One band on the rule, of 100 tests; and below it a second: how it was (hollow), or how it could be (pale)."""

    need: str
    low: int
    middle: int
    high: int
    mark: int
    other: tuple[int, int, int] | None = None
    other_mark: int = 4
    other_label: str = ""
    other_is: Literal["before", "could be"] = "before"


def share_of(met: int, tests: int) -> Estimate:
    """Return the share of tests that met a need with its 90 % interval, from counts. tests > 0.

    Raises ValueError where met lies outside 0..tests or tests is not positive.
    Source: E. B. Wilson (1927), score interval, with the number of tests divided by CLUSTERING.
    """
    if tests <= 0 or not 0 <= met <= tests:
        msg = f"met={met} of tests={tests} is no share"
        raise ValueError(msg)
    n, p = tests / CLUSTERING, met / tests
    centre = (p + _Z90**2 / (2 * n)) / (1 + _Z90**2 / n)
    half = _Z90 / (1 + _Z90**2 / n) * math.sqrt(p * (1 - p) / n + _Z90**2 / (4 * n * n))
    return Estimate(value=p, low=max(0.0, centre - half), high=min(1.0, centre + half), source="Wilson 1927")


def share_band(
    need: str, now: Estimate, *, mark: int, other: Estimate | None = None, other_mark: int = 4, other_label: str = "", other_is: Literal["before", "could be"] = "before"
) -> ShareBand:
    """Return the band of a share 0..1, with whole counts of 100, rounded outwards."""

    def three(e: Estimate) -> tuple[int, int, int]:
        return max(0, math.floor(100 * e.low + 1e-9)), of_hundred(e.value), min(100, math.ceil(100 * e.high - 1e-9))

    low, middle, high = three(now)
    return ShareBand(need=need, low=low, middle=middle, high=high, mark=mark, other=three(other) if other else None, other_mark=other_mark, other_label=other_label, other_is=other_is)


def finding(band: ShareBand) -> str:
    """Return the band in one sentence."""
    return f"{band.need}: met in {band.low} to {band.high} of 100 tests."


def table(band: ShareBand) -> Table:
    """Return the same facts as a table."""
    rows = [row("now", f"{band.low} to {band.high}", str(band.middle))]
    if band.other:
        rows.append(row(band.other_label or band.other_is, f"{band.other[0]} to {band.other[2]}", str(band.other[1])))
    return Table(caption=said(f"{band.need}, met of 100 tests"), heads=("When", "Nine times in ten", "Seen"), rows=tuple(rows), numeric=(1, 2))


def draw(band: ShareBand) -> Drawing:
    """Return the band on its rule, in both layouts."""
    text = f"{band.need}: {band.low} to {band.high} of 100 tests"
    if band.other:
        text += f"; {band.other_label}: {band.other[0]} to {band.other[2]}"
    return Drawing(wide=_one(band, label=text, wide=True), slim=_one(band, label=text, wide=False), text=text)


def _one(band: ShareBand, *, label: str, wide: bool) -> str:
    width = 336 if wide else 288
    y, x0, x1 = 26.0, 14.0, width - 32.0
    below = _label_below(band, width, x0, x1)
    g = Canvas(wide=wide, width=width, height=(56 if band.other else 40) + 17 * len(below), label=label)

    def x(v: float) -> float:
        return x0 + v * (x1 - x0) / 100

    g.line(x(0), y, x(100), y, "axis")
    for v in range(0, 101, 5):
        g.line(x(v), y, x(v), y + (9 if v % 50 == 0 else 6 if v % 10 == 0 else 3))
    g.rect(x(band.low), y - 14, x(band.high) - x(band.low), 14, f"f{band.mark}")
    g.line(x(band.middle), y - 19, x(band.middle), y, "axis", width=3)
    after = x(max(band.high, band.middle)) + 5
    if x(band.low) > 34:
        g.text(x(band.low) - 5, y - 3, str(band.low), "strong", "end")
        g.text(after, y - 3, str(band.high), "strong")
    else:
        g.text(after, y - 3, f"{band.low} to {band.high}", "strong")
    g.text(0, y + 13, "0", "q")
    g.text(width, y + 13, "100", "q", "end")
    if band.other:
        a, m, b = band.other
        g.rect(x(a), y + 13, x(b) - x(a), 9, f"{'hollow' if band.other_is == 'before' else 'soft'}{band.other_mark}")
        g.line(x(m), y + 11, x(m), y + 24, f"l{band.other_mark}")
        left = a > 100 - b
        if below:
            g.lines(x1, y + 40, below, f"i{band.other_mark} halo", "end", 17)
        else:
            g.text(x(a) - 6 if left else x(b) + 6, y + 22, band.other_label, f"i{band.other_mark} halo", "end" if left else "start")
    return g.svg()


def _label_below(band: ShareBand, width: float, x0: float, x1: float) -> list[str]:
    """Return the other band's name in lines to stand below it, or nothing where it fits beside it."""
    if band.other is None:
        return []
    a, _, b = band.other
    room = (x0 + a * (x1 - x0) / 100 if a > 100 - b else width - x0 - b * (x1 - x0) / 100) - 6
    return [] if len(band.other_label) * 7.8 <= room else wrapped(band.other_label, (x1 - x0) / 7.8)

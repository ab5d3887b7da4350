"""The watch by day: the share of tests that met each need on every day, with its range, and the changes marked by letters.

Drawn directly: whiskers, pale bands and lettered changes are one figure, and no cell is coloured good or bad.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from bandwright.telling.charts.shares import share_of
from bandwright.telling.charts.svg import SLIM, WIDE, Canvas, wrapped
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.names import Names
from bandwright.telling.numbers import day_short, of_hundred_range
from bandwright.telling.said import said
from bandwright.words.answers import Estimate
from bandwright.words.campaign import Tested
from bandwright.words.site import Need

__all__ = ["Change", "DayCell", "DayPanel", "Days", "days", "draw", "finding", "table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Something that happened, marked by a letter."""

    letter: str
    at: datetime
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DayCell:
    """One day of one need. setup: the one tested most on that day."""

    day: date
    setup: str
    share: Estimate
    tests: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPanel:
    """One need: its days, and the pooled share of each stretch between changes (from, until, share, setup)."""

    need: str
    name: str
    cells: tuple[DayCell, ...]
    stretches: tuple[tuple[date, date, Estimate, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Days:
    """All panels on one calendar."""

    first: date
    last: date
    panels: tuple[DayPanel, ...]
    changes: tuple[Change, ...]
    marks: tuple[tuple[str, int], ...]
    timezone: str


def days(tests: Sequence[Tested], *, needs: Sequence[Need], names: Names, timezone: str, changes: Sequence[Change] = (), at_most_days: int = 60) -> Days | None:
    """Return shares by day as plain data, of the newest `at_most_days` days; None where nothing was tested."""
    zone = ZoneInfo(timezone)
    usable = [t for t in tests if t.score is not None and not t.ramping and t.met]
    if not usable:
        return None
    last = max(t.at for t in usable).astimezone(zone).date()
    oldest = last - timedelta(days=at_most_days - 1)
    counts: dict[tuple[str, date], dict[str, list[int]]] = defaultdict(lambda: defaultdict(lambda: [0, 0]))
    for test in usable:
        day = test.at.astimezone(zone).date()
        if day >= oldest:
            for key, met in test.met:
                count = counts[key, day][test.setup]
                count[0] += met
                count[1] += 1
    edges = sorted({c.at.astimezone(zone).date() for c in changes if oldest < c.at.astimezone(zone).date() <= last})
    first = min(day for _, day in counts)
    panels = []
    for need in needs:
        cells = []
        for day in sorted(d for n, d in counts if n == need.key):
            by_setup = counts[need.key, day]
            setup = max(by_setup, key=lambda k: by_setup[k][1])
            cells.append((day, setup, by_setup[setup][0], by_setup[setup][1]))
        if cells:
            panels.append(
                DayPanel(
                    need=need.key,
                    name=names.need(need.key),
                    cells=tuple(DayCell(day=d, setup=k, share=share_of(m, n), tests=n) for d, k, m, n in cells),
                    stretches=tuple(_stretches(cells, [first, *edges, last + timedelta(days=1)])),
                )
            )
    setups = dict.fromkeys(c.setup for p in panels for c in p.cells)
    return Days(first=first, last=last, panels=tuple(panels), changes=tuple(c for c in changes if c.at.astimezone(zone).date() >= first), marks=tuple((k, names.mark(k)) for k in setups), timezone=timezone)


def _stretches(cells: Sequence[tuple[date, str, int, int]], edges: Sequence[date]) -> list[tuple[date, date, Estimate, str]]:
    out = []
    for a, b in pairwise(edges):
        mine = [c for c in cells if a <= c[0] < b]
        if mine:
            out.append((a, b, share_of(sum(c[2] for c in mine), sum(c[3] for c in mine)), mine[-1][1]))
    return out


def finding(data: Days) -> str:
    """Return the need whose newest stretch differs most from the one before, or that none does."""
    for panel in data.panels:
        if len(panel.stretches) > 1:
            before, now = panel.stretches[-2][2], panel.stretches[-1][2]
            if now.high < before.low or now.low > before.high:
                word = "fell" if now.value < before.value else "rose"
                return f"{panel.name} {word}: from {of_hundred_range(before)} to {of_hundred_range(now)} of 100."
    return "No need has changed by more than its range."


def table(data: Days) -> Table:
    """Return the stretches as a table."""
    rows = [row(p.name, f"{day_short(a)} to {day_short(b - timedelta(days=1))}", f"{of_hundred_range(share)} of 100", str(sum(c.tests for c in p.cells if a <= c.day < b))) for p in data.panels for a, b, share, _ in p.stretches]
    return Table(caption=said("Met, of 100 tests, between changes"), heads=("Need", "Days", "Met", "Tests"), rows=tuple(rows), numeric=(2, 3))


def draw(data: Days) -> Drawing:
    """Return the drawing in both layouts."""
    facts = "; ".join(f"{p.name}: {of_hundred_range(p.stretches[-1][2])} of 100 lately" for p in data.panels if p.stretches)
    text = f"Share of tests that met each need by day, from {day_short(data.first)} to {day_short(data.last)}. {facts}."
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def _one(data: Days, *, label: str, wide: bool) -> str:
    width, height, gap, top = (WIDE, 74, 34, 34) if wide else (SLIM, 64, 34, 34)
    marks = dict(data.marks)
    names = [wrapped(panel.name, 62 if wide else 28) for panel in data.panels]
    above = [17.0 * (len(lines) - 1) for lines in names]
    g = Canvas(wide=wide, height=top + len(data.panels) * (height + gap) + sum(above) + 34, label=label)
    x0 = 34.0
    count = (data.last - data.first).days + 1
    per_day = (width - x0 - (76 if wide else 4)) / count
    zone = ZoneInfo(data.timezone)

    def x(day: date) -> float:
        return x0 + (day - data.first).days * per_day

    bottom = top + len(data.panels) * (height + gap) + sum(above) - gap + 26
    for k, panel in enumerate(data.panels):
        base = top + k * (height + gap) + sum(above[: k + 1]) + 14.0 + height

        def y(share: float, floor: float = base) -> float:
            return floor - share * height

        for v in (0.0, 0.5, 1.0):
            g.line(x0, y(v), x(data.last) + per_day, y(v), "grid" if v else "axis")
            g.text(x0 - 5, y(v) + 5, f"{100 * v:.0f}", "q", "end")
        g.lines(x0, y(1) - 7 - above[k], names[k], "strong halo")
        for a, b, share, setup in panel.stretches:
            m = marks.get(setup, 4)
            g.rect(x(a), y(share.high), x(b) - x(a), y(share.low) - y(share.high), f"soft{m}")
            g.line(x(a), y(share.value), x(b), y(share.value), f"l{m}", width=1.5)
        for c in panel.cells:
            m, middle = marks.get(c.setup, 4), x(c.day) + per_day / 2
            g.line(middle, y(c.share.low), middle, y(c.share.high), f"l{m}", width=2.5 if wide else 1.8)
            g.mark(middle, y(c.share.value), m, 3.8 if wide else 2.8)
        if wide and panel.stretches:
            share = panel.stretches[-1][2]
            g.text(x(data.last) + per_day + 8, y((share.low + share.high) / 2) + 5, of_hundred_range(share), "strong")
    for change in data.changes:
        at = x(change.at.astimezone(zone).date())
        g.line(at, top - 10, at, bottom, "axis", dashed="3 3")
        g.raw(f'<circle cx="{at:.1f}" cy="{top - 17}" r="{10 if wide else 8}" class="bar"/>')
        g.raw(f'<text x="{at:.1f}" y="{top - 12}" class="strong inverse" text-anchor="middle" >{change.letter[:1]}</text>')
    every = max(1, round(count / (9 if wide else 4)))
    for i in range(count):
        day = data.first + timedelta(days=i)
        g.line(x(day), bottom - 2, x(day), bottom + (8 if i % every == 0 else 3))
        if i % every == 0 and x(day) < width - 50:
            g.text(x(day), bottom + 24, day_short(day), "q")
    return g.svg()

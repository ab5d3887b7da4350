"""The share of tests that met each need, by hour of the day, for a few setups.

Below 100 measurements the hours are pooled into blocks of four; above, blocks are two hours wide. Drawn directly: marks must keep
their shapes, and panels share one scale while their widths follow the hours that matter.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from bandwright.telling.charts.shares import share_of
from bandwright.telling.charts.svg import SLIM, WIDE, Canvas, wrapped
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.names import Names
from bandwright.telling.numbers import of_hundred_range
from bandwright.telling.said import said
from bandwright.words.answers import Estimate
from bandwright.words.campaign import Tested
from bandwright.words.site import Need

__all__ = ["ByHour", "HourCell", "NeedPanel", "by_hour", "draw", "finding", "table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HourCell:
    """One setup in one block of hours. share: None where nothing was tested there."""

    setup: str
    met: int
    tests: int
    share: Estimate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedPanel:
    """One need: blocks (from hour, to hour) and the cells of each, in the order of setups."""

    need: str
    name: str
    blocks: tuple[tuple[int, int], ...]
    cells: tuple[tuple[HourCell, ...], ...]
    totals: tuple[HourCell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHour:
    """All panels, for the same setups."""

    setups: tuple[str, ...]
    names: tuple[str, ...]
    marks: tuple[int, ...]
    panels: tuple[NeedPanel, ...]
    block_hours: int


def by_hour(tests: Sequence[Tested], *, setups: Sequence[str], needs: Sequence[Need], names: Names, timezone: str) -> ByHour:
    """Return shares by hour as plain data. A failed test counts as not met; a void or ramping one is left out."""
    zone = ZoneInfo(timezone)
    usable = [t for t in tests if t.score is not None and not t.ramping]
    block = 4 if len(usable) < 100 else 2
    counts: dict[tuple[str, str, int], list[int]] = defaultdict(lambda: [0, 0])
    totals: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0])
    for test in usable:
        hour = test.at.astimezone(zone).hour
        for key, met in test.met:
            for cell in (counts[key, test.setup, hour], totals[key, test.setup]):
                cell[0] += met
                cell[1] += 1
    chosen = [k for k in setups if any(k == t.setup for t in usable)]
    panels = []
    for need in needs:
        hours = [h for h, w in enumerate(need.hours.weights_by_hour()) if w > 0] or sorted({h for n, _, h in counts if n == need.key})
        if not hours or not any(totals[need.key, k][1] for k in chosen):
            continue
        blocks = tuple((a, min(a + block, max(hours) + 1)) for a in range(min(hours), max(hours) + 1, block) if any(a <= h < a + block for h in hours))
        cells = tuple(tuple(_cell(k, [counts[need.key, k, h] for h in range(a, b)]) for k in chosen) for a, b in blocks)
        panels.append(NeedPanel(need=need.key, name=names.need(need.key), blocks=blocks, cells=cells, totals=tuple(_cell(k, [totals[need.key, k]]) for k in chosen)))
    return ByHour(setups=tuple(chosen), names=tuple(names.setup(k) for k in chosen), marks=tuple(names.mark(k) for k in chosen), panels=tuple(panels), block_hours=block)


def _cell(setup: str, counts: Sequence[Sequence[int]]) -> HourCell:
    met, tests = sum(c[0] for c in counts), sum(c[1] for c in counts)
    return HourCell(setup=setup, met=met, tests=tests, share=share_of(met, tests) if tests else None)


def finding(data: ByHour) -> str:
    """Return the need in which the setups differ most, in one sentence."""
    best: tuple[float, str] = (-1.0, "")
    for panel in data.panels:
        cells = [c for c in panel.totals if c.share is not None]
        if len(cells) < 2:
            continue
        low, high = min(cells, key=lambda c: c.share.value if c.share else 0.0), max(cells, key=lambda c: c.share.value if c.share else 0.0)
        if low.share is None or high.share is None:
            continue
        gap = high.share.value - low.share.value
        if gap > best[0]:
            text = f"{panel.name} decides: {of_hundred_range(low.share)} of 100 with {_name(data, low.setup)}, {of_hundred_range(high.share)} with {_name(data, high.setup)}."
            if high.share.low <= low.share.high:
                text = f"{panel.name} differs most, and its ranges still overlap: {of_hundred_range(low.share)} of 100 and {of_hundred_range(high.share)}."
            best = (gap, text)
    return best[1] or "So many tests met each need, by hour of the day."


def _name(data: ByHour, setup: str) -> str:
    return data.names[data.setups.index(setup)]


def table(data: ByHour) -> Table:
    """Return the same facts as a table."""
    rows = []
    for panel in data.panels:
        for (a, b), cells in zip(panel.blocks, panel.cells, strict=True):
            rows.append(row(f"{panel.name}, {a} to {b} h", *(f"{of_hundred_range(c.share)} ({c.met} of {c.tests})" if c.share else "no test" for c in cells)))
    return Table(caption=said("Met, of 100 tests, by hour of the day"), heads=("Need and hours", *data.names), rows=tuple(rows))


def draw(data: ByHour) -> Drawing:
    """Return the drawing in both layouts."""
    facts = "; ".join(f"{p.name}: " + ", ".join(f"{_name(data, c.setup)} {of_hundred_range(c.share)} of 100" for c in p.totals if c.share) for p in data.panels)
    text = f"Share of tests that met each need by hour of the day, with 90 percent ranges. {facts}."
    return Drawing(wide=_wide(data, text), slim=_slim(data, text), text=text)


def _wide(data: ByHour, label: str) -> str:
    most, gap, height = 4, 22, 132.0
    rows = [data.panels[i : i + most] for i in range(0, len(data.panels), most)]
    placed = [_placed(panels, gap) for panels in rows]
    heads = [18.0 * max(len(names) for _, _, names in places) + 16.0 for places in placed]
    g = Canvas(wide=True, height=sum(heads) + (height + 32) * len(rows), label=label)
    top = 0.0
    for panels, places, head in zip(rows, placed, heads, strict=True):
        for k, (panel, (x, per_block, names)) in enumerate(zip(panels, places, strict=True)):
            g.lines(x, top + head - 12 - 18 * (len(names) - 1), names, "strong", step=18)
            _panel(g, data, panel, x=x, top=top + head, per_block=per_block, height=height, scale=k == 0)
        top += head + height + 32
    return g.svg()


def _placed(panels: Sequence[NeedPanel], gap: float) -> list[tuple[float, float, list[str]]]:
    """Return of each panel in a row its left edge, the width of a block of hours, and its name in lines that fit above it."""
    blocks = sum(len(p.blocks) for p in panels)
    per_block = min(88.0, (WIDE - 64 - gap * (len(panels) - 1)) / max(blocks, 1))
    out, x = [], 34.0
    for k, panel in enumerate(panels):
        width = per_block * len(panel.blocks)
        out.append((x, per_block, wrapped(panel.name, ((WIDE - x if k == len(panels) - 1 else width + gap) - 6) / 8.6)))
        x += width + gap
    return out


def _slim(data: ByHour, label: str) -> str:
    height = 104.0
    names = [wrapped(panel.name, 29) for panel in data.panels]
    g = Canvas(wide=False, height=sum(height + 42 + 16 * len(n) for n in names) + 6, label=label)
    top = 0.0
    for panel, lines in zip(data.panels, names, strict=True):
        per_block = min(86.0, (SLIM - 44) / len(panel.blocks))
        g.lines(30.0, top + 12, lines, "strong", step=16)
        _panel(g, data, panel, x=30.0, top=top + 8 + 16 * len(lines), per_block=per_block, height=height, scale=True)
        top += height + 42 + 16 * len(lines)
    return g.svg()


def _panel(g: Canvas, data: ByHour, panel: NeedPanel, *, x: float, top: float, per_block: float, height: float, scale: bool) -> None:
    width = per_block * len(panel.blocks)

    def y(v: float) -> float:
        return top + height - v * height

    for v in (0.0, 0.5, 1.0):
        g.line(x, y(v), x + width, y(v), "grid" if v else "axis")
        if scale:
            g.text(x - 6, y(v) + 5, f"{100 * v:.0f}", "q", "end")
    n = len(data.setups)
    for j, ((a, _b), cells) in enumerate(zip(panel.blocks, panel.cells, strict=True)):
        for i, cell in enumerate(cells):
            if cell.share is None:
                continue
            cx = x + per_block * (j + (i + 1) / (n + 1))
            mark = data.marks[i]
            g.line(cx, y(cell.share.low), cx, y(cell.share.high), f"pale{mark}")
            g.mark(cx, y(cell.share.value), mark, 4)
        g.line(x + j * per_block, top + height, x + j * per_block, top + height + 5)
        g.text(x + j * per_block, top + height + 20, str(a), "q", "middle")
    g.line(x + width, top + height, x + width, top + height + 5)
    g.text(x + width, top + height + 20, str(panel.blocks[-1][1]), "q", "middle")

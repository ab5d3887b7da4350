"""The lead against each other setup: the difference seen in every round, and over all rounds with its interval.

Drawn directly: bars, strokes, the grey zone of indifference and labels at the bars' own lines are one figure.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.telling.charts.svg import SLIM, WIDE, Canvas, wrapped
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.names import Names
from bandwright.telling.numbers import NBSP, factor, ranged
from bandwright.telling.said import said
from bandwright.words.answers import Comparison, Estimate, Verdict
from bandwright.words.campaign import Tested

__all__ = ["DifferenceRow", "Differences", "differences", "draw", "finding", "round_differences", "table"]

_TICKS = (0.15, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 7.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceRow:
    """The lead against one setup, in ln units. estimate: None where no round is shared. strokes: one a shared round."""

    setup: str
    name: str
    mark: int
    note: str
    estimate: Estimate | None
    strokes: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """All rows, the strongest challenger first, on one scale low..high."""

    lead: str
    lead_name: str
    lead_mark: int
    rows: tuple[DifferenceRow, ...]
    indifference: float
    low: float
    high: float


def round_differences(tests: Sequence[Tested], a: str, b: str) -> tuple[float, ...]:
    """Return for each round that tested both setups the mean score of a less that of b, in order of rounds."""
    scores: dict[int, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for test in tests:
        if test.score is not None and test.setup in (a, b) and not test.ramping:
            scores[test.round][test.setup].append(test.score)
    return tuple(sum(s[a]) / len(s[a]) - sum(s[b]) / len(s[b]) for _, s in sorted(scores.items()) if a in s and b in s)


def differences(verdict: Verdict, tests: Sequence[Tested], *, names: Names, at_most: int = 4) -> Differences | None:
    """Return the lead's differences as plain data, or None where there is no lead."""
    lead = verdict.lead
    if lead is None:
        return None
    known: dict[str, Estimate] = {}
    for comparison in (*verdict.comparisons, *((verdict.against,) if verdict.against else ()), *((verdict.gain_over_in_use,) if verdict.gain_over_in_use else ())):
        other = comparison.b if comparison.a == lead else comparison.a
        if lead in (comparison.a, comparison.b):
            known[other] = _from_lead(comparison, lead)
    challenger = None if verdict.against is None else verdict.against.b if verdict.against.a == lead else verdict.against.a
    others = [s.setup for s in verdict.setups if s.setup != lead and s.attainable] or list(known)
    others.sort(key=lambda k: (k != challenger, k != verdict.in_use, k not in known, known[k].value if k in known else 0.0))
    rows = tuple(
        DifferenceRow(
            setup=key,
            name=names.setup(key),
            mark=names.mark(key),
            note="in use before" if key == verdict.in_use else "the closest challenger" if key == challenger else "",
            estimate=known.get(key),
            strokes=round_differences(tests, lead, key),
        )
        for key in others[:at_most]
    )
    values = [v for r in rows for v in (*r.strokes, *((r.estimate.low, r.estimate.high) if r.estimate else ()))]
    low, high = min([*values, -0.45]), max([*values, 0.45])
    pad = 0.04 * (high - low)
    return Differences(lead=lead, lead_name=names.setup(lead), lead_mark=names.mark(lead), rows=rows, indifference=verdict.indifference, low=low - pad, high=high + pad)


def _from_lead(comparison: Comparison, lead: str) -> Estimate:
    d = comparison.difference
    return d if comparison.a == lead else Estimate(value=-d.value, low=-d.high, high=-d.low, unit=d.unit, level=d.level, source=d.source)


def table(data: Differences) -> Table:
    """Return the same facts as a table."""
    rows = []
    for r in data.rows:
        e = r.estimate
        rows.append(row(r.name, factor(e.value) if e else "no round shared", f"{factor(e.low)} to {factor(e.high)}" if e else "", str(len(r.strokes))))
    return Table(caption=said(f"Room to spare of {data.lead_name}, as times that of each other setup"), heads=("Against", "Times", "Nine times in ten", "Rounds shared"), rows=tuple(rows), numeric=(1, 2, 3))


def draw(data: Differences) -> Drawing:
    """Return the drawing in both layouts."""
    facts = "; ".join(f"{r.name}: {factor(r.estimate.value)}, {factor(r.estimate.low)} to {factor(r.estimate.high)}" if r.estimate else f"{r.name}: no interval" for r in data.rows)
    text = f"Room to spare of {data.lead_name} against each other setup, with 90 percent intervals. {facts}."
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def _one(data: Differences, *, label: str, wide: bool) -> str:
    width, top = (WIDE, 46) if wide else (SLIM, 46)
    labels = [[*((words, "strong") for words in wrapped(r.name, 20 if wide else 28)), *([(r.note, "q")] if r.note else [])] for r in data.rows]
    steps = [max(54, 17 * len(label) + 20) if wide else 52 + 17 * len(label) for label in labels]
    bottom = top + sum(steps)
    g = Canvas(wide=wide, height=bottom + (40 if wide else 52), label=label)
    x0, x1 = (196.0, 560.0) if wide else (8.0, width - 8.0)

    def x(d: float) -> float:
        return x0 + (d - data.low) / (data.high - data.low) * (x1 - x0)

    zone = data.indifference
    g.rect(x(-zone), top - 12, x(zone) - x(-zone), bottom - top + 12, "zone")
    g.line(x(0), top - 12, x(0), bottom, "axis")
    label_x = min(max(x(0), x0 + 66), x1 - 66) if wide else x0
    g.lines(label_x, top - 34, [f"within {100 * zone:.0f}{NBSP}%:", "too small to matter"], "q", "middle" if wide else "start", 18)
    if wide and x1 - label_x > 230:
        better = wrapped(f"{data.lead_name} better →", (x1 - label_x - 76) / 7.8)
        if len(better) <= 2:
            g.lines(x1, top - 17 - 18 * (len(better) - 1), better, "q", "end", 18)
    below = float(top)
    for r, label_lines, step in zip(data.rows, labels, steps, strict=True):
        y = below + 18 if wide else below + 10 + 17 * len(label_lines)
        e = r.estimate
        g.mark(7 if wide else x0 + 6, below + 11, r.mark, 5)
        for k, (words, kind) in enumerate(label_lines):
            g.text(20 if wide else 26, below + 15 + 17 * k, words, kind if wide else f"{kind} halo")
        below += step
        for s in r.strokes:
            g.line(x(s), y - 9, x(s), y + 1, "tick")
        if e is not None:
            g.line(x(e.low), y + 8, x(e.high), y + 8, f"l{data.lead_mark}", width=6)
            g.mark(x(e.value), y + 8, data.lead_mark, 5.5)
            first, second = factor(e.value), f"{factor(e.low)} to {factor(e.high)}"
        else:
            first, second = "no interval", "no round shared"
        if wide:
            g.text(576, y - 3, first, "strong")
            g.text(576, y + 14, second, "q")
        else:
            g.text(x1, y + 29, f"{first} ({second})" if e else second, "strong halo", "end")
    g.line(x0, bottom, x1, bottom, "axis")
    last = -1e9
    for tick in _TICKS:
        at = math.log(tick)
        if data.low <= at <= data.high:
            g.line(x(at), bottom, x(at), bottom + 7)
            words = "equal" if tick == 1.0 else f"×{tick:g}"
            room = abs(x(at) - x(0)) > 40 or tick == 1.0
            if room and x(at) - last > 36 and x0 + 10 < x(at) < x1 - 10:
                g.text(x(at), bottom + 24, words, "q", "middle")
                last = x(at)
    if wide:
        g.text(576, bottom + 24, "room to spare", "q")
    else:
        g.text(x1, bottom + 43, "room to spare, as times the other’s", "q", "end")
    return g.svg()


def finding(data: Differences) -> str:
    """Return the chart's finding in one sentence."""
    clear = [r for r in data.rows if r.estimate and r.estimate.low > data.indifference]
    close = [r for r in data.rows if r.estimate and r.estimate.low <= data.indifference]
    if not clear and not close:
        return "No round has tested two setups yet."
    if clear and close:
        known = next((r for r in clear if r.note == "in use before"), clear[-1])
        return f"Against {known.name}, the answer is plain; {close[0].name} comes close."
    if clear:
        return f"Every other setup tested leaves less room, {ranged(math.exp(-clear[-1].estimate.high), math.exp(-clear[0].estimate.low), decimals=1)} times that of {data.lead_name}." if all(r.estimate for r in clear) else ""  # type: ignore[union-attr]
    return "No setup stands clear of the others."

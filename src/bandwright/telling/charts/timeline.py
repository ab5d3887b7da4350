"""A campaign's tests in time: rigs taken in turn, visits, rounds, failures, and what is still planned.

Wide, time runs to the right with one lane a rig; slim, it runs down with one column a rig. Height within a lane is the score: on the
dotted line a test just met what was asked, above it there was room. More than 2,000 tests are binned. Drawn directly: lanes, boxes and
marks by shape are one figure, and the two layouts turn the axes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from bandwright.telling.charts.svg import SLIM, WIDE, Canvas, wrapped
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.names import Names
from bandwright.telling.numbers import clock, counted, day_short
from bandwright.telling.said import said
from bandwright.words.campaign import CampaignEvent, Design, RigMounted, Step, Tested

__all__ = ["MOST_MARKS", "Lane", "Mark", "Timeline", "Visit", "draw", "finding", "table", "timeline"]

MOST_MARKS = 2000
_LANE = 140
_LEFT = 182.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One test, or the mean of several where they were binned."""

    at: datetime
    setup: str
    score: float
    failed: bool = False
    tests: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """An unbroken stretch on one rig. planned: not yet, drawn dashed."""

    number: int
    start: datetime
    stop: datetime
    rounds: int
    planned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One rig with its visits, tests and setups (key, name, mark)."""

    rig: str
    name: str
    visits: tuple[Visit, ...]
    marks: tuple[Mark, ...]
    setups: tuple[tuple[str, str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """All lanes on one axis of time."""

    lanes: tuple[Lane, ...]
    start: datetime
    stop: datetime
    now: datetime | None
    timezone: str
    binned: bool = False


def timeline(design: Design, events: Sequence[CampaignEvent], *, names: Names, upcoming: Step | None = None, now: datetime | None = None, at_most: int = MOST_MARKS) -> Timeline | None:
    """Return the tests in time as plain data, or None where nothing was tested. upcoming: the next step, drawn as planned."""
    tests = [e for e in events if isinstance(e, Tested) and e.score is not None and not e.ramping]
    if not tests:
        return None
    rig_of = {s.key: s.rig for s in design.setups}
    visits = _visits(tests, events, rig_of)
    planned = upcoming if upcoming is not None and upcoming.kind != "finish" and upcoming.rig and upcoming.not_before is not None else None
    last = max([t.at for t in tests] + ([now] if now else []))
    lanes = []
    for rig in dict.fromkeys(s.rig for s in design.setups):
        mine = [t for t in tests if rig_of.get(t.setup) == rig]
        boxes = [v for r, v in visits if r == rig]
        if planned is not None and planned.not_before is not None and planned.rig == rig and planned.not_before > last:
            boxes.append(Visit(number=planned.visit or 0, start=planned.not_before, stop=planned.not_before + timedelta(hours=3), rounds=1, planned=True))
        if not mine and not boxes:
            continue
        keys = [s.key for s in design.setups if s.rig == rig and any(t.setup == s.key for t in mine)]
        lanes.append(
            Lane(
                rig=rig,
                name=names.rig(rig),
                visits=tuple(boxes),
                marks=tuple(_marks(mine, at_most // max(1, len(keys)) if len(tests) > at_most else None)),
                setups=tuple((k, _within(names.setup(k), names.rig(rig)), names.mark(k)) for k in keys),
            )
        )
    zone = ZoneInfo(design.timezone)
    ends = [v.stop for lane in lanes for v in lane.visits] + ([now] if now else [])
    start = min(v.start for lane in lanes for v in lane.visits).astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    stop = max(ends).astimezone(zone)
    stop = stop.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    return Timeline(lanes=tuple(lanes), start=start, stop=stop, now=now, timezone=design.timezone, binned=len(tests) > at_most)


def _visits(tests: Sequence[Tested], events: Sequence[CampaignEvent], rig_of: dict[str, str]) -> list[tuple[str, Visit]]:
    by_visit: dict[tuple[int, str], list[Tested]] = defaultdict(list)
    for test in tests:
        by_visit[test.visit, rig_of.get(test.setup, "")].append(test)
    mounted = {e.visit: e.at for e in events if isinstance(e, RigMounted)}
    out = []
    for (number, rig), group in sorted(by_visit.items(), key=lambda item: item[1][0].at):
        first, last = min(t.at for t in group), max(t.at for t in group)
        out.append((rig, Visit(number=number, start=min(first, mounted.get(number, first)), stop=last, rounds=len({t.round for t in group}))))
    return out


def _marks(tests: Sequence[Tested], bins: int | None) -> list[Mark]:
    if bins is None:
        return [Mark(at=t.at, setup=t.setup, score=t.score or 0.0, failed=t.outcome == "failed") for t in tests]
    first, last = min(t.at for t in tests), max(t.at for t in tests)
    span = max((last - first).total_seconds(), 1.0)
    groups: dict[tuple[str, int], list[Tested]] = defaultdict(list)
    for t in tests:
        groups[t.setup, min(bins - 1, int((t.at - first).total_seconds() / span * bins))].append(t)
    return [Mark(at=g[len(g) // 2].at, setup=setup, score=sum(t.score or 0.0 for t in g) / len(g), tests=len(g)) for (setup, _), g in sorted(groups.items(), key=lambda item: item[1][0].at)]


def _within(setup: str, rig: str) -> str:
    """Return a setup's name within its rig's lane: "Gable, 5G on" under "Gable" is "5G on"."""
    return setup[len(rig) :].lstrip(" ,") or setup if setup.lower().startswith(rig.lower()) else setup


def finding(data: Timeline) -> str:
    """Return the chart's finding in one sentence."""
    rigs = len(data.lanes)
    if rigs > 1:
        return f"{_count(rigs)} rigs, taken in turn, so that a good day cannot pass for a good antenna."
    return "Rounds spread over hours and days, so that a good minute cannot pass for a good setup."


def _count(n: int) -> str:
    return {2: "Two", 3: "Three", 4: "Four", 5: "Five"}.get(n, str(n))


def table(data: Timeline) -> Table:
    """Return visits as a table."""
    rows = []
    for lane in data.lanes:
        for v in lane.visits:
            state = "planned" if v.planned else f"{counted(v.rounds, 'round')}, {counted(sum(m.tests for m in lane.marks if v.start <= m.at <= v.stop), 'test')}"
            rows.append((v.start, row(f"Visit {v.number}", lane.name, f"{day_short(v.start, data.timezone)}, {clock(v.start, data.timezone)}", f"{day_short(v.stop, data.timezone)}, {clock(v.stop, data.timezone)}", state)))
    rows.sort(key=lambda r: r[0])
    return Table(caption=said("Visits in order"), heads=("Visit", "Rig", "From", "Until", "Done"), rows=tuple(r for _, r in rows))


def draw(data: Timeline) -> Drawing:
    """Return the drawing in both layouts."""
    tests = sum(m.tests for lane in data.lanes for m in lane.marks)
    failed = sum(m.failed for lane in data.lanes for m in lane.marks)
    visits = sum(len([v for v in lane.visits if not v.planned]) for lane in data.lanes)
    text = f"{tests} tests in {counted(visits, 'visit')} on {counted(len(data.lanes), 'rig')}, in time; {failed} failed."
    return Drawing(wide=_wide(data, text), slim=_slim(data, text), text=text)


def _days(data: Timeline) -> list[datetime]:
    out, at = [], data.start
    while at < data.stop:
        out.append(at)
        at = (at + timedelta(days=1, hours=3)).replace(hour=0)
    return out


def _label_every(days: int, room: float, each: float) -> int:
    every = 1
    while days / every * each > room:
        every += 1 if every == 1 else 2
    return every


def _wide(data: Timeline, label: str) -> str:
    left, top = _LEFT, 40.0
    labels = [_wide_label(lane) for lane in data.lanes]
    heights = [max(_LANE, 18.0 * len(words) + 22) for words in labels]
    g = Canvas(wide=True, height=top + sum(heights) + 10, label=label)
    span = (data.stop - data.start).total_seconds()

    def x(at: datetime) -> float:
        return left + (at - data.start).total_seconds() / span * (WIDE - left - 4)

    days = _days(data)
    every = _label_every(len(days), WIDE - left, 58)
    for i, at in enumerate(days):
        if i:
            g.line(x(at), 26, x(at), g.height - 6, "grid")
        if i % every == 0:
            middle = x(at) + (x(data.stop) - left) / len(days) / 2
            g.text(min(middle, WIDE - 26), 16, day_short(at, data.timezone), "q", "middle")
    centre = top + 62.0
    for k, (lane, words, height) in enumerate(zip(data.lanes, labels, heights, strict=True)):
        if k == 0:
            g.text(left - 6, centre - 39, "room", "q", "end")
            g.text(left - 6, centre + 49, "short", "q", "end")
        _wide_lane(g, lane, words, centre=centre, x=x)
        centre += height
    if data.now is not None and data.start <= data.now <= data.stop:
        now = x(data.now)
        g.line(now, 24, now, g.height - 10, "axis")
        end = now > WIDE - 130
        g.text(now - 5 if end else now + 5, g.height - 2, _now(data.now, data.timezone), "strong halo", "end" if end else "start")
    return g.svg()


def _wide_label(lane: Lane) -> list[tuple[str, int | None]]:
    """Return the words left of a lane, line by line: its rig's name with None, then its setups with their marks, negative where a name goes on."""
    out: list[tuple[str, int | None]] = [(line, None) for line in wrapped(lane.name, 14)]
    for name, mark in _keys(lane):
        out += [(line, mark if i == 0 else -mark) for i, line in enumerate(wrapped(name, 13))]
    return out


def _wide_lane(g: Canvas, lane: Lane, label: Sequence[tuple[str, int | None]], *, centre: float, x: Callable[[datetime], float]) -> None:
    def y(score: float) -> float:
        return centre - 44 * score

    for j, (words, mark) in enumerate(label):
        if mark is not None and mark > 0:
            g.mark(6, centre - 58 + 18 * j, mark, 4.5)
        g.text(0 if mark is None else 16, centre - 53 + 18 * j, words, "strong" if mark is None else f"i{abs(mark)}" if abs(mark) < 4 else "q")
    shade = min((mark for *_, mark in lane.setups), default=4)
    last = -99.0
    for v in lane.visits:
        a, b = x(v.start) - 4, max(x(v.stop) + 5, x(v.start) + 8)
        g.rect(a, y(1.12), b - a, y(-1.12) - y(1.12), "ghost" if v.planned else f"soft{shade}")
        g.path([(a, y(0)), (b, y(0))], "lead", dashed="1 3")
        words = f"visit {v.number}"
        if last < a < WIDE - 44:
            g.text(a, y(1.12) - 5, words, "q")
            last = a + 8.0 * len(words)
    marks = {key: mark for key, _, mark in lane.setups}
    for m in lane.marks:
        g.mark(x(m.at), y(m.score), marks.get(m.setup, 4), 4.2, failed=m.failed)


def _slim(data: Timeline, label: str) -> str:
    days = _days(data)
    left = 52.0
    column = (SLIM - left) / len(data.lanes)
    names = [wrapped(lane.name, column / 9) for lane in data.lanes]
    keys = [[(wrapped(name, (0.9 * column - 13) / 8.2), mark) for name, mark in _keys(lane)] for lane in data.lanes]
    under = 14 + 16.0 * max(len(n) for n in names)
    top = under + 42 + 16 * max(sum(len(lines) for lines, _ in k) for k in keys)
    height = min(900.0, max(300.0, 46.0 * len(days)))
    g = Canvas(wide=False, height=top + height + 24, label=label)
    span = (data.stop - data.start).total_seconds()

    def y(at: datetime) -> float:
        return top + (at - data.start).total_seconds() / span * height

    every = _label_every(len(days), height, 22)
    for i, at in enumerate(days):
        g.line(0, y(at), SLIM, y(at), "grid")
        if i % every == 0:
            g.text(0, y(at) + 15, day_short(at, data.timezone), "q")
    for k, lane in enumerate(data.lanes):
        centre = left + column * (k + 0.5)
        g.lines(centre, 14, names[k], "strong", "middle", 16)
        foot = under
        for lines, mark in keys[k]:
            g.mark(centre - column * 0.40 + 4, foot + 12, mark, 4)
            g.lines(centre - column * 0.40 + 13, foot + 16, lines, f"i{mark}" if mark < 4 else "q", step=16)
            foot += 16 * len(lines)
        _slim_lane(g, lane, centre=centre, column=column, top=top, y=y)
    if data.now is not None and data.start <= data.now <= data.stop:
        g.line(left - 6, y(data.now), SLIM, y(data.now), "axis")
        g.text(SLIM, y(data.now) + 16, _now(data.now, data.timezone), "strong halo", "end")
    return g.svg()


def _slim_lane(g: Canvas, lane: Lane, *, centre: float, column: float, top: float, y: Callable[[datetime], float]) -> None:
    half = column * 0.40

    def x(score: float) -> float:
        return centre + half * score / 1.12

    if column > 90:
        g.text(x(-1.12), top - 8, "short", "q")
        g.text(x(1.12), top - 8, "room", "q", "end")
    shade = min((mark for *_, mark in lane.setups), default=4)
    for v in lane.visits:
        a, b = y(v.start) - 3, max(y(v.stop) + 4, y(v.start) + 7)
        g.rect(x(-1.12), a, x(1.12) - x(-1.12), b - a, "ghost" if v.planned else f"soft{shade}")
        g.path([(x(0), a), (x(0), b)], "lead", dashed="1 3")
    marks = {key: mark for key, _, mark in lane.setups}
    for m in lane.marks:
        g.mark(x(m.score), y(m.at), marks.get(m.setup, 4), 4, failed=m.failed)


def _keys(lane: Lane) -> list[tuple[str, int]]:
    """Return name and mark of the setups with a mark of their own; the others share the diamond, and one line."""
    own = [(name, mark) for _, name, mark in lane.setups if mark < 4]
    rest = [name for _, name, mark in lane.setups if mark == 4]
    return own + ([(rest[0] if len(rest) == 1 else f"{len(rest)} others", 4)] if rest else [])


def _now(at: datetime, timezone: str) -> str:
    return f"now, {day_short(at, timezone)}, {clock(at, timezone)}"

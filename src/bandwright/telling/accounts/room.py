"""Slow in one room: whether the house's own network is the limit there, by how much, and what a browser cannot know."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bandwright.telling.document import Block, Document, Items, Para, Part, Table, row
from bandwright.telling.numbers import NBSP, clock, counted, day_and_time, day_short, joined, number, ranged, with_unit
from bandwright.telling.said import Said, link, said, strong
from bandwright.words.room import Quantile, RoomAnswer

__all__ = ["room_document", "rooms_table"]

_ENDED: Mapping[str, str] = {"idle": "while nothing else was sent", "down": "while much was sent to it", "up": "while it sent much"}
_SHOWN: Mapping[str, str] = {"down": "what comes to the phone", "up": "what the phone sends", "delay_down": "the wait while much comes to the phone", "delay_up": "the wait while the phone sends much"}
_SHORT: Mapping[str, str] = {
    "here": "tried on this computer itself",
    "broken": "the phone lost this computer",
    "limits": "the house's own network is the limit",
    "may limit": "the house's own network may be the limit",
    "clear": "the house's own network is not the limit",
    "no line": "nothing to hold it against yet",
    "too little": "too little got through to say",
}


def room_document(answer: RoomAnswer, *, timezone: str) -> Document:
    """Return what a run in a room says: the sentence, what to do, then the figures as a table, then what it cannot know."""
    m = answer.measured
    first: list[Block] = [Para(_why(answer, timezone), "lede"), Para(_todo(answer))]
    parts = [Part(blocks=tuple(first)), Part(title="The figures", blocks=(_figures(answer),)), Part(title="What this cannot know", blocks=(Items(items=_unknown(answer)),))]
    return Document(title=f"Room: {m.room}", headline=_headline(answer), where=said(f"{m.room}, {day_and_time(m.at, timezone)}"), parts=tuple(parts))


def rooms_table(answers: Sequence[RoomAnswer], *, timezone: str) -> Table:
    """Return the kept runs, newest first, each with what it says."""
    rows = [
        (said(link(f"{a.measured.room}, {day_short(a.measured.at, timezone)}, {clock(a.measured.at, timezone)}", f"/room/{a.measured.key}")), said(_SHORT[a.kind]))
        for a in answers
    ]  # fmt: skip
    return Table(caption=said(f"{counted(len(answers), 'run')}, newest first"), heads=("Room", "What it says"), rows=tuple(rows))


def _headline(answer: RoomAnswer) -> Said:
    room = f"{answer.measured.room}: "
    match answer.kind:
        case "here":
            return said(room, strong("this was tried on the computer itself"), ", so it says nothing of any room.")
        case "broken":
            return said(room, strong("the phone lost this computer"), f" {_ENDED[answer.measured.ended]}. The house's own network fails here, before the radio takes part.")
        case "limits":
            return said(room, strong("the house's own network is what limits here"), ", not the radio.")
        case "may limit":
            return said(room, "the house's own network ", strong("may be what limits here"), "; this run cannot tell.")
        case "clear":
            return said(room, "the house's own network is ", strong("not the limit in this room"), ".")
        case "no line":
            return said(room, "what the room carries is measured; ", strong("there is nothing to hold it against yet"), ".")
        case "too little":
            return said(room, strong("too little got through to say"), " what limits here.")


def _why(answer: RoomAnswer, timezone: str) -> Said:
    if answer.kind == "here":
        return said("Nothing passed the house's network. The figures below show only how fast this computer serves its own pages.")
    parts: list[str] = []
    if answer.narrow:
        parts.append(f"What shows it: {joined([_SHOWN[k] for k in answer.narrow])}.")
    elif answer.kind == "may limit":
        parts.append(f"What leaves it open: {joined([_SHOWN[k] for k in answer.unsure])}.")
    if answer.line is not None:
        carried = [f"{_mbps(value)} {way}" for key, way in (("goodput_down_mbps", "to the house"), ("goodput_up_mbps", "from it")) if (value := answer.line.number(key)) is not None]
        parts.append(f"The internet line last carried {joined(carried)}, on {day_and_time(answer.line.at, timezone)}.")
        parts.append(f"A room should carry at least 1.5{NBSP}times that, and make nobody wait {with_unit(50, 'ms')} longer when it is busy; both limits are common practice, no source.")
    return said(" ".join(parts) or "The figures are below.")


def _todo(answer: RoomAnswer) -> Said:
    match answer.kind:
        case "here":
            return said("Start `bandwright serve --lan` on this computer, open the page on a phone in the room, and measure there.")
        case "broken" | "limits":
            return said("Move nearer to the house's Wi-Fi, use its other band, or lay a cable, and measure again here. Another antenna, other bands or another plan will not help in this room.")
        case "may limit":
            return said("Measure again here, when nobody else uses the house's network, and once right beside the house's Wi-Fi: if that is much better, it is the room.")
        case "clear":
            return said("What is slow here is slow past this computer: see ", link("Today", "/"), " and ", link("History", "/history"), " for the line itself.")
        case "no line":
            return said("Measure the internet path once, from ", link("History", "/history"), " or with `bandwright measure`; this run is kept and is held against it then.")
        case "too little":
            return said("Keep the page open and the phone awake until it has ended, and measure again.")


def _figures(answer: RoomAnswer) -> Table:
    rows = [
        row("Sent to the phone", *_cells(answer.down_mbps, "Mbit/s")),
        row("Sent by the phone", *_cells(answer.up_mbps, "Mbit/s")),
        row("Round trip, nothing else sent", *_cells(answer.idle_ms, "ms")),
        row("The slowest twentieth of those, from", *_cells(answer.idle_p95_ms, "ms")),
        row("Round trip while much is sent to the phone", *_cells(answer.loaded_down_ms, "ms")),
        row("Round trip while the phone sends much", *_cells(answer.loaded_up_ms, "ms")),
    ]
    return Table(caption=said("Between the phone and this computer; the radio takes no part"), heads=("What", "Middle value", "It lies in, 95 in 100", "From"), rows=tuple(rows), numeric=(1, 2, 3))


def _cells(q: Quantile | None, unit: str) -> tuple[str, str, str]:
    if q is None:
        return ("not measured", "", "")
    decimals = 0 if q.value >= 100 else 1
    span = "too few to say" if q.low is None and q.high is None else ranged(q.low, q.high, unit, decimals)
    return (with_unit(q.value, unit, decimals), span, counted(q.count, "stretch", "stretches") if unit == "Mbit/s" else counted(q.count, "round trip"))


def _unknown(answer: RoomAnswer) -> tuple[Said, ...]:
    m = answer.measured
    step = f"This browser's clock moves in steps of {with_unit(m.clock_step_ms, 'ms', 0 if m.clock_step_ms >= 10 else 1)}: no round trip is known finer." if m.clock_step_ms else "How fine this browser's clock is could not be seen; some step by a whole millisecond or more."
    items = [
        said(step),
        said("A round trip here is one small fetch by the page: the browser's and this computer's own work are in it, and some phones sleep their Wi-Fi between fetches."),
        said("The phone may be slower than the room: an old one, one saving its battery, or a busy one. Another device in the same place tells them apart."),
        said("Between the phone and this computer lie two ways: the phone's, and this computer's own to the house's network. If this computer is on Wi-Fi, put it on a cable first."),
        said("The stretches of one transfer resemble one another, so the true range is somewhat wider than the one shown."),
    ]
    if m.near_end_busy_ratio is not None and m.near_end_busy_ratio >= 0.5:
        items.append(said(f"This computer was busy {number(100 * m.near_end_busy_ratio)}{NBSP}% of a core serving this run, so it may have been the limit itself; the room is not blamed for it."))
    if answer.line is not None:
        items.append(said("The line's figure is one measurement, and a line over the radio swings from hour to hour: it may carry more than it did then."))
    return tuple(items)


def _mbps(value: float) -> str:
    return f"{number(value, 0 if value >= 100 else 1)}{NBSP}Mbit/s"

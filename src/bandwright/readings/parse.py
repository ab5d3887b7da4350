"""From a capture to its readings: normalise, recognise, parse, cross-check. Pure: no I/O, no clock.

`parse` never fails: what cannot be read is left over, and said by character span. What the layers know is told in their own modules;
here their pieces are put in order, parted into readings (the same answer coming again is a later reading), and joined carrier by carrier.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from bandwright.readings.at.table import around, read_answers
from bandwright.readings.checks import check_carrier
from bandwright.readings.draft import Draft, Piece
from bandwright.readings.labelled import read_labelled
from bandwright.readings.normalise import MOST_CHARACTERS, Plain, decode, plain
from bandwright.readings.structured import read_structured
from bandwright.readings.tools import read_tools
from bandwright.words.radio import Capture, Carrier, Field, FieldState, Mode, Rat, Reading, Registration, Role, Span

__all__ = ["parse", "reading_json"]

_SERVING = (Role.PCELL, Role.SCELL, Role.PSCELL, Role.SERVING)
_TRIM = " \t\r\n,;:|.'\"`()[]{}<>=*_-+#/\\"
_NO_LINE_END = re.compile(r"[^\n]")
_SAYS_SOMETHING = re.compile(r"\w")


def parse(capture: Capture | str | bytes) -> tuple[Reading, ...]:
    """Return the readings of a capture, or of a pasted text, in its order; one without carriers where nothing of the radio is said.

    capture: bytes are decoded leniently. Spans point into the text (`Capture.text`, the str, or the bytes as `normalise.decode` gives them).
    """
    text = decode(capture) if isinstance(capture, bytes) else capture.text if isinstance(capture, Capture) else capture
    source = plain(text)
    half = _printed_twice(source.text)
    pieces, marked = _pieces(source.text[:half])
    if half is not None:
        marked.append((half, len(source.text)))
    groups, repeated = _groups(pieces)
    marked += [span for piece in repeated for span in piece.spans]
    readings = [_reading(group, source, capture if isinstance(capture, Capture) else None) for group in groups]
    if not readings:
        readings = [_reading([], source, capture if isinstance(capture, Capture) else None)]
    return _with_left_over(readings, groups, marked, source)


def _printed_twice(text: str) -> int | None:
    """Return where the second copy begins in a text that is one text pasted twice, or None."""
    size = len(text)
    if size < 20:
        return None
    for half in range(size // 2 - 1, size // 2 + 3):
        if text[half - 1] == "\n" and text[half : half + 60].strip() and text[:half].strip() == text[half:].strip():
            return half
    return None


def _pieces(text: str) -> tuple[list[Piece], list[tuple[int, int]]]:
    """Return what each layer read, in the order of the text, and the spans that are recognised and say nothing of the radio."""
    pieces = read_answers(text)
    marked = around(text)
    rest = _blanked(text, _claimed(pieces) + marked)
    for layer in (read_tools, read_structured, read_labelled):
        if rest.isspace() or not rest:
            break
        found = layer(rest)
        if found:
            pieces += found
            rest = _blanked(rest, _claimed(found))
    pieces.sort(key=lambda piece: piece.start)
    return pieces, marked


def _claimed(pieces: list[Piece]) -> list[tuple[int, int]]:
    return [span for piece in pieces for span in ((piece.start, piece.stop), *piece.spans)]


def _blanked(text: str, spans: list[tuple[int, int]]) -> str:
    """Return the text with what has been read made blank; every character keeps its place."""
    if not spans:
        return text
    out: list[str] = []
    place = 0
    for start, stop in sorted(spans):
        if stop <= place:
            continue
        begin = max(start, place)
        out.append(text[place:begin])
        inside = text[begin:stop]
        out.append(_NO_LINE_END.sub(" ", inside) if "\n" in inside else " " * len(inside))
        place = stop
    out.append(text[place:])
    return "".join(out)


def _signature(piece: Piece) -> object:
    """Return what a piece says, without where it says it."""
    return (
        piece.mode,
        piece.registration,
        [
            (d.rat, d.role, sorted((f.name, str(f.value), f.low or 0.0, f.high or 0.0) for f in d.fields.values() if f.state is FieldState.OK))
            for d in piece.drafts
        ],
        [(f.name, f.value, f.low, f.high) for f in piece.extras],
    )


def _groups(pieces: list[Piece]) -> tuple[list[list[Piece]], list[Piece]]:
    """Part pieces into readings: a key that comes again, saying something else, begins a new one. Return also what only repeats."""
    repeated: list[Piece] = []
    groups: list[list[Piece]] = []
    current: dict[str, Piece] = {}
    waiting: list[Piece] = []  # repeated so far without a change: they belong to the next reading if something else changes
    for piece in pieces:
        known = current.get(piece.key)
        if known is None or not piece.repeats:
            if not groups:
                groups.append([])
            groups[-1].append(piece)
            current.setdefault(piece.key, piece)
        elif _signature(known) == _signature(piece):
            waiting.append(piece)
            repeated.append(piece)
        else:
            current = {one.key: one for one in (*waiting, piece)}
            groups.append(sorted(current.values(), key=lambda one: one.start))
            waiting = []
    return groups, repeated


def _reading(group: list[Piece], source: Plain, capture: Capture | None) -> Reading:
    """Return the reading of one group of pieces."""
    warnings: list[str] = [line for piece in group for line in piece.warnings]
    drafts: list[Draft] = []
    stated = _mode(group, [])
    for piece in group:
        _name_technology(piece, stated)
        _join(drafts, piece, warnings)
    ended = source.text.endswith("\n") or not group or group[-1].stop < len(source.text)
    last = max((draft.start for draft in drafts), default=0)
    for draft in drafts:
        check_carrier(draft, warnings, whole=ended or draft.start < last)
    why: dict[str, str] = {}
    for piece in group:
        for name, reason in piece.why.items():
            why.setdefault(name, reason)
    mode = _mode(group, drafts)
    registration = _registration(group)
    if mode is None and registration in {Registration.SEARCHING, Registration.NONE} and not any(draft.role in _SERVING for draft in drafts):
        mode = None if "mode" in why and why["mode"] != "not stated" else Mode.NONE
    if mode is None:
        why.setdefault("mode", "not stated")
    else:
        why.pop("mode", None)
    if registration is None:
        why.setdefault("registration", "not stated")
    else:
        why.pop("registration", None)
    extras = {item.name: item for piece in group for item in piece.extras}
    return Reading(
        mode=mode,
        registration=registration,
        carriers=tuple(_carrier(draft, source) for draft in drafts if draft.rat is not None),
        why=tuple(why.items()),
        warnings=tuple(dict.fromkeys(warnings)),
        at=capture.at if capture is not None else None,
        capture_key=capture.key if capture is not None else None,
        dialects=tuple(dict.fromkeys(piece.dialect for piece in group)),
        extras=tuple(_final(item, source, None) for item in extras.values()),
    )


def _final(item: Field, source: Plain, said_by: str | None) -> Field:
    """Return a field with its span in the given text and the answer it comes from. Built at once: a copy with changes costs five times as much."""
    span = item.span
    if span is not None and source.starts:
        span = source.original(span.start, span.stop)
    return Field(
        name=item.name, value=item.value, low=item.low, high=item.high, unit=item.unit, state=item.state, why=item.why, span=span, derived=item.derived, source=said_by,
    )  # fmt: skip


def _carrier(draft: Draft, source: Plain) -> Carrier:
    fields = [_final(item, source, draft.sources.get(item.name, draft.origin)) for item in draft.fields.values()]
    fields += [_final(item, source, said_by) for item, said_by in draft.others]
    return Carrier(rat=draft.rat or Rat.LTE, role=draft.role or Role.SERVING, fields=tuple(fields))


def _join(drafts: list[Draft], piece: Piece, warnings: list[str]) -> None:
    """Put a piece's carriers to those of the pieces before it: one carrier named by two answers is one carrier."""
    before = list(drafts)
    for new in piece.drafts:
        new.origin = piece.key
        twin = _twin(new, before)
        if twin is None:
            drafts.append(new)
        else:
            before.remove(twin)
            _merge(twin, new, warnings)


def _name_technology(piece: Piece, mode: Mode | None) -> None:
    """Name the technology of carriers whose own answer does not: by the mode that another answer states."""
    rat = {Mode.LTE: Rat.LTE, Mode.ENDC: Rat.LTE, Mode.NR_SA: Rat.NR}.get(mode) if mode is not None else None
    for draft in piece.drafts:
        if draft.rat is None:
            draft.rat = rat
    piece.drafts = [draft for draft in piece.drafts if draft.rat is not None]


def _twin(new: Draft, before: list[Draft]) -> Draft | None:
    if new.role not in _SERVING:
        return None
    fitting = [old for old in before if _same_carrier(old, new)]
    if not fitting:
        return None
    return max(fitting, key=lambda old: (_agreeing(old, new), old.role in {Role.PCELL, Role.PSCELL}))


def _agreeing(old: Draft, new: Draft) -> int:
    return sum(_value(old, name) is not None and _value(old, name) == _value(new, name) for name in ("arfcn", "pci", "band", "cell_id"))


def _value(draft: Draft, name: str) -> object:
    item = draft.fields.get(name)
    return None if item is None else item.value


def _same_carrier(old: Draft, new: Draft) -> bool:
    if old.rat is not new.rat or old.role not in _SERVING:
        return False
    if old.role is not new.role and Role.SERVING not in {old.role, new.role}:
        return False
    if old.role is Role.SCELL or new.role is Role.SCELL:
        return _agreeing(old, new) > 0 and not _differing(old, new)
    return not _differing(old, new)


def _differing(old: Draft, new: Draft) -> bool:
    for name in ("arfcn", "pci", "band"):
        one, other = _value(old, name), _value(new, name)
        if one is not None and other is not None and one != other:
            return True
    return False


def _merge(old: Draft, new: Draft, warnings: list[str]) -> None:
    if old.role is Role.SERVING and new.role is not None:
        old.role = new.role
    for item in new.fields.values():
        known = old.fields.get(item.name)
        if known is None or (known.state is not FieldState.OK and item.state is FieldState.OK):
            old.fields[item.name] = item
            old.sources[item.name] = new.origin
        elif item.state is not FieldState.OK:
            continue
        elif not _agree(known, item):
            old.others.append((item, new.origin))
            first = old.sources.get(item.name, old.origin)
            warnings.append(f"{item.name}: {first} says {_shown(known)}, {new.origin} says {_shown(item)}; both are kept")
        elif known.is_interval and item.value is not None:
            old.fields[item.name] = item
            old.sources[item.name] = new.origin


def _agree(one: Field, other: Field) -> bool:
    if one.value is not None and other.value is not None:
        if isinstance(one.value, int | float) and isinstance(other.value, int | float):
            return abs(one.value - other.value) < 1e-9
        return one.value == other.value
    if one.is_interval and other.is_interval:
        return (one.low, one.high) == (other.low, other.high)
    code, level = (one, other) if one.is_interval else (other, one)
    value = level.number
    return value is not None and (code.low is None or value >= code.low - 1) and (code.high is None or value < code.high + 1)


def _shown(item: Field) -> str:
    return f"{item.value}" if item.value is not None else f"{item.low}..{item.high}"


def _mode(group: list[Piece], drafts: list[Draft]) -> Mode | None:
    best = max(group, key=lambda piece: piece.mode_rank, default=None)
    mode = best.mode if best is not None else None
    rats = {draft.rat for draft in drafts if draft.role in _SERVING}
    if len(rats) == 2 and mode in {Mode.LTE, Mode.NR}:
        return Mode.ENDC
    return mode


def _registration(group: list[Piece]) -> Registration | None:
    best = max(group, key=lambda piece: piece.registration_rank, default=None)
    return best.registration if best is not None else None


def _with_left_over(readings: list[Reading], groups: list[list[Piece]], marked: list[tuple[int, int]], source: Plain) -> tuple[Reading, ...]:
    """Return the readings with their recognised and their left-over spans; text between two readings belongs to the later one."""
    bounds = [0, *(min(piece.start for piece in group) for group in groups[1:]), len(source.text)] if groups else [0, len(source.text)]
    everything = [(span, piece) for group in groups for piece in group for span in piece.spans]
    known = sorted([span for span, _ in everything] + marked)
    holes = sorted(span for group in groups for piece in group for span in piece.unread)
    known = _without(known, holes)
    out = []
    first = 0
    for reading, (start, stop) in zip(readings, pairwise(bounds), strict=True):
        while first < len(known) and known[first][1] <= start:
            first += 1
        inside = []
        for a, b in known[first:]:
            if a >= stop:
                break
            inside.append((max(a, start), min(b, stop)))
        left = _left_over(source.text, inside, start, stop)
        unread = tuple(source.original(a, b) for a, b in left)
        recognised = tuple(source.original(a, b) for a, b in inside if b > a)
        if stop == len(source.text) and source.length > MOST_CHARACTERS:
            unread = (*unread, Span(MOST_CHARACTERS, source.length))
        out.append(replace(reading, unread=unread, recognised=recognised))
    return tuple(out)


def _without(spans: list[tuple[int, int]], holes: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return sorted spans without what lies in holes."""
    merged: list[tuple[int, int]] = []
    for start, stop in spans:
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(stop, merged[-1][1]))
        elif stop > start:
            merged.append((start, stop))
    out: list[tuple[int, int]] = []
    first = 0
    for start, stop in merged:
        place = start
        while first < len(holes) and holes[first][1] <= start:
            first += 1
        for low, high in holes[first:]:
            if low >= stop:
                break
            if low > place:
                out.append((place, low))
            place = max(place, high)
        if place < stop:
            out.append((place, stop))
    return out


def _left_over(text: str, known: Sequence[tuple[int, int]], start: int, stop: int) -> list[tuple[int, int]]:
    """Return what lies between the known spans, parted at line ends, without blanks and separators around it."""
    left: list[tuple[int, int]] = []
    edges = [start, *(edge for span in known for edge in span), stop]
    for low, high in zip(edges[::2], edges[1::2], strict=True):
        if high - low < 3 and (low == high or text[low:high].isspace()):
            continue
        place = low
        for line in text[low:high].split("\n"):
            bare = line.strip(_TRIM)
            if bare and _SAYS_SOMETHING.search(bare):
                first = place + line.index(bare)
                left.append((first, first + len(bare)))
            place += len(line) + 1
    return left


def reading_json(reading: Reading, text: str) -> dict[str, Any]:
    """Return a reading as plain data: mode, registration, carriers (rat, role, fields) and unread (start, stop, text).

    text: what the reading's spans point into. A field is {value, unit}, {low, high, unit} for a code, or {value: None, why} with its state;
    derived is True where it was computed. Where two sources differ, the first one stands here.
    """
    return {
        "mode": reading.mode.value if reading.mode is not None else None,
        "registration": reading.registration.value if reading.registration is not None else None,
        "carriers": [
            {"rat": carrier.rat.value, "role": carrier.role.value, "fields": {item.name: _field_json(item) for item in reversed(carrier.fields)}}
            for carrier in reading.carriers
        ],
        "unread": [{"start": span.start, "stop": span.stop, "text": text[span.start : span.stop]} for span in reading.unread],
    }


def _field_json(item: Field) -> dict[str, Any]:
    value = list(item.value) if isinstance(item.value, tuple) else item.value
    made: dict[str, Any] = {"low": item.low, "high": item.high} if item.is_interval else {"value": value}
    if item.unit is not None and (item.value is not None or item.is_interval):
        made["unit"] = item.unit
    if item.why is not None and (item.state is not FieldState.OK or item.derived):
        made["why"] = item.why
    if item.state is not FieldState.OK:
        made["state"] = item.state.value
    if item.derived:
        made["derived"] = True
    return made

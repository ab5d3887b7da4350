"""What programs print: "label: value" lines whose indentation says whose they are, and how their values become fields."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.readings.labels import Key
from bandwright.readings.values import read_value
from bandwright.words.radio import FieldState, Mode, Rat, Role

__all__ = ["Pair", "bare_value", "has_value", "keep_measured", "printed_pairs", "put", "put_network"]


class Pair(NamedTuple):
    """A label and its value as printed, with the value's place, the line's indent, and whether the text ends within the value."""

    label: str
    value: str
    start: int
    stop: int
    indent: int = 0
    cut: bool = False
    line: int = 0  # where the line begins


_PAIR = re.compile(r"([ \t]*)([A-Za-z0-9\[][^:\n]{0,60}?)[ ]*:[ \t]*([^\n]*)")
_ENDS_BLOCK = re.compile(r"[ \t]*(?:\[/|[$#>]|\w+@\w|AT\b|[+^!][A-Z]+:|```|-{4})")


def printed_pairs(text: str, start: int, *, ends: re.Pattern[str] = _ENDS_BLOCK, most: int = 4000) -> Iterator[Pair]:
    """Yield the "label: value" lines from a line's start on, until a line of another kind; blank lines end the block too."""
    place = start
    for _ in range(most):
        end = text.find("\n", place)
        ended = end >= 0
        end = end if ended else len(text)
        line = text[place:end]
        found = _PAIR.match(line)
        if not line.strip() or ends.match(line) is not None:
            return
        if found is None:
            yield Pair(line.strip(), "", end, end, len(line) - len(line.lstrip()), not ended, place)
        else:
            value = found.group(3).rstrip()
            first = place + found.start(3)
            yield Pair(found.group(2), value, first, first + len(value), len(found.group(1).expandtabs(8)), not ended and not value.endswith("'"), place)
        if not ended:
            return
        place = end + 1


def put(draft: Draft, name: str, pair: Pair, *, unit: str = "", decimal: bool = True) -> None:
    """Put a quantity from a printed value whose unit and base the tool defines."""
    made = read_value(Key(quantity=name, rat=draft.rat, unit=unit), pair.value, pair.start, rat=draft.rat, cut=pair.cut, numeric=decimal)
    if made is not None and made.field is not None:
        draft.put(made.field)


def bare_value(pair: Pair) -> str:
    """Return a printed value without its quotes."""
    return pair.value.strip("' \t")


def has_value(draft: Draft) -> bool:
    """Whether a carrier has any value that can be used."""
    return any(item.state is FieldState.OK for item in draft.fields.values())


def keep_measured(piece: Piece, rank: int) -> None:
    """Drop carriers without any value, and state the mode that the others make."""
    piece.drafts = [draft for draft in piece.drafts if has_value(draft)]
    rats = {draft.rat for draft in piece.drafts if draft.role not in {Role.NEIGHBOUR, Role.SCAN}}
    if rats == {Rat.LTE}:
        piece.say_mode(Mode.LTE, 1)
    elif rats == {Rat.NR}:
        piece.say_mode(Mode.NR, 1)
    elif rats:
        piece.say_mode(Mode.ENDC, rank)


def put_network(draft: Draft, pair: Pair) -> None:
    """Put the network from five digits; of six, some releases swap the last ones."""
    digits = bare_value(pair)
    if pair.cut or not digits.isdecimal():
        return
    if len(digits) == 5:
        draft.put(ok_field("plmn", f"{digits[:3]}-{digits[3:]}", pair.start, pair.stop))
    elif len(digits) == 6:
        draft.put(null_field("plmn", "some releases print a network code of three digits with swapped digits", pair.start, pair.stop, FieldState.AMBIGUOUS))

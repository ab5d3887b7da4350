"""What the layers hand to one another: fields with spans, carriers in the making, and pieces, one for each answer or block of a text.

Spans here point into the plain text; `parse` turns them into spans of the text that was given.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

from bandwright.quantities import quantity
from bandwright.units import Interval
from bandwright.words.radio import Field, FieldState, FieldValue, Mode, Rat, Registration, Role, Span

__all__ = ["Draft", "Piece", "code_field", "null_field", "ok_field", "unit_of"]


@cache
def unit_of(name: str) -> str | None:
    """Return the unit of a quantity, or None where it has none."""
    row = quantity(name)
    return (row.unit or None) if row is not None else None


def ok_field(name: str, value: FieldValue, start: int, stop: int, *, why: str | None = None, derived: bool = False) -> Field:
    """Return a field whose value was read from start..stop."""
    return Field(name=name, value=value, unit=unit_of(name), span=Span(start, stop), why=why, derived=derived)


def code_field(name: str, interval: Interval | None, start: int, stop: int, *, why: str | None = None) -> Field:
    """Return a field whose text is a report code: the interval it stands for, or "unknown"."""
    if interval is None:
        return null_field(name, why or "the code for unknown", start, stop)
    return Field(name=name, low=interval.low, high=interval.high, unit=unit_of(name), span=Span(start, stop), why=why)


def null_field(name: str, why: str, start: int, stop: int, state: FieldState = FieldState.UNKNOWN) -> Field:
    """Return a field that was printed but cannot be used."""
    return Field(name=name, unit=unit_of(name), state=state, why=why, span=Span(start, stop))


@dataclass(slots=True)
class Draft:
    """A carrier in the making. rat and role are None while the text has not said."""

    rat: Rat | None
    role: Role | None
    start: int
    fields: dict[str, Field] = field(default_factory=dict)
    others: list[tuple[Field, str]] = field(default_factory=list)  # second sources that differ, with the answer they come from
    origin: str = ""  # key of the piece it comes from
    sources: dict[str, str] = field(default_factory=dict)  # of fields that came from another piece

    def put(self, item: Field) -> None:
        """Add a field; the first one of a name stays, unless it had no value and this one has."""
        known = self.fields.get(item.name)
        if known is None or (known.state is not FieldState.OK and item.state is FieldState.OK):
            self.fields[item.name] = item


@dataclass(slots=True)
class Piece:
    """What one answer or block of a text says.

    key: what it is an answer to; a key that comes again begins a new reading. dialect: key of the dialect's row.
    mode_rank, registration_rank: the stronger statement wins where pieces of one reading differ.
    """

    key: str
    dialect: str
    start: int
    stop: int
    drafts: list[Draft] = field(default_factory=list)
    mode: Mode | None = None
    mode_rank: int = 0
    registration: Registration | None = None
    registration_rank: int = 0
    why: dict[str, str] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    spans: list[tuple[int, int]] = field(default_factory=list)  # recognised
    unread: list[tuple[int, int]] = field(default_factory=list)  # within recognised spans, yet not understood
    extras: list[Field] = field(default_factory=list)
    repeats: bool = True  # whether the same key coming again is a new reading

    def say_mode(self, mode: Mode, rank: int) -> None:
        """State the mode with a strength: 1 inferred, 2 stated, 3 stated by the serving cell itself."""
        if rank > self.mode_rank:
            self.mode, self.mode_rank = mode, rank

    def say_registration(self, registration: Registration, rank: int) -> None:
        """State the registration with a strength: 1 registered without a class, 2 and more with one."""
        if rank > self.registration_rank:
            self.registration, self.registration_rank = registration, rank

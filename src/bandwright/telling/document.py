"""An answer laid out, before anyone decides on what: a frozen list of blocks that the page, the paper and the terminal each render.

A document says first what to do, then by how much and how sure, then shows the evidence, then the raw text. Notes stand in the margin
where there is one. Because all renderers read the same blocks, the page and the paper cannot use different words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from bandwright.telling.charts.svg import standalone
from bandwright.telling.said import Said, said

__all__ = ["Block", "Caution", "Document", "Drawing", "Early", "Fold", "Items", "Log", "LogItem", "Note", "Para", "Part", "Plate", "ShareRow", "Shares", "SourceText", "Stretch", "Table", "row"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A chart drawn twice, never one shrunk from the other: SVG text 720 units wide, and 288. text: what it shows, in words."""

    wide: str
    slim: str
    text: str

    def _repr_svg_(self) -> str:
        """Return the wide drawing with colours of its own, as a notebook shows it."""
        return standalone(self.wide)


@dataclass(frozen=True, slots=True)
class Para:
    """A paragraph. kind: "lede" is the sentence after the headline."""

    text: Said
    kind: Literal["plain", "lede", "quiet"] = "plain"


@dataclass(frozen=True, slots=True)
class Early:
    """A warning that what follows is not yet to be used for a choice: a hatched band, in words."""

    text: Said


@dataclass(frozen=True, slots=True, kw_only=True)
class Items:
    """A list. ordered: its order matters."""

    items: tuple[Said, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table: the first column names the row. numeric: columns (from 0) set flush right."""

    caption: Said
    heads: tuple[str, ...]
    rows: tuple[tuple[Said, ...], ...]
    numeric: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """A chart under its finding. finding: one bold sentence; reading: how to read it; keys: names with marks; table: the same facts."""

    finding: Said
    reading: Said
    drawing: Drawing
    keys: tuple[Said, ...] = ()
    table: Table | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareRow:
    """One need on its rule from 0 to 100 tests."""

    need: str
    asks: str
    drawing: Drawing
    range_text: str
    counts: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """The rules of all needs, one below the other."""

    caption: Said
    rows: tuple[ShareRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """What can hurt, before the number that invites it."""

    title: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogItem:
    """One line of what happened. iso: machine-readable time, or ""."""

    when: str
    text: Said
    iso: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """What happened, newest first."""

    items: tuple[LogItem, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of a source text. kind: recognised, unread or neither."""

    text: str
    kind: Literal["", "recognised", "unread"] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceText:
    """A source text with what was recognised marked and what was not dotted."""

    label: str
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """Blocks that are shown on request; `title` says what is inside."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A note in the margin. label: what it is about, for those who cannot see where it stands."""

    label: str
    paras: tuple[Said, ...]


Block = Para | Early | Items | Table | Plate | Shares | Caution | Log | SourceText | Fold


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a document. anchor: its name in an address."""

    title: str = ""
    blocks: tuple[Block, ...] = ()
    note: Note | None = None
    anchor: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole answer. title: of the page; where: which place, campaign and time; headline: what to do next, or the answer."""

    title: str
    headline: Said
    where: Said = field(default_factory=said)
    parts: tuple[Part, ...] = ()
    foot: Said = field(default_factory=said)

    @property
    def first(self) -> Part:
        """The part that stands right below the headline."""
        return self.parts[0] if self.parts else Part()

    @property
    def rest(self) -> Sequence[Part]:
        """The parts after the first."""
        return self.parts[1:]


def row(*cells: str | Said) -> tuple[Said, ...]:
    """Return one table row of plain texts and sentences."""
    return tuple(cell if isinstance(cell, Said) else said(cell) for cell in cells)

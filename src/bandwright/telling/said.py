"""A sentence as it is said: plain text with the few things that a page, a terminal and a paper each show in their own way.

A piece may be strong (the range in a sentence), quiet (an aside), a setup's name with its mark, or a link. What a user typed is
text like any other: nothing in it is ever read as markup.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Piece", "Said", "Style", "link", "named", "quiet", "said", "strong"]

Style = Literal["", "strong", "quiet", "code"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One stretch of a sentence. mark: a setup's shape and colour, 1..4. href: a page of this program."""

    text: str
    style: Style = ""
    mark: int | None = None
    href: str | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence, or a few that belong together. `str(said)` is the plain text."""

    pieces: tuple[Piece, ...] = ()

    def __str__(self) -> str:
        return "".join(piece.text for piece in self.pieces)

    def __bool__(self) -> bool:
        return any(piece.text for piece in self.pieces)

    def __add__(self, other: Said | str) -> Said:
        return said(self, other)


def said(*parts: str | Piece | Said) -> Said:
    """Return one sentence made of the parts, in order."""
    pieces: list[Piece] = []
    for part in parts:
        if isinstance(part, Said):
            pieces.extend(part.pieces)
        elif isinstance(part, Piece):
            pieces.append(part)
        elif part:
            pieces.append(Piece(text=part))
    return Said(tuple(pieces))


def strong(text: str) -> Piece:
    """Return the part of a sentence that the eye should find first."""
    return Piece(text=text, style="strong")


def quiet(text: str) -> Piece:
    """Return an aside."""
    return Piece(text=text, style="quiet")


def named(text: str, mark: int) -> Piece:
    """Return a setup's name, shown with its shape and colour."""
    return Piece(text=text, mark=mark)


def link(text: str, href: str) -> Piece:
    """Return a link to another page of this program."""
    return Piece(text=text, href=href)

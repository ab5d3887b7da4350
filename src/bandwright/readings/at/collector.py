"""Where the dialects put what they read: pieces in the order of the text, and which of them continue the one before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from bandwright.readings.at.line import Answer
from bandwright.readings.draft import Piece

__all__ = ["Collector", "Dialect"]


@dataclass(slots=True)
class Collector:
    """The pieces of one text, growing. text: the plain text. state: what the last serving cell's answer said of the device."""

    text: str
    pieces: list[Piece] = field(default_factory=list)
    state: str = ""

    def piece(self, key: str, dialect: str, answer: Answer, *, follows: bool = False) -> Piece:
        """Return a new piece for an answer, or, if it follows, the last one where it has that key and nothing stands between."""
        if follows and self.pieces:
            last = self.pieces[-1]
            if last.key == key and (last.stop >= answer.start or self.text[last.stop : answer.start].isspace()):
                last.stop = answer.stop
                last.spans.append((answer.start, answer.stop))
                return last
        made = Piece(key, dialect, answer.start, answer.stop)
        made.spans.append((answer.start, answer.stop))
        self.pieces.append(made)
        return made


@dataclass(frozen=True, slots=True)
class Dialect:
    """One row of the table of AT dialects.

    tags: the answers it reads. read: takes an answer, puts pieces, returns where reading goes on. joins: whether a parted line is one line.
    settings: tags whose answers are settings, not states; they are recognised and left to `settings`.
    """

    key: str
    title: str
    tags: frozenset[str]
    read: Callable[[Answer, Collector], int]
    joins: bool = True
    source: str = ""

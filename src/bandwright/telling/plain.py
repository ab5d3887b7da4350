"""An answer as plain lines: for a terminal, a log, or a mail. Nothing is drawn; what a chart shows is said in its words.

The same document goes to the page and to paper, so no face has words of its own.
"""

from __future__ import annotations

import textwrap
from functools import singledispatch

from bandwright.telling.document import Caution, Document, Early, Fold, Items, Log, Para, Part, Plate, Shares, SourceText, Table
from bandwright.telling.said import Said

__all__ = ["document_lines", "said_text"]

_PLAIN_SPACES = str.maketrans({"\u00a0": " ", "\u202f": " "})  # they have kept lines together by now; what is copied should be plain
_MARKS = {1: "●", 2: "■", 3: "▲", 4: "◆"}


def said_text(sentence: Said) -> str:
    """Return a sentence as plain text, a setup's mark before its name."""
    return "".join((f"{_MARKS[p.mark]} " if p.mark in _MARKS else "") + p.text for p in sentence.pieces)


def document_lines(document: Document, *, width: int = 100, evidence: bool = True) -> list[str]:
    """Return a document as lines no wider than `width`. evidence: also the tables and lists below the first part."""
    lines = _laid_out(document, width, evidence=evidence)
    return [line.translate(_PLAIN_SPACES) for line in lines]


def _laid_out(document: Document, width: int, *, evidence: bool) -> list[str]:
    lines = _wrapped(said_text(document.where), width) if document.where else []
    lines += _wrapped(said_text(document.headline), width)
    for part in document.parts if evidence else document.parts[:1]:
        lines += _part(part, width)
    if document.foot and evidence:
        lines += ["", *_wrapped(said_text(document.foot), width)]
    return lines


def _part(part: Part, width: int) -> list[str]:
    lines = ["", part.title, "-" * min(width, len(part.title))] if part.title else []
    for block in part.blocks:
        found = _block(block, width)
        if found:
            lines += [*([""] if lines and lines[-1] else []), *found]
    if part.note is not None:
        for para in part.note.paras:
            lines += ["", *_wrapped(said_text(para), width, first="  ", rest="  ")]
    return lines


def _wrapped(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False) or [""]


@singledispatch
def _block(block: object, width: int) -> list[str]:
    raise TypeError(f"no plain form of {type(block).__name__} for {width} columns")


@_block.register
def _(block: Para, width: int) -> list[str]:
    return _wrapped(said_text(block.text), width)


@_block.register
def _(block: Early, width: int) -> list[str]:
    return _wrapped(said_text(block.text), width, first="! ", rest="  ")


@_block.register
def _(block: Items, width: int) -> list[str]:
    lines: list[str] = []
    for number, item in enumerate(block.items, 1):
        mark = f"{number}. " if block.ordered else "- "
        lines += _wrapped(said_text(item), width, first=mark, rest=" " * len(mark))
    return lines


@_block.register
def _(block: Table, width: int) -> list[str]:
    rows = [list(block.heads), *([said_text(cell) for cell in r] for r in block.rows)]
    columns = [max(len(r[i]) for r in rows) for i in range(len(block.heads))]
    caption = _wrapped(said_text(block.caption), width) if block.caption else []
    if sum(columns) + 2 * len(columns) > width:
        return [*caption, *_stacked(rows, width)]
    out = ["  ".join(cell.rjust(columns[i]) if i in block.numeric else cell.ljust(columns[i]) for i, cell in enumerate(r)).rstrip() for r in rows]
    return [*caption, *out]


def _stacked(rows: list[list[str]], width: int) -> list[str]:
    """Return a table too wide for the screen as blocks: the row's name, then a line for each column."""
    heads, lines = rows[0], []
    for r in rows[1:]:
        lines += _wrapped(r[0], width)
        for head, cell in zip(heads[1:], r[1:], strict=True):
            if cell:
                lines += _wrapped(f"{head}: {cell}", width, first="    ", rest="      ")
    return lines


@_block.register
def _(block: Plate, width: int) -> list[str]:
    lines = _wrapped(said_text(block.finding), width)
    return lines + (_block(block.table, width) if block.table is not None else _wrapped(block.drawing.text, width))


@_block.register
def _(block: Shares, width: int) -> list[str]:
    lines = _wrapped(said_text(block.caption), width)
    for r in block.rows:
        lines += _wrapped(f"{r.need}: {r.range_text} ({r.counts})", width, first="- ", rest="  ")
    return lines


@_block.register
def _(block: Caution, width: int) -> list[str]:
    lines = _wrapped(block.title, width, first="CAUTION: ", rest="  ")
    for item in block.items:
        lines += _wrapped(item, width, first="  ! ", rest="    ")
    return lines


@_block.register
def _(block: Log, width: int) -> list[str]:
    lines: list[str] = []
    for item in block.items:
        lines += _wrapped(f"{item.when}  {said_text(item.text)}", width, rest="    ")
    return lines


@_block.register
def _(block: SourceText, width: int) -> list[str]:  # noqa: ARG001 -- verbatim text is never wrapped
    text = "".join(f"⟨{s.text}⟩" if s.kind == "unread" and s.text.strip() else s.text for s in block.stretches)
    return [f"{block.label} (what could not be read stands in ⟨ ⟩)", *(f"  | {line}" for line in text.splitlines())]


@_block.register
def _(block: Fold, width: int) -> list[str]:
    lines = [block.title]
    for inner in block.blocks:
        lines += _block(inner, width)
    return lines

"""From sentences and blocks to HTML text: the one place where a character could become markup, and does not."""

from __future__ import annotations

import html
import re
from functools import singledispatch

from bandwright.telling.charts.svg import mark_svg
from bandwright.telling.document import Caution, Document, Drawing, Early, Fold, Items, Log, Note, Para, Part, Plate, Shares, SourceText, Table
from bandwright.telling.said import Piece, Said

__all__ = ["block_html", "document_html", "drawing_html", "head_html", "part_html", "parts_html", "said_html"]


_LONG = re.compile(r"[^\s\u00a0]{21,}")
_STRETCH = 12  # characters of a word that no line may have room for, between places where it may break


def said_html(sentence: Said | str) -> str:
    """Return a sentence as HTML."""
    if isinstance(sentence, str):
        return _escaped(sentence)
    return "".join(_piece(piece) for piece in sentence.pieces)


def _escaped(text: str) -> str:
    """Return text as HTML; a word longer than a column of a table may be wide gets places where it may break."""
    parts, last = [], 0
    for long in _LONG.finditer(text):
        parts.append(html.escape(text[last : long.start()]))
        parts.append("<wbr/>".join(html.escape(long[0][i : i + _STRETCH]) for i in range(0, len(long[0]), _STRETCH)))
        last = long.end()
    return "".join(parts) + html.escape(text[last:])


def _piece(piece: Piece) -> str:
    text = _escaped(piece.text)
    if piece.mark is not None:
        text = f'<span class="key">{mark_svg(piece.mark)}&#8288;{text}</span>'
    if piece.style == "strong":
        text = f"<b>{text}</b>"
    elif piece.style == "quiet":
        text = f'<span class="quiet">{text}</span>'
    elif piece.style == "code":
        text = f"<code>{text}</code>"
    return f'<a href="{html.escape(piece.href)}">{text}</a>' if piece.href else text


def drawing_html(drawing: Drawing) -> str:
    """Return both layouts; the style sheet shows the one that fits."""
    return drawing.wide + drawing.slim


@singledispatch
def block_html(block: object) -> str:
    """Return a block as HTML."""
    raise TypeError(block)


@block_html.register
def _(block: Para) -> str:
    kind = "" if block.kind == "plain" else f' class="{block.kind}"'
    return f"<p{kind}>{said_html(block.text)}</p>"


@block_html.register
def _(block: Early) -> str:
    return f'<div class="early"><span>{said_html(block.text)}</span></div>'


@block_html.register
def _(block: Items) -> str:
    tag = "ol" if block.ordered else "ul"
    return f"<{tag}>{''.join(f'<li>{said_html(item)}</li>' for item in block.items)}</{tag}>"


@block_html.register
def _(block: Table) -> str:
    def klass(column: int) -> str:
        return ' class="num"' if column in block.numeric else ""

    heads = "".join(f'<th scope="col"{klass(i)}>{_escaped(head)}</th>' for i, head in enumerate(block.heads))
    rows = ""
    for cells in block.rows:
        first, *others = cells
        body = "".join(f'<td{klass(i)} data-h="{html.escape(block.heads[i])}">{said_html(cell)}</td>' for i, cell in enumerate(others, 1))
        rows += f'<tr><th scope="row">{said_html(first)}</th>{body}</tr>'
    return f'<table class="cards"><caption>{said_html(block.caption)}</caption><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>'


@block_html.register
def _(block: Plate) -> str:
    keys = f'<span class="keys">{" ".join(said_html(k) for k in block.keys)}</span>' if block.keys else ""
    table = block_html(Fold(title="The same as a table", blocks=(block.table,))) if block.table else ""
    return f'<figure class="plate"><figcaption><b>{said_html(block.finding)}</b>{said_html(block.reading)}{keys}</figcaption>{drawing_html(block.drawing)}</figure>{table}'


@block_html.register
def _(block: Shares) -> str:
    rows = "".join(
        f'<tr><th scope="row">{_escaped(r.need)}<span class="quiet">{_escaped(r.asks)}</span></th><td class="rule">{drawing_html(r.drawing)}</td>'
        f'<td data-h="Met"><b>{html.escape(r.range_text)}</b> of 100<span class="quiet">{html.escape(r.counts)}</span></td></tr>'
        for r in block.rows
    )
    heads = '<th scope="col">Need</th><th scope="col">Of 100 tests like these</th><th scope="col">Range, nine times in ten</th>'
    return f'<table class="shares cards"><caption>{said_html(block.caption)}</caption><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>'


@block_html.register
def _(block: Caution) -> str:
    items = "".join(f"<li>{html.escape(item)}</li>" for item in block.items)
    title = html.escape(block.title)
    return f'<div class="caution" role="group" aria-label="{title}"><p class="title">{title}</p><ul>{items}</ul></div>'


@block_html.register
def _(block: Log) -> str:
    def when(text: str, iso: str) -> str:
        return f'<time datetime="{html.escape(iso)}">{html.escape(text)}</time>' if iso else f'<span class="quiet">{html.escape(text)}</span>'

    return f'<ol class="log">{"".join(f"<li>{when(item.when, item.iso)}<span>{said_html(item.text)}</span></li>" for item in block.items)}</ol>'


@block_html.register
def _(block: SourceText) -> str:
    tags = {"recognised": ("<mark>", "</mark>"), "unread": ('<span class="raw">', "</span>"), "": ("", "")}
    text = "".join(tags[s.kind][0] + html.escape(s.text) + tags[s.kind][1] for s in block.stretches)
    return f'<pre tabindex="0" role="region" aria-label="{html.escape(block.label)}">{text}</pre>'


@block_html.register
def _(block: Fold) -> str:
    return f"<details><summary>{html.escape(block.title)}</summary>{''.join(block_html(b) for b in block.blocks)}</details>"


def _note_html(note: Note | None) -> str:
    if note is None:
        return ""
    return f'<aside class="note" aria-label="{html.escape(note.label)}">{"".join(f"<p>{said_html(p)}</p>" for p in note.paras)}</aside>'


def part_html(part: Part, *, first: bool = False) -> str:
    """Return a part with its note."""
    title = f"<h2>{html.escape(part.title)}</h2>" if part.title else ""
    anchor = f' id="{html.escape(part.anchor)}"' if part.anchor else ""
    body = "".join(block_html(b) for b in part.blocks)
    return f'<div class="part{" first" if first else ""}"{anchor}>{title}{body}{_note_html(part.note)}</div>'


def head_html(document: Document) -> str:
    """Return where, and the headline."""
    where = f'<p class="where">{said_html(document.where)}</p>' if document.where else ""
    return f"{where}<h1>{said_html(document.headline)}</h1>"


def parts_html(document: Document) -> str:
    """Return all that stands below the headline."""
    return "".join(part_html(p, first=i == 0 and not p.title) for i, p in enumerate(document.parts))


def document_html(document: Document) -> str:
    """Return the body of a document: where, headline, parts."""
    return head_html(document) + parts_html(document)

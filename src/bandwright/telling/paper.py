"""A document as one self-contained HTML file, and as an accessible PDF (PDF/UA-1) by typst.

Both carry everything they need. The PDF refuses a drawing without words for those who cannot see it, and so does this module.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from functools import cache, singledispatch
from importlib import resources

from bandwright.errors import OurFault, UsageError
from bandwright.telling.charts.svg import standalone
from bandwright.telling.document import Caution, Document, Drawing, Early, Fold, Items, Log, Note, Para, Part, Plate, Shares, SourceText, Table
from bandwright.telling.markup import document_html, said_html
from bandwright.telling.said import Piece, Said

__all__ = ["packed_style", "paper_html", "paper_pdf", "paper_source", "style_sheet"]


@cache
def style_sheet() -> str:
    """Return the style sheet of pages and papers."""
    return (resources.files("bandwright.telling") / "style.css").read_text(encoding="utf-8")


def packed_style() -> str:
    """Return the style sheet without its comments and spaces, to stand in a page itself: it then needs no second request before it is drawn."""
    text = re.sub(r"/\*.*?\*/", "", style_sheet(), flags=re.DOTALL)
    text = re.sub(r"\s+", " ", text)
    text = re.sub(r" ?([{};,>]) ?", r"\1", text)
    return re.sub(r'(?<!"): ', ":", text).replace(";}", "}").strip()


def paper_html(document: Document) -> str:
    """Return one HTML file that needs nothing else."""
    foot = f'<footer class="foot"><p>{said_html(document.foot)}</p></footer>' if document.foot else ""
    return (
        f'<!doctype html>\n<html lang="en" data-screen="light"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{said_html(document.title)}</title><style>{style_sheet()}</style></head>\n"
        f'<body><header class="head"><span class="word">Bandwright</span></header><main id="main">{document_html(_without_links(document))}</main>{foot}</body></html>\n'
    )


def paper_pdf(document: Document) -> bytes:
    """Return an accessible PDF. Raises UsageError where typst is not installed, OurFault where it refuses the document."""
    try:
        import typst
    except ImportError:
        raise UsageError("PDF needs the extra `report`", todo="Install it with: pip install 'bandwright[report]'; the HTML file needs nothing") from None
    try:
        made: bytes = typst.compile(paper_source(document).encode(), format="pdf", pdf_standards="ua-1")
    except RuntimeError as error:
        raise OurFault("the PDF could not be made", given=str(error)[:300], todo="The HTML file says the same") from error
    return made


def paper_source(document: Document) -> str:
    """Return the document as typst source. Whatever a user wrote stands in string literals, so none of it is read as markup."""
    body = [
        _PREAMBLE.replace("TITLE", _text(document.title)),
        f"#block(text(fill: quiet, size: 9pt, {_said(document.where)}))" if document.where else "",
        f"#heading(level: 1, {_said(document.headline)})",
        *(_part(p) for p in document.parts),
        f"#v(1em)#line(length: 100%, stroke: 0.5pt + hair)#text(fill: quiet, size: 8.5pt, {_said(document.foot)})" if document.foot else "",
    ]
    return "\n".join(x for x in body if x) + "\n"


_PREAMBLE = """#set document(title: TITLE, author: "Bandwright")
#set page(paper: "a4", margin: (x: 18mm, y: 16mm), numbering: "1")
#set text(lang: "en", font: ("Noto Serif", "Libertinus Serif"), size: 9.5pt, hyphenate: false)
#set par(leading: 0.6em, spacing: 0.9em)
#set table(stroke: none, inset: (x: 0pt, right: 6pt, y: 3.5pt))
#let quiet = rgb("#48525a")
#let hair = rgb("#aeb7bd")
#show heading.where(level: 1): it => block(above: 0.8em, below: 0.8em, text(size: 17pt, weight: "regular", it.body))
#show heading.where(level: 2): it => block(above: 1.3em, below: 0.6em, text(size: 12pt, it.body))
#show heading.where(level: 3): it => block(above: 0.8em, below: 0.5em, text(size: 10pt, it.body))
"""


def _text(text: str) -> str:
    """Return a typst string literal."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def _said(sentence: Said | str) -> str:
    if isinstance(sentence, str):
        return _text(sentence)
    return "{ " + "; ".join(_piece(p) for p in sentence.pieces) + " }" if sentence.pieces else '""'


_MARKS = {1: ("●", "#0072b2"), 2: ("■", "#d55e00"), 3: ("▲", "#009e73"), 4: ("◆", "#48525a")}


def _piece(piece: Piece) -> str:
    text = _text(piece.text)
    if piece.mark is not None:
        shape, colour = _MARKS[piece.mark]
        return f'text(fill: rgb("{colour}"), "{shape}"); " "; {text}'
    if piece.style == "strong":
        return f"strong({text})"
    if piece.style == "quiet":
        return f"text(fill: quiet, {text})"
    if piece.style == "code":
        return f"raw({text})"
    return text


def _part(part: Part) -> str:
    title = f"#heading(level: 2, {_text(part.title)})\n" if part.title else ""
    return title + "\n".join(_block(b) for b in part.blocks) + (("\n" + _note(part.note)) if part.note else "")


def _note(note: Note) -> str:
    paras = "\n".join(f"#par(text(fill: quiet, size: 8.5pt, {_said(p)}))" for p in note.paras)
    return f"#line(length: 100%, stroke: 0.5pt + hair)\n{paras}"


@singledispatch
def _block(block: object) -> str:
    raise TypeError(block)


@_block.register
def _(block: Para) -> str:
    if block.kind == "lede":
        return f"#par(text(size: 11pt, {_said(block.text)}))"
    if block.kind == "quiet":
        return f"#par(text(fill: quiet, {_said(block.text)}))"
    return f"#par({_said(block.text)})"


@_block.register
def _(block: Early) -> str:
    return f"#block(stroke: (y: 0.5pt + hair), inset: (y: 5pt), strong({_said(block.text)}))"


@_block.register
def _(block: Items) -> str:
    items = ", ".join(_said(item) for item in block.items)
    return f"#{'enum' if block.ordered else 'list'}({items})"


@_block.register
def _(block: Table) -> str:
    align = ", ".join("right" if i in block.numeric else "left" for i in range(len(block.heads)))
    widths = ", ".join("auto" if i in block.numeric else "1fr" for i in range(len(block.heads)))
    heads = ", ".join(f"text(fill: quiet, {_text(h)})" for h in block.heads)
    cells = ",\n  ".join(", ".join((f"strong({_said(c)})" if i == 0 else _said(c)) for i, c in enumerate(cells)) for cells in block.rows)
    caption = f"#block(below: 0.5em, above: 1em, sticky: true, strong({_said(block.caption)}))\n" if block.caption else ""
    return f"{caption}#table(columns: ({widths},), align: ({align},), column-gutter: 4pt, table.header({heads}), table.hline(stroke: 0.5pt + hair),\n  {cells})"


@_block.register
def _(block: Plate) -> str:
    keys = f"#par({_joined(block.keys)})\n" if block.keys else ""
    return f"#block(below: 0.4em, above: 1.1em, sticky: true, strong({_said(block.finding)}))\n#par({_said(block.reading)})\n{keys}{_drawing(block.drawing)}"


@_block.register
def _(block: Shares) -> str:
    rows = "\n".join(f"#par({{ strong({_text(r.need)}); {_text(f': {r.range_text} of 100; {r.counts}')} }})\n{_drawing(r.drawing, width='50%')}" for r in block.rows)
    return f"#block(strong({_said(block.caption)}))\n{rows}"


@_block.register
def _(block: Caution) -> str:
    items = ", ".join(_text(item) for item in block.items)
    return f"#block(above: 1em, below: 0.6em, sticky: true, strong({_text(block.title)}))\n#block(stroke: (left: 3pt + black), inset: (left: 8pt, y: 2pt), list({items}))"


@_block.register
def _(block: Log) -> str:
    items = ", ".join(f"{{ text(fill: quiet, {_text(item.when + ': ')}); {_said(item.text)} }}" for item in block.items)
    return f"#list({items})"


@_block.register
def _(block: SourceText) -> str:
    return f"#raw({_text(''.join(s.text for s in block.stretches))}, block: true)"


@_block.register
def _(block: Fold) -> str:
    return f"#heading(level: 3, {_text(block.title)})\n" + "\n".join(_block(b) for b in block.blocks)


def _joined(keys: Sequence[Said]) -> str:
    return "{ " + '; "    "; '.join(_said(k) for k in keys) + " }"


def _drawing(drawing: Drawing, width: str = "100%") -> str:
    if not drawing.text:
        raise OurFault("a drawing has no words for those who cannot see it")
    return f'#image(bytes({_text(standalone(drawing.wide))}), format: "svg", width: {width}, alt: {_text(drawing.text)})'


def _without_links(document: Document) -> Document:
    """Return the document with its links as plain words: they lead to pages that do not go along."""
    def plain(value: object) -> object:
        if isinstance(value, Piece):
            return dataclasses.replace(value, href=None)
        if isinstance(value, tuple):
            return tuple(plain(v) for v in value)
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return dataclasses.replace(value, **{f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)})
        return value

    found = plain(document)
    if not isinstance(found, Document):
        raise TypeError(found)
    return found

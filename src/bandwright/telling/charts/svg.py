"""A small canvas for what a grammar of charts cannot say: marks by shape, bands on a rule, areas at true width.

Colours are class names of the style sheet (`f1` fills with the colour of setup 1, `l1` strokes with it, `soft1` is its pale area), so
that light, sun and print modes need no second drawing. `standalone` gives a drawing its own rules where no style sheet goes along.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

__all__ = ["SLIM", "WIDE", "Canvas", "mark_svg", "standalone", "wrapped"]

WIDE, SLIM = 720, 288
_INK, _INK2, _LINE, _HAIR, _GROUND = "#14191d", "#48525a", "#aeb7bd", "#dfe3e6", "#ffffff"
_SERIES = {1: ("#0072b2", "#00588a", "#d3e6f1"), 2: ("#d55e00", "#964200", "#f9e1d0"), 3: ("#009e73", "#00644a", "#d0ece3"), 4: (_INK2, _INK2, _HAIR)}


class Canvas:
    """An SVG drawing of fixed width, in units of one CSS pixel. label: what it shows, in words."""

    def __init__(self, *, wide: bool, height: float, label: str, width: float | None = None) -> None:
        self.wide = wide
        self.width = width if width is not None else (WIDE if wide else SLIM)
        self.height = height
        self.label = label
        self._out: list[str] = []

    def raw(self, svg: str) -> None:
        """Put ready SVG text; everything in it must be made here, never by a user."""
        self._out.append(svg)

    def line(self, x1: float, y1: float, x2: float, y2: float, klass: str = "tick", *, width: float | None = None, dashed: str = "") -> None:
        """Draw a straight line."""
        style = f' style="stroke-width:{width:g}px"' if width else ""
        dash = f' stroke-dasharray="{dashed}"' if dashed else ""
        self.raw(f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" class="{klass}"{style}{dash}/>')

    def rect(self, x: float, y: float, width: float, height: float, klass: str = "") -> None:
        """Draw an area. Negative sides are drawn as nothing."""
        self.raw(f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(max(width, 0))}" height="{_n(max(height, 0))}" class="{klass}"/>')

    def text(self, x: float, y: float, words: str, klass: str = "", anchor: str = "start") -> None:
        """Write words; y is their base line."""
        end = "" if anchor == "start" else f' text-anchor="{anchor}"'
        name = f' class="{klass}"' if klass else ""
        self.raw(f'<text x="{_n(x)}" y="{_n(y)}"{name}{end}>{html.escape(words, quote=False)}</text>')

    def lines(self, x: float, y: float, words: Sequence[str], klass: str = "", anchor: str = "start", step: float = 17) -> None:
        """Write several lines of words."""
        for i, line in enumerate(words):
            self.text(x, y + i * step, line, klass, anchor)

    def path(self, points: Iterable[tuple[float, float]], klass: str, *, closed: bool = False, dashed: str = "", width: float | None = None) -> None:
        """Draw a line through points, or the area within them."""
        d = "M" + " L".join(f"{_n(x)} {_n(y)}" for x, y in points) + ("Z" if closed else "")
        style = f' style="stroke-width:{width:g}px"' if width else ""
        self.raw(f'<path d="{d}" class="{klass}"{style}' + (f' stroke-dasharray="{dashed}"' if dashed else "") + "/>")

    def mark(self, x: float, y: float, mark: int, r: float = 5, *, failed: bool = False) -> None:
        """Draw a setup's mark; a failed test is a cross in the setup's colour."""
        self.raw(_mark(x, y, mark, r, failed=failed))

    def svg(self) -> str:
        """Return the drawing as SVG text."""
        kind = "wide" if self.wide else "slim"
        return f'<svg class="{kind}" viewBox="0 0 {_n(self.width)} {_n(self.height)}" role="img" aria-label="{html.escape(self.label)}">{"".join(self._out)}</svg>'


def wrapped(text: str, most: float) -> list[str]:
    """Return all of a text in lines of at most `most` characters, broken at spaces, and within a word only where it alone is longer: evenly, with a hyphen.

    Nothing is left out: a drawing makes room for what comes back.
    """
    room = max(4, int(most))
    out: list[str] = []
    for word in text.split():
        pieces = _parted(word, room)
        if out and len(out[-1]) + 1 + len(pieces[0]) <= room:
            out[-1] += f" {pieces.pop(0)}"
        out += pieces
    return out or [""]


def _parted(word: str, room: int) -> list[str]:
    """Return a word in pieces that fit: at a hyphen of its own where one serves, else in parts of about one length."""
    if len(word) <= room:
        return [word]
    own = word.rfind("-", 1, room) + 1
    if own:
        return [word[:own], *_parted(word[own:], room)]
    size = -(-len(word) // -(-len(word) // (room - 1)))
    return [word[:size] + "-", *_parted(word[size:], room)]


def mark_svg(mark: int) -> str:
    """Return a setup's mark alone, to stand beside its name."""
    return f'<svg viewBox="0 0 16 16" aria-hidden="true">{_mark(8, 8, mark, 5.5)}</svg>'


def _mark(x: float, y: float, mark: int, r: float, *, failed: bool = False) -> str:
    if failed:
        return f'<path d="M{_n(x - r)} {_n(y - r)}L{_n(x + r)} {_n(y + r)}M{_n(x - r)} {_n(y + r)}L{_n(x + r)} {_n(y - r)}" class="l{mark}"/>'
    k = f'class="f{mark} edge"'
    if mark == 1:
        return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(r)}" {k}/>'
    if mark == 2:
        return f'<rect x="{_n(x - 0.92 * r)}" y="{_n(y - 0.92 * r)}" width="{_n(1.84 * r)}" height="{_n(1.84 * r)}" {k}/>'
    if mark == 3:
        return f'<path d="M{_n(x)} {_n(y - 1.2 * r)}L{_n(x + 1.15 * r)} {_n(y + 0.85 * r)}L{_n(x - 1.15 * r)} {_n(y + 0.85 * r)}Z" {k}/>'
    return f'<path d="M{_n(x)} {_n(y - 1.25 * r)}L{_n(x + 1.25 * r)} {_n(y)}L{_n(x)} {_n(y + 1.25 * r)}L{_n(x - 1.25 * r)} {_n(y)}Z" {k}/>'


def standalone(svg: str) -> str:
    """Return a drawing that carries its own colours and sizes, for the paper and for a notebook: light tokens, no style sheet needed."""
    rules = [
        f"text{{font-family:'Noto Sans','Liberation Sans','DejaVu Sans','Libertinus Serif',sans-serif;font-size:14px;fill:{_INK}}}",
        f".q{{fill:{_INK2}}}.strong{{font-weight:700}}.halo{{paint-order:stroke;stroke:{_GROUND};stroke-width:4px;stroke-linejoin:round}}",
        f".axis{{stroke:{_INK};stroke-width:1px;fill:none}}.tick{{stroke:{_INK2};stroke-width:1px;fill:none}}.lead{{stroke:{_INK2};stroke-width:1px;fill:none}}.grid{{stroke:{_HAIR};stroke-width:1px;fill:none}}",
        f".bar{{fill:{_INK}}}.inverse{{fill:{_GROUND}}}.zone{{fill:{_HAIR}}}.ghost{{fill:none;stroke:{_INK2};stroke-dasharray:4 3}}.edge{{stroke:{_GROUND};stroke-width:1.2px}}.ground{{fill:#cfd4d0;stroke:{_INK};stroke-width:1.5px}}",
        "".join(f".f{k}{{fill:{a}}}.soft{k}{{fill:{c}}}.i{k}{{fill:{b}}}.l{k}{{stroke:{a};fill:none;stroke-width:2px}}.pale{k}{{stroke:{a};fill:none;stroke-width:4px;opacity:.42}}.hollow{k}{{stroke:{a};fill:{_GROUND};stroke-width:1.5px}}" for k, (a, b, c) in _SERIES.items()),
    ]
    head, _, body = svg.partition(">")
    width, height = head.split('viewBox="0 0 ')[1].split('"')[0].split()
    return f'{head} xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"><style>{"".join(rules)}</style>{body}'


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")

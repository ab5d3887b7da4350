"""One plain form of a pasted text, with the way back to the characters it came from.

Takes away what copying, terminals and mail add (byte order marks, colours, carriage returns, quote marks, wide letters, typographic minus
and quotes, the entities of pages for them) and nothing that carries meaning. Every later layer works on the plain text; `Plain.original` turns its spans into spans of the
text that was given. What the words mean is not known here.
"""

from __future__ import annotations

import re
import unicodedata
from bisect import bisect_right
from dataclasses import dataclass

from bandwright.words.radio import Span

__all__ = ["MOST_CHARACTERS", "Plain", "decode", "plain"]

MOST_CHARACTERS = 2_000_000  # more than any status page; longer input is read up to here, and the reading says so

# Minus signs and dashes that stand for "-"; quotes that stand for '"' or "'"; marks without width.
_ONE_FOR_ONE = {
    **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63\uff0d", "-"),
    **dict.fromkeys("\u201c\u201d\u201e\u201f\u00ab\u00bb\u2033", '"'),
    **dict.fromkeys("\u2018\u2019\u201a\u201b\u2032", "'"),
    **dict.fromkeys("\u200b\u200c\u200d\u2060\ufeff\u00ad\x00", ""),
    **dict.fromkeys("\x0b\x0c\x85\u2028\u2029", "\n"),
}
_ANSI = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]{0,300}(?:\x07|\x1b\\)|[@-Z\\-_])")
_QUOTE = re.compile(r"^(?:[ \t]?>)+[ \t]?", re.MULTILINE)
_ENTITY = re.compile(r"&(?:quot|nbsp|minus|apos|#34|#39|#8722);")
_ENTITIES = {"&quot;": '"', "&#34;": '"', "&apos;": "'", "&#39;": "'", "&minus;": "-", "&#8722;": "-"}
_TAG_BREAK = re.compile(r"<br ?/?>", re.IGNORECASE)
_ESCAPED = re.compile(r"\\[rnt\"]")
_ESCAPED_ANSWER = re.compile(r"(?:\\r)?\\n[+^!][A-Z]{2,16} ?:")
_BREAK = re.compile(r"\r+\n?")
_NEEDS_WORK = re.compile(r"<[bB][rR] ?/?>|\\n[+^!]|&(?:quot|nbsp|minus|apos|#34|#39|#8722);|[\x00\x0b\x0c\r\x1b\x7f-\U0010ffff]|^[ \t]?>", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Plain:
    """A normalised text. `starts`: for each run of kept characters its first plain index and how far it was moved; () if nothing moved."""

    text: str
    starts: tuple[int, ...] = ()
    shifts: tuple[int, ...] = ()
    length: int = 0  # of the text that was given

    def original(self, start: int, stop: int) -> Span:
        """Return the span of the given text that a span of the plain text came from."""
        if not self.starts:
            return Span(start, stop)
        first = start + self.shifts[max(0, bisect_right(self.starts, start) - 1)]
        if stop <= start:
            return Span(first, first)
        last = stop - 1 + self.shifts[max(0, bisect_right(self.starts, stop - 1) - 1)]
        return Span(first, min(last + 1, self.length))


def decode(data: bytes) -> str:
    """Return bytes as text: UTF-16 where a byte order mark says so, else UTF-8 with Latin-1 for what is not UTF-8. Never fails."""
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("utf-8", errors="replace") if b"\xef\xbb\xbf" in data[:3] else data.decode("latin-1")


def plain(text: str) -> Plain:
    """Return the plain form of a text. Line ends become line feeds; quote marks at the start of lines, colours and byte order marks go."""
    given = len(text)
    text = text[:MOST_CHARACTERS]
    if _NEEDS_WORK.search(text) is None:
        return Plain(text, length=given)
    cuts = _cuts(text)
    out: list[str] = []
    starts: list[int] = [0]
    shifts: list[int] = [0]
    made = position = 0
    for start, stop, instead in cuts:
        if start < position:
            continue
        kept = text[position:start]
        out.append(kept)
        made += len(kept)
        if instead:
            starts.append(made)
            shifts.append(start - made)
            # every character of a replacement points at the first one replaced, so that spans never leave the text
            for extra in range(1, len(instead)):
                starts.append(made + extra)
                shifts.append(start - made - extra)
            out.append(instead)
            made += len(instead)
        position = stop
        starts.append(made)
        shifts.append(position - made)
    out.append(text[position:])
    return Plain("".join(out), tuple(starts), tuple(shifts), given)


def _cuts(text: str) -> list[tuple[int, int, str]]:
    """Return (start, stop, what stands there instead), ascending."""
    cuts: list[tuple[int, int, str]] = []
    if "\x1b" in text:
        cuts += [(m.start(), m.end(), "") for m in _ANSI.finditer(text)]
    if "\r" in text:
        cuts += [(m.start(), m.end(), "\n") for m in _BREAK.finditer(text)]
    if "&" in text:
        cuts += [(m.start(), m.end(), _ENTITIES.get(m.group(), " ")) for m in _ENTITY.finditer(text)]
    if "<" in text:
        cuts += [(m.start(), m.end(), "\n") for m in _TAG_BREAK.finditer(text)]
    if "\\" in text and _ESCAPED_ANSWER.search(text) is not None:  # an answer within a string of a document
        cuts += [(m.start(), m.end(), {"n": "\n", "r": "", "t": "\t"}.get(text[m.end() - 1], text[m.end() - 1])) for m in _ESCAPED.finditer(text)]
    if ">" in text:
        cuts += [(m.start(), m.end(), "") for m in _QUOTE.finditer(text.replace("\r", "\n"))]
    if not text.isascii() or "\x00" in text or "\x0b" in text or "\x0c" in text:
        for index, letter in enumerate(text):
            if " " <= letter < "\x7f" or letter in "\n\r\t":
                continue
            instead = _ONE_FOR_ONE.get(letter)
            if instead is None:
                instead = unicodedata.normalize("NFKC", letter)
            if instead != letter:
                cuts.append((index, index + 1, instead))
    cuts.sort()
    return cuts

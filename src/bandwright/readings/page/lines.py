"""Lines of a page and what stands on them: segments between wide gaps and marks, separators, and where a text's last words end.

Knows nothing of quantities but which texts are labels.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from bandwright.readings.labels import Key, classify

__all__ = [
    "DECORATION",
    "GUIDE",
    "PATH",
    "RULE",
    "SEPARATOR",
    "STAMP",
    "STATE_ITEM",
    "Pair",
    "Segment",
    "bare_segment",
    "end_of",
    "first_separator",
    "is_label",
    "lines_of",
    "next_said",
    "says",
    "segments_of",
    "stripped",
]

_SEGMENT = re.compile(
    r"\t+|[ ]{2,}|[ ]*[|;•·│┃║][ ]*|,[ ]*(?=(?:[45]G )?[A-Za-z][A-Za-z0-9 _./()-]{0,30}[:=])|,(?=[A-Za-z_][\w.-]{0,30}=)|(?:(?<=[\d\"\]])|(?<=dB)|(?<=dBm)|(?<=Hz))[ ](?=[A-Za-z_][\w.-]{0,30}=\S)"
)
SEPARATOR = re.compile(r"[ \t]*(?:[:=]+>?|->|→)[ \t]*")
DECORATION = " \t#=*-_~[]<>{}|+:.•·│┃║─━═┌┐└┘├┤┬┴┼`\"'"
RULE = re.compile(r"[\s|+:=_*~.─━═┌┐└┘├┤┬┴┼│┃║-]*\Z")
STAMP = re.compile(
    r"[ \t]*[\[(]?((?:\d{4}-\d\d-\d\d|\d{1,2}[./]\d{1,2}[./]\d{2,4})[T ,]+\d\d:\d\d(?::\d\d(?:[.,]\d{1,6})?)?(?:Z|[+-]\d\d:?\d\d)?|\d\d:\d\d:\d\d(?:[.,]\d{1,6})?)[\])]?(?:[ ]?[-|:,][ ]|[ \t]+)"
)
GUIDE = re.compile(
    r"(?i)^(?:very )?(?:excellent|good|fair|poor|bad|weak|strong|great|ok|no signal|mid(?: cell)?|cell edge|medium|quality|legend|signal (?:quality|strength) (?:guide|table)|green|yellow|orange|red|blue|grey|gray)\b"
)
PATH = re.compile(r"[\w\[\]-]+(?:[./][\w\[\]-]+)+\Z")
STATE_ITEM = re.compile(r"(?i)(?:not )?(?:active|activated)|inactive|deactivated|configured")


class Segment(NamedTuple):
    """A piece of text and where it stands."""

    text: str
    start: int
    stop: int


class Pair(NamedTuple):
    """A label and its value, and what stands before them on the line that says whose they are."""

    label: Segment
    value: Segment
    about: tuple[Key, ...] = ()


def lines_of(text: str) -> list[Segment]:
    """Return the lines of a text, each with its place."""
    out = []
    place = 0
    for line in text.split("\n"):
        out.append(Segment(line, place, place + len(line)))
        place += len(line) + 1
    return out


def segments_of(line: Segment) -> list[Segment]:
    """Return the parts of a line between wide gaps, tabs, bars, and commas before a label; bullets are taken off."""
    out = []
    place = 0
    text = line.text
    for mark in _SEGMENT.finditer(text):
        out.append((place, mark.start()))
        place = mark.end()
    out.append((place, len(text)))
    made = []
    for start, stop in out:
        piece = text[start:stop]
        bare = piece.strip()
        lead = len(piece) - len(piece.lstrip())
        if bare.startswith(("- ", "* ", "• ", "+ ")):
            lead += 2
            bare = bare[2:].lstrip()
            lead = piece.index(bare, min(lead, len(piece))) if bare else lead
        if bare:
            made.append(Segment(bare, line.start + start + lead, line.start + start + lead + len(bare)))
    return made


def first_separator(text: str) -> re.Match[str] | None:
    """Return the separator between a label and its value: not the colon of a time or an address."""
    for found in SEPARATOR.finditer(text):
        if found.start() == 0:
            return None
        before, after = text[found.start() - 1], text[found.end() : found.end() + 1]
        if ":" in found.group() and before.isdigit() and after.isdigit() and found.group() == ":" and re.search(r"(?:^|\D)\d{1,2}\Z", text[: found.start()]):
            return None
        return found
    return None


def bare_segment(line: Segment) -> Segment:
    """Return a line without the marks that decorate it."""
    bare = line.text.strip(DECORATION)
    start = line.start + (line.text.index(bare) if bare else 0)
    return Segment(bare, start, start + len(bare))


def stripped(line: Segment) -> Segment:
    """Return a line without the blanks around it."""
    bare = line.text.strip()
    start = line.start + (line.text.index(bare) if bare else 0)
    return Segment(bare, start, start + len(bare))


def next_said(lines: list[Segment], position: int) -> int:
    """Return the position of the next line that is not blank."""
    while position < len(lines) and not lines[position].text.strip():
        position += 1
    return position


@lru_cache(maxsize=4)
def end_of(text: str) -> int:
    """Return where a text's last words end, if no line end follows them: what stands there may go on."""
    return len(text) + 1 if text.endswith("\n") else len(text.rstrip(" \t,;+&/|(.-"))


def says(key: Key) -> bool:
    """Whether a key says whose something is: a technology, a role, a number, or that it is of no carrier at all."""
    return key.rat is not None or bool(key.role) or key.index is not None or key.foreign or key.blocked


def is_label(text: str) -> bool:
    """Whether a text is a label that is understood, and names a quantity."""
    if not text or len(text) > 80:
        return False
    if PATH.match(text) and "/" not in text:
        text = text.rpartition(".")[2]
    key = classify(text)
    return bool(key.quantity) and (key.known or key.quantity == "private")

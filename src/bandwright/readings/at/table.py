"""The table of AT dialects, and the walk over a text's answers. A new dialect is one module and one row here."""

from __future__ import annotations

import re

from bandwright.readings.at import cpsi, gstatus, gtccinfo, hcsq, qeng, smoni, threegpp, xcesq
from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import ANSWER, answer_at
from bandwright.readings.draft import Piece

__all__ = ["DIALECTS", "around", "read_answers"]

DIALECTS: tuple[Dialect, ...] = (qeng.ROW, gstatus.ROW, cpsi.ROW, threegpp.ROW, xcesq.ROW, gtccinfo.ROW, hcsq.ROW, smoni.ROW)

_BY_TAG = {tag: dialect for dialect in DIALECTS for tag in dialect.tags}
# What stands around answers and says nothing of the radio: echoed commands, result codes, answers of other commands.
_AROUND = re.compile(
    r"^[ \t]*(?:(?:-->|>+|\$)?[ \t]*(?:[Ss]ending:?[ \t]*)?[Aa][Tt](?:[+^!&$%*][^\n]*|[EVIZ]?\d?)|OK|ERROR|\+CM[ES] ERROR:[^\n]*|NO CARRIER)[ \t]*\r?$",
    re.MULTILINE,
)


def read_answers(text: str) -> list[Piece]:
    """Return the pieces of all AT answers in a plain text, in order. Answers of unknown tags are not among them."""
    found = ANSWER.search(text)
    if found is None:
        return []
    into = Collector(text)
    while found is not None:
        dialect = _BY_TAG.get(found.group(1))
        place = found.end()
        if dialect is not None:
            place = max(place, dialect.read(answer_at(text, found, joins=dialect.joins), into))
        found = ANSWER.search(text, place)
    return into.pieces


def around(text: str) -> list[tuple[int, int]]:
    """Return the spans of echoed commands and result codes."""
    return [(m.start(), m.end()) for m in _AROUND.finditer(text)]

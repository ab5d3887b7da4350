"""The dialect of ^HCSQ: a technology and its levels as codes, which may arrive unasked.

Source: the code table that public pages quote with the answer, checked against recorded answers. NR codes are not documented: unread.
"""

from __future__ import annotations

from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import Answer, coded, word
from bandwright.readings.draft import Draft
from bandwright.units import Interval
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["ROW"]

_KEY = "^HCSQ"


def _table(origin: float, step: float, last: int, code: int) -> Interval:
    """Return the interval of a code whose lower edge is origin + code * step; 0 is below, the last is open."""
    low = origin + code * step
    return Interval(None if code == 0 else round(low, 1), None if code == last else round(low + step, 1))


def _read(answer: Answer, into: Collector) -> int:
    """Read "LTE", RSSI, RSRP, SINR, RSRQ."""
    piece = into.piece("HCSQ", _KEY, answer)
    technology = word(answer.get(0))
    if technology == "NOSERVICE":
        piece.say_mode(Mode.NONE, 2)
        piece.say_registration(Registration.NONE, 5)
    elif technology in {"GSM", "WCDMA"}:
        piece.say_mode(Mode.GSM if technology == "GSM" else Mode.WCDMA, 2)
    elif technology == "LTE":
        piece.say_mode(Mode.LTE, 1)
        draft = Draft(Rat.LTE, Role.SERVING, answer.start)
        coded(draft, "rssi", answer.get(1), 96, lambda code: _table(-121, 1, 96, code))
        coded(draft, "rsrp", answer.get(2), 97, lambda code: _table(-141, 1, 97, code))
        coded(draft, "sinr", answer.get(3), 251, lambda code: _table(-20.2, 0.2, 251, code))
        coded(draft, "rsrq", answer.get(4), 34, lambda code: _table(-20, 0.5, 34, code))
        if any(item.state is FieldState.OK for item in draft.fields.values()):
            piece.drafts.append(draft)
    else:
        piece.unread.append((answer.start, answer.stop))
    return answer.stop


ROW = Dialect(key=_KEY, title="^HCSQ", tags=frozenset({"^HCSQ"}), read=_read, source="code table quoted with recorded answers")

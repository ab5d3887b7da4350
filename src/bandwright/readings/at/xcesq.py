"""The dialect of +XCESQ: codes of TS 36.133 and a signal-to-noise ratio in half dB. Source: recorded test vectors of a public modem daemon."""

from __future__ import annotations

from bandwright.radio import codes
from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import Answer, coded, whole
from bandwright.readings.draft import Draft
from bandwright.words.radio import FieldState, Rat, Role

__all__ = ["ROW"]

_KEY = "+XCESQ"


def _read(answer: Answer, into: Collector) -> int:
    """Read n, rxlev, ber, rscp, ecno, RSRQ code, RSRP code, RSSNR in half dB."""
    piece = into.piece("XCESQ", _KEY, answer)
    if len(answer.fields) < 7:
        piece.unread.append((answer.start, answer.stop))
        return answer.stop
    draft = Draft(Rat.LTE, Role.SERVING, answer.start)
    coded(draft, "rsrq", answer.get(5), 34, codes.cesq_rsrq_db)
    coded(draft, "rsrp", answer.get(6), 97, codes.cesq_rsrp_dbm)
    whole(draft, "sinr", answer.get(7), -40, 80, convert=lambda halves: halves / 2, note="half dB", sentinels=("255", "99"))
    if any(item.state is FieldState.OK for item in draft.fields.values()):
        piece.drafts.append(draft)
    return answer.stop


ROW = Dialect(key=_KEY, title="+XCESQ", tags=frozenset({"+XCESQ"}), read=_read, source="recorded test vectors")

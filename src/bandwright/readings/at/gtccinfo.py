"""The dialect of +GTCCINFO: rows for the serving cell and its neighbours below the tag, with report codes of TS 36.133 and TS 38.133.

Source: recorded answers, in which +CESQ of the same moment shows that the last two fields are codes; the scale of RSSNR and the meaning
of an NR row's width are not settled and stay undecided.
"""

from __future__ import annotations

import re

from bandwright.radio import codes
from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import Answer, Token, coded, hexadecimal, lte_resource_block_widths, plmn, split_fields, whole
from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.words.radio import FieldState, Mode, Rat, Role

__all__ = ["ROW"]

_KEY = "+GTCCINFO"
_ROW = re.compile(r"[ \t]*([12],\d{1,2},[^\n]*)")
_HEADING = re.compile(r"[ \t]*(?:LTE|NR|WCDMA|GSM)[A-Za-z0-9 -]{0,20} cells?:[ \t]*(?=\n|\Z)")
_RATS = {"4": Rat.LTE, "9": Rat.NR}
_OLDER = {"1": Mode.GSM, "2": Mode.WCDMA}


def _read(answer: Answer, into: Collector) -> int:
    """Read the rows below the tag; blank lines may stand between."""
    piece = into.piece("GTCCINFO", _KEY, answer)
    stop = answer.stop
    text = into.text
    place = text.find("\n", stop)
    while place >= 0:
        while place < len(text) and text[place] in "\n\r\t ":
            place += 1
        heading = _HEADING.match(text, place)
        if heading is not None:
            stop = place + len(heading.group().rstrip())
            place = text.find("\n", stop)
            continue
        found = _ROW.match(text, place)
        if found is None:
            break
        ended = found.end() < len(text)
        _row(tuple(split_fields(found.group(1).rstrip(), found.start(1), ended=ended)), piece)
        stop = found.start(1) + len(found.group(1).rstrip())
        place = text.find("\n", stop)
    piece.spans.append((answer.stop, stop))
    piece.stop = stop
    return stop


def _row(fields: tuple[Token, ...], piece: Piece) -> None:
    serving = fields[0].text == "1"
    rat = _RATS.get(fields[1].text)
    if rat is None:
        if serving and fields[1].text in _OLDER and not fields[1].cut:
            piece.say_mode(_OLDER[fields[1].text], 3)
        return
    draft = Draft(rat, Role.SERVING if serving else Role.NEIGHBOUR, fields[0].start)
    line = Answer("+GTCCINFO", fields, fields[0].start, fields[-1].stop, fields[-1].cut)
    if line.get(2) is not None and fields[2].text:
        plmn(draft, line.get(2), line.get(3))
    hexadecimal(draft, "tac", line.get(4), 16 if rat is Rat.LTE else 24)
    hexadecimal(draft, "cell_id", line.get(5), 28 if rat is Rat.LTE else 36)
    whole(draft, "arfcn", line.get(6), 0, 262143 if rat is Rat.LTE else 3279165)
    whole(draft, "pci", line.get(7), 0, 503 if rat is Rat.LTE else 1007)
    after = 8
    if serving:
        _band(draft, line.get(8), rat)
        after = 9
    _width(draft, line.get(after), rat)
    if serving:
        whole(draft, "sinr", line.get(10), -100, 300, convert=lambda _: None, doubt="the scale of this field is not documented")
        after = 10
    coded(draft, "rsrp", line.get(after + 2), 97 if rat is Rat.LTE else 126, codes.report_rsrp_dbm if rat is Rat.LTE else codes.report_ss_rsrp_dbm)
    coded(draft, "rsrq", line.get(after + 3), 34 if rat is Rat.LTE else 126, codes.report_rsrq_db if rat is Rat.LTE else codes.report_ss_rsrq_db)
    piece.drafts.append(draft)
    if serving:
        if any(other.rat is not rat for other in piece.drafts if other.role is Role.SERVING):
            piece.say_mode(Mode.ENDC, 4)
        else:
            piece.say_mode(Mode.LTE if rat is Rat.LTE else Mode.NR, 3 if rat is Rat.LTE else 1)


def _band(draft: Draft, token: Token | None, rat: Rat) -> None:
    """Put a band printed as 1nn for Bnn and 50nn for nnn."""
    if token is None:
        return
    if not token.text:
        draft.put(null_field("band", "empty", token.start, token.stop))
        return
    prefix, digits = ("1", token.text[1:]) if rat is Rat.LTE else ("50", token.text[2:])
    readable = token.text.startswith(prefix) and digits.isdecimal() and len(digits) in ({2} if rat is Rat.LTE else {1, 2, 3}) and not token.cut
    band = int(digits) if readable else None
    if band is None:
        draft.put(null_field("band", "not a band code", token.start, token.stop, FieldState.IMPLAUSIBLE))
    else:
        draft.put(ok_field("band", band, token.start, token.stop))


def _width(draft: Draft, token: Token | None, rat: Rat) -> None:
    if rat is Rat.LTE:
        whole(draft, "dl_bandwidth", token, 6, 100, convert=lte_resource_block_widths.get, note="resource blocks", doubt="no width has so many resource blocks")
    else:
        whole(draft, "dl_bandwidth", token, 0, 1000, convert=lambda _: None, doubt="the unit of this field is not settled")


ROW = Dialect(key=_KEY, title="+GTCCINFO", tags=frozenset({"+GTCCINFO"}), read=_read, joins=False, source="recorded answers")

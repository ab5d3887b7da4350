"""The answers that TS 27.007 defines: +CSQ, +CESQ, registration, +COPS, and the letters in which a modem says that it has no service.

Source: TS 27.007, 7.2, 7.3, 8.5, 8.69, 10.1.20, 10.1.22, 10.1.47; the numbering of access technologies from 12 up differs between
editions and is left undecided. <rxlev>, <rscp> and <ecno> belong to GSM and UTRA and never become quantities of LTE.
"""

from __future__ import annotations

import re

from bandwright.radio import codes
from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import ACCESS_MODES, REGISTRATION_RANKS, REGISTRATIONS, Answer, Token, coded, hexadecimal, plmn_digits
from bandwright.readings.draft import Draft, Piece, code_field, ok_field
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["ROW"]

_KEY = "TS 27.007"
_NUMBER = re.compile(r"\d{1,3}\Z")
_PLACE = re.compile(r"(?:0[xX])?[0-9A-Fa-f]{3,9}\Z")
_LAST_STATE, _LAST_TECHNOLOGY = 11, 16
_SMS_ONLY = {6, 7}


def _read(answer: Answer, into: Collector) -> int:
    """Read one answer of the dialect."""
    if answer.tag in REGISTRATION_RANKS:
        _registration(answer, into.piece(answer.tag, _KEY, answer))
    elif answer.tag == "+CESQ":
        _extended_quality(answer, into.piece(answer.tag, _KEY, answer))
    elif answer.tag == "+CSQ":
        _quality(answer, into.piece(answer.tag, _KEY, answer))
    else:
        _operator(answer, into.piece(answer.tag, _KEY, answer))
    return answer.stop


def _number(token: Token | None, last: int | None = None) -> int | None:
    """Return a field as a small whole number, or None where it is none or may have been cut. last: the highest number there is."""
    if token is None or token.quoted or _NUMBER.match(token.text) is None or (token.cut and (last is None or int(token.text) * 10 <= last)):
        return None
    return int(token.text)


def _quality(answer: Answer, piece: Piece) -> None:
    """Keep the RSSI of +CSQ as a quantity of the device: it is the level of whatever is received, and no RSRP."""
    code = _number(answer.get(0))
    if code is None or len(answer.fields) != 2 or not (code <= 31 or code == 99):
        piece.unread.append((answer.start, answer.stop))
        return
    if code != 99:
        token = answer.fields[0]
        piece.extras.append(code_field("rssi", codes.csq_rssi_dbm(code), token.start, token.stop))


def _extended_quality(answer: Answer, piece: Piece) -> None:
    fields = answer.fields
    if len(fields) not in {6, 9} and not (answer.cut and len(fields) < 9):
        piece.unread.append((answer.start, answer.stop))
        return
    lte, nr = Draft(Rat.LTE, Role.SERVING, answer.start), Draft(Rat.NR, Role.SERVING, answer.start)
    coded(lte, "rsrq", answer.get(4), 34, codes.cesq_rsrq_db)
    coded(lte, "rsrp", answer.get(5), 97, codes.cesq_rsrp_dbm)
    coded(nr, "rsrq", answer.get(6), 126, codes.cesq_ss_rsrq_db)
    coded(nr, "rsrp", answer.get(7), 126, codes.cesq_ss_rsrp_dbm)
    coded(nr, "sinr", answer.get(8), 127, codes.cesq_ss_sinr_db)
    piece.drafts += [draft for draft in (lte, nr) if any(item.state is FieldState.OK for item in draft.fields.values())]


def _registration(answer: Answer, piece: Piece) -> None:
    """Read <n>,<stat>[,<tac>,<ci>,<AcT>...] or, unasked, <stat>[,<tac>,<ci>,<AcT>...]: the second field shows which."""
    fields = answer.fields
    first, second = _number(answer.get(0)), answer.get(1)
    asked = second is not None and not second.quoted and second.text != "" and len(second.text) < 3 and _NUMBER.match(second.text) is not None
    status = _number(second, _LAST_STATE) if asked else first
    if status is None or first is None or (asked and first > 5):
        piece.unread.append((answer.start, answer.stop))
        return
    _state(answer.tag, status, piece)
    rest = list(fields[2:] if asked else fields[1:])
    if answer.tag == "+CREG" and len(rest) > 1 and not rest[0].text:
        return
    if len(rest) > 2 and not rest[1].quoted and len(rest[1].text) <= 2 and _PLACE.match(rest[2].text):
        del rest[1]  # an extra routing area code in some answers
    technology = _number(rest[2], _LAST_TECHNOLOGY) if len(rest) > 2 else None
    rat = _rat(answer.tag, technology)
    if technology is not None and status in {1, 5, 6, 7, 9, 10, 11}:
        _mode(technology, piece)
    if rat is None or len(rest) < 2 or status in {0, 2, 3, 4}:
        return
    draft = Draft(rat, Role.SERVING, answer.start)
    hexadecimal(draft, "tac", rest[0], 24 if rat is Rat.NR else 16)
    hexadecimal(draft, "cell_id", rest[1], 36 if rat is Rat.NR else 28)
    if any(item.state is FieldState.OK for item in draft.fields.values()):
        piece.drafts.append(draft)


def _state(tag: str, status: int, piece: Piece) -> None:
    registration = REGISTRATIONS.get(status)
    if registration is None:
        piece.why.setdefault("registration", f"{tag}: state {status} is 'unknown'")
        return
    served = registration in {Registration.HOME, Registration.ROAMING, Registration.LIMITED}
    piece.say_registration(registration, REGISTRATION_RANKS[tag] + (12 if served else 0))
    if status in _SMS_ONLY:
        piece.warnings.append(f"{tag}: registered for short messages only")
    if not served and tag != "+CREG":
        piece.say_mode(Mode.NONE, 1)


def _rat(tag: str, technology: int | None) -> Rat | None:
    """Return whose cell a registration answer names, or None where it is an older network's or not said."""
    if tag == "+C5GREG":
        return Rat.LTE if technology == 10 else Rat.NR
    if technology is None:
        return Rat.LTE if tag == "+CEREG" else None
    if technology in {7, 9}:
        return Rat.LTE
    if technology == 11:
        return Rat.NR
    return Rat.LTE if tag == "+CEREG" and technology >= 12 else None


def _mode(technology: int, piece: Piece) -> None:
    mode = ACCESS_MODES.get(technology)
    if mode is not None:
        piece.say_mode(mode, 2)
    elif technology >= 12:
        piece.why.setdefault("mode", f"access technology {technology} is numbered differently by editions of TS 27.007")


def _operator(answer: Answer, piece: Piece) -> None:
    """Read <mode>[,<format>,<oper>[,<AcT>]]; a list of networks in brackets is what was found, not what serves."""
    fields = answer.fields
    how = _number(answer.get(0))
    if how is None or how > 4:
        piece.repeats = False
        return
    technology = _number(answer.get(3))
    if technology is not None and len(fields) == 4:
        _mode(technology, piece)
    name = answer.get(2)
    if name is None or name.cut or _number(answer.get(1)) != 2 or not name.quoted or len(name.text) < 5:
        return
    network = plmn_digits(name.text[:3], name.text[3:])
    rat = {7: Rat.LTE, 9: Rat.LTE, 11: Rat.NR}.get(technology if technology is not None else -1)
    if network is not None and rat is not None:
        draft = Draft(rat, Role.SERVING, answer.start)
        draft.put(ok_field("plmn", network, name.start, name.stop))
        piece.drafts.append(draft)


ROW = Dialect(
    key=_KEY,
    title="TS 27.007",
    tags=frozenset({"+CSQ", "+CESQ", "+CREG", "+CGREG", "+CEREG", "+C5GREG", "+COPS"}),
    read=_read,
    joins=False,
    source="TS 27.007",
)

"""The dialect of +CPSI: forms that differ in the order of their fields, and levels that are whole or in tenths.

Whether the second field is a word tells the forms apart; whether a level is in tenths shows from its size, for each line and each
quantity anew. "Online" is the radio. Source: AT manual of the +CPSI dialect, V1.00.01, 4.2.14, and recorded lines.
"""

from __future__ import annotations

import re

from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import Answer, Token, hexadecimal, plmn_digits, whole, word
from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["ROW"]

_KEY = "+CPSI"
_LTE_WIDTHS = (1.4, 3, 5, 10, 15, 20)
_BAND = re.compile(r"(?:EUTRAN|E-UTRAN|NR5G|NR|LTE)[-_ ]?BAND ?(\d{1,3})\Z")
_WHOLE = re.compile(r"-?\d{1,4}\Z")


def _read(answer: Answer, into: Collector) -> int:
    """Read one line."""
    system = word(answer.get(0))
    operation = answer.get(1)
    second_leg = system.startswith("NR5G") and operation is not None and _WHOLE.match(operation.text) is not None
    piece = into.piece("CPSI", _KEY, answer, follows=second_leg or system.startswith("NOT IN") or system == "NR5G_NSA")
    if system.startswith("NO SERVICE"):
        piece.say_mode(Mode.NONE, 3)
        piece.say_registration(Registration.NONE, 5)
    elif system == "LTE" and len(answer.fields) > 3:
        _lte(answer, piece)
    elif second_leg:
        _second_leg(answer, piece)
    elif system in {"NR5G_SA", "NR5G-SA", "NR5G"} and len(answer.fields) > 3:
        _stand_alone(answer, piece)
    elif system in {"NR5G_NSA", "NR5G-NSA"} and len(answer.fields) > 3:
        _named_second_leg(answer, piece)
    elif system.startswith("GSM"):
        piece.say_mode(Mode.GSM, 3)
    elif system.startswith(("WCDMA", "UMTS", "TDSCDMA")):
        piece.say_mode(Mode.WCDMA, 3)
    elif not system.startswith("NOT IN"):
        piece.unread.append((answer.start, answer.stop))
    return answer.stop


def _head(answer: Answer, draft: Draft, rat: Rat) -> None:
    """Read PLMN, TAC (hexadecimal), cell (decimal), PCI, band, channel: fields 2 to 7 of every form with a word in field 1."""
    network = answer.get(2)
    if network is not None:
        mcc, _, mnc = network.text.partition("-")
        name = plmn_digits(mcc, mnc)
        if name is not None and not network.cut and name != "000-00":
            draft.put(ok_field("plmn", name, network.start, network.stop))
        else:
            draft.put(null_field("plmn", "not a network", network.start, network.stop))
    hexadecimal(draft, "tac", answer.get(3), 16 if rat is Rat.LTE else 24)
    hexadecimal(draft, "cell_id", answer.get(4), 28 if rat is Rat.LTE else 36, base=10)
    whole(draft, "pci", answer.get(5), 0, 503 if rat is Rat.LTE else 1007)
    _band(draft, answer.get(6))
    whole(draft, "arfcn", answer.get(7), 0, 262143 if rat is Rat.LTE else 3279165)


def _band(draft: Draft, token: Token | None) -> None:
    if token is None:
        return
    found = _BAND.match(token.text.upper())
    if found is not None and not token.cut:
        draft.put(ok_field("band", int(found.group(1)), token.start, token.stop))
    else:
        draft.put(null_field("band", "the text ends within this field" if token.cut else "not a band name", token.start, token.stop))


def _lte(answer: Answer, piece: Piece) -> None:
    draft = Draft(Rat.LTE, Role.PCELL, answer.start)
    piece.drafts.append(draft)
    piece.say_mode(Mode.LTE, 3)
    _head(answer, draft, Rat.LTE)
    whole(draft, "dl_bandwidth", answer.get(8), 0, 5, convert=_LTE_WIDTHS.__getitem__)
    whole(draft, "ul_bandwidth", answer.get(9), 0, 5, convert=_LTE_WIDTHS.__getitem__)
    _level(draft, "rsrq", answer.get(10), -20, -3)
    _level(draft, "rsrp", answer.get(11), -140, -44)
    _level(draft, "rssi", answer.get(12), -120, -12)
    _ratio(draft, answer.get(13))


def _stand_alone(answer: Answer, piece: Piece) -> None:
    draft = Draft(Rat.NR, Role.PCELL, answer.start)
    piece.drafts.append(draft)
    piece.say_mode(Mode.NR_SA, 3)
    _head(answer, draft, Rat.NR)
    _level(draft, "rsrp", answer.get(8), -156, -31)
    _level(draft, "rsrq", answer.get(9), -43, 20, doubtful=_in_tenths(answer.get(8)))
    _ratio(draft, answer.get(10))


def _second_leg(answer: Answer, piece: Piece) -> None:
    """Read PCI, ARFCN, RSRQ, RSRP, SNR."""
    draft = Draft(Rat.NR, Role.PSCELL, answer.start)
    whole(draft, "pci", answer.get(1), 0, 1007)
    whole(draft, "arfcn", answer.get(2), 0, 3279165)
    _level(draft, "rsrq", answer.get(3), -43, 20, doubtful=_in_tenths(answer.get(4)))
    _level(draft, "rsrp", answer.get(4), -156, -31)
    _ratio(draft, answer.get(5))
    _add_leg(draft, piece)


def _named_second_leg(answer: Answer, piece: Piece) -> None:
    """Read PCI, band, ARFCN, RSRP, RSRQ, SNR after the word NR5G_NSA: the order of the stand-alone form, without its head."""
    draft = Draft(Rat.NR, Role.PSCELL, answer.start)
    whole(draft, "pci", answer.get(1), 0, 1007)
    _band(draft, answer.get(2))
    whole(draft, "arfcn", answer.get(3), 0, 3279165)
    _level(draft, "rsrp", answer.get(4), -156, -31)
    _level(draft, "rsrq", answer.get(5), -43, 20, doubtful=_in_tenths(answer.get(4)))
    _ratio(draft, answer.get(6))
    _add_leg(draft, piece)


def _add_leg(draft: Draft, piece: Piece) -> None:
    piece.drafts.append(draft)
    piece.say_mode(Mode.ENDC, 4 if any(other.rat is Rat.LTE for other in piece.drafts) else 2)


def _in_tenths(rsrp: Token | None) -> bool:
    """Whether a line's RSRP can only be in tenths."""
    return rsrp is not None and _WHOLE.match(rsrp.text) is not None and -1560 <= int(rsrp.text) <= -440


def _level(draft: Draft, name: str, token: Token | None, low: int, high: int, *, doubtful: bool = False) -> None:
    """Put a level that is whole where it lies in low..high and in tenths where only a tenth of it does.

    doubtful: the line has tenths elsewhere, and this range is so wide that a whole number in it may be tenths too.
    """

    def scaled(number: int) -> float | None:
        if low <= number <= high:
            return None if doubtful else number
        return number / 10

    whole(draft, name, token, min(low * 10, low), max(high * 10, high), convert=scaled, doubt="whole or in tenths")
    made = draft.fields.get(name)
    if token is not None and made is not None and isinstance(made.value, float) and not low <= made.value <= high:
        draft.fields[name] = null_field(name, f"{token.text} is outside {low}..{high}, whole or in tenths", token.start, token.stop, FieldState.IMPLAUSIBLE)


def _ratio(draft: Draft, token: Token | None) -> None:
    """Put an SNR: in tenths where it cannot be dB, else undecided."""
    whole(draft, "sinr", token, -230, 400, convert=lambda number: number / 10 if not -23 <= number <= 40 else None, doubt="dB or tenths")


ROW = Dialect(key=_KEY, title="+CPSI", tags=frozenset({"+CPSI"}), read=_read, source="AT manual of the +CPSI dialect, V1.00.01, 4.2.14")

"""The dialect of ^SMONI: one line for the serving cell, whose twelfth field depends on the state that its last field names.

Source: recorded test vectors of a public modem daemon.
"""

from __future__ import annotations

from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import NOTHING, Answer, Token, hexadecimal, plmn, whole, word
from bandwright.readings.draft import Draft, null_field, ok_field
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["ROW"]

_KEY = "^SMONI"
_STATES = {"NOCONN": Registration.REGISTERED, "CONN": Registration.REGISTERED, "LIMSRV": Registration.LIMITED}


def _read(answer: Answer, into: Collector) -> int:
    """Read 4G, EARFCN, band, DL MHz, UL MHz, duplex, MCC, MNC, TAC, cell, PCI, Srxlev or transmit power, RSRP, RSRQ, state."""
    piece = into.piece("SMONI", _KEY, answer)
    technology = word(answer.get(0))
    if word(answer.get(1)) == "SEARCH":
        piece.say_mode(Mode.NONE, 3)
        piece.say_registration(Registration.SEARCHING, 10)
        return answer.stop
    if technology in {"2G", "3G"}:
        piece.say_mode(Mode.GSM if technology == "2G" else Mode.WCDMA, 3)
        served = _STATES.get(word(answer.fields[-1]))
        if served is not None:
            piece.say_registration(served, 10)
        return answer.stop
    if technology != "4G" or len(answer.fields) < 3:
        piece.unread.append((answer.start, answer.stop))
        return answer.stop
    piece.say_mode(Mode.LTE, 3)
    state_token = answer.get(14)
    state = word(state_token)
    registration = _STATES.get(state)
    if registration is not None:
        piece.say_registration(registration, 10)
    draft = Draft(Rat.LTE, Role.PCELL if registration is Registration.REGISTERED else Role.SERVING, answer.start)
    whole(draft, "arfcn", answer.get(1), 0, 262143)
    whole(draft, "band", answer.get(2), 1, 113)
    _width(draft, "dl_bandwidth", answer.get(3))
    _width(draft, "ul_bandwidth", answer.get(4))
    duplex = answer.get(5)
    if duplex is not None and duplex.text in {"FDD", "TDD"}:
        draft.put(ok_field("duplex", duplex.text, duplex.start, duplex.stop))
    plmn(draft, answer.get(6), answer.get(7))
    hexadecimal(draft, "tac", answer.get(8), 16)
    hexadecimal(draft, "cell_id", answer.get(9), 28)
    whole(draft, "pci", answer.get(10), 0, 503)
    if state in {"NOCONN", "LIMSRV"}:
        whole(draft, "srxlev", answer.get(11), -100, 120)
    elif state == "CONN":
        whole(draft, "tx_power", answer.get(11), -50, 33)
    _halves(draft, "rsrp", answer.get(12), -140, -44)
    _halves(draft, "rsrq", answer.get(13), -20, -3)
    piece.drafts.append(draft)
    return answer.stop


def _width(draft: Draft, name: str, token: Token | None) -> None:
    """Put a width in MHz, of which 1.4 is the only broken one."""
    if token is not None and token.text == "1.4" and not token.cut:
        draft.put(ok_field(name, 1.4, token.start, token.stop))
    else:
        whole(draft, name, token, 3, 20)


def _halves(draft: Draft, name: str, token: Token | None, low: float, high: float) -> None:
    """Put a level in whole or half dB."""
    if token is None:
        return
    text = token.text
    if text in NOTHING:
        draft.put(null_field(name, "printed as not known" if text else "empty", token.start, token.stop))
        return
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if token.cut:
        draft.put(null_field(name, "the text ends within this number", token.start, token.stop))
    elif not low <= value <= high or not text.lstrip("-").replace(".", "", 1).isdecimal():
        draft.put(null_field(name, f"not a level from {low} to {high}", token.start, token.stop, FieldState.IMPLAUSIBLE))
    else:
        draft.put(ok_field(name, int(value) if value.is_integer() else value, token.start, token.stop))


ROW = Dialect(key=_KEY, title="^SMONI", tags=frozenset({"^SMONI"}), read=_read, source="recorded test vectors")

"""The dialect of +QENG, +QCAINFO, +QNWINFO, +QCSQ, +QRSRP and +QSCAN: order of fields by form and by their number, and its code tables.

Source: RG50xQ & RM5xxQ Series Network Application Note, 3.2 and 3.3, sections 3.2 and 3.3; older LTE layout and the tenths of early NR
firmware from recorded answers. What editions of the manual disagree on (NR width codes 9 to 11, the last field but one of a
stand-alone NR line) is left undecided, or decided by what the carrier frequency range allows.
"""

from __future__ import annotations

import re

from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import Answer, Token, hexadecimal, lte_resource_block_widths, plmn, plmn_digits, whole, word
from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["ROW"]

_KEY = "+QENG"
_LTE_WIDTHS = (1.4, 3, 5, 10, 15, 20)
_NR_WIDTHS = {0: 5, 1: 10, 2: 15, 3: 20, 4: 25, 5: 30, 6: 40, 7: 50, 8: 60, 13: 200, 14: 400, 15: 35, 16: 45}
_SPACINGS_KHZ = (15, 30, 60, 120, 240)
_BAND = re.compile(r"(LTE|NR5G|NR) ?BAND ?(\d{1,3})\Z")
_LEVELS = {
    "+QRSRP": ("rsrp_per_port", -156, -31),
    "+QRSRQ": ("rsrq_per_port", -43, 20),
    "+QSINR": ("sinr_per_port", -23, 40),
    "+QRSSI": ("rssi_per_port", -120, -10),
}
_STATES = {
    "NOCONN": Registration.REGISTERED,
    "CONNECT": Registration.REGISTERED,
    "LIMSRV": Registration.LIMITED,
    "SEARCH": Registration.SEARCHING,
}
_OLDER_MODES = {"GSM": Mode.GSM, "WCDMA": Mode.WCDMA, "UMTS": Mode.WCDMA, "TDSCDMA": Mode.WCDMA}


def _read(answer: Answer, into: Collector) -> int:
    """Read one answer of the dialect."""
    if answer.tag == "+QENG":
        _engineering(answer, into)
    elif answer.tag == "+QCAINFO":
        _aggregation(answer, into)
    elif answer.tag == "+QNWINFO":
        _network(answer, into)
    elif answer.tag == "+QCSQ":
        _signal(answer, into)
    elif answer.tag == "+QSCAN":
        _scan(answer, into)
    else:
        _ports(answer, into)
    return answer.stop


def _engineering(answer: Answer, into: Collector) -> None:
    form = word(answer.get(0))
    if form == "SERVINGCELL":
        into.state = word(answer.get(1))
        _serving(answer, into.piece("QENG serving", _KEY, answer))
    elif form in {"LTE", "NR5G-NSA"}:
        piece = into.piece("QENG serving", _KEY, answer, follows=True)
        if form == "LTE":
            _lte_serving(answer, piece, 1, connected=into.state == "CONNECT")
        else:
            _nsa(answer, piece, 1)
    elif form.startswith("NEIGHBOURCELL"):
        piece = into.piece("QENG neighbour", _KEY, answer, follows=True)
        if word(answer.get(1)) == "LTE":
            _lte_neighbour(answer, piece)
        elif word(answer.get(1)) not in _OLDER_MODES:
            piece.unread.append((answer.start, answer.stop))
    else:
        piece = into.piece("QENG", _KEY, answer, follows=True)
        piece.unread.append((answer.start, answer.stop))


def _serving(answer: Answer, piece: Piece) -> None:
    state, technology = word(answer.get(1)), word(answer.get(2))
    registration = _STATES.get(state)
    if registration is not None:
        piece.say_registration(registration, 10)
    if state == "SEARCH":
        piece.say_mode(Mode.NONE, 3)
    if technology in {"LTE", "CAT-M", "EMTC"}:
        _lte_serving(answer, piece, 3, connected=state == "CONNECT")
    elif technology == "NR5G-SA":
        _sa(answer, piece)
    elif technology == "NR5G-NSA":
        _nsa(answer, piece, 3)
    elif technology in _OLDER_MODES:
        piece.say_mode(_OLDER_MODES[technology], 3)
    elif technology:
        piece.unread.append((answer.fields[2].start, answer.stop))


def _role(piece: Piece, role: Role) -> Role:
    """Return the role, or "serving" where the device only camps: a camped cell is no PCell."""
    return Role.SERVING if piece.registration is Registration.LIMITED else role


def _lte_serving(answer: Answer, piece: Piece, at: int, *, connected: bool) -> None:
    draft = Draft(Rat.LTE, _role(piece, Role.PCELL), answer.start)
    piece.drafts.append(draft)
    piece.say_mode(Mode.LTE, 3)
    given = answer.fields[at:]
    _duplex(draft, answer.get(at))
    plmn(draft, answer.get(at + 1), answer.get(at + 2))
    hexadecimal(draft, "cell_id", answer.get(at + 3), 28)
    whole(draft, "pci", answer.get(at + 4), 0, 503)
    whole(draft, "arfcn", answer.get(at + 5), 0, 262143)
    whole(draft, "band", answer.get(at + 6), 1, 113)
    whole(draft, "ul_bandwidth", answer.get(at + 7), 0, 5, convert=_LTE_WIDTHS.__getitem__)
    whole(draft, "dl_bandwidth", answer.get(at + 8), 0, 5, convert=_LTE_WIDTHS.__getitem__)
    hexadecimal(draft, "tac", answer.get(at + 9), 16)
    whole(draft, "rsrp", answer.get(at + 10), -140, -44)
    whole(draft, "rsrq", answer.get(at + 11), -20, -3)
    whole(draft, "rssi", answer.get(at + 12), -120, -10)
    whole(draft, "sinr", answer.get(at + 13), 0, 25, convert=lambda code: 2 * code - 20, note="2X - 20")
    _lte_tail(draft, answer, given[14:], connected=connected)


def _lte_tail(draft: Draft, answer: Answer, tail: tuple[Token, ...], *, connected: bool) -> None:
    """Read what follows the SINR: srxlev alone in the older layout, CQI, transmit power and srxlev in the newer one."""
    if answer.cut and len(tail) < 3:
        return  # the layout shows only in a whole line
    if len(tail) == 1:
        whole(draft, "srxlev", tail[0], -100, 120)
    elif len(tail) >= 3:
        whole(draft, "cqi", tail[0], 0, 30, convert=lambda cqi: cqi or None, doubt="0 is outside the documented 1..30")
        if connected:
            whole(draft, "tx_power", tail[1], -500, 330, convert=lambda tenths: tenths / 10)
        else:
            whole(draft, "tx_power", tail[1], -500, 330, convert=lambda _: None, doubt="transmit power has meaning in traffic only")
        whole(draft, "srxlev", tail[2], -100, 120)


def _duplex(draft: Draft, token: Token | None) -> None:
    if token is not None and token.text.upper() in {"FDD", "TDD"} and not token.cut:
        draft.put(ok_field("duplex", token.text.upper(), token.start, token.stop))


def _nsa(answer: Answer, piece: Piece, at: int) -> None:
    draft = Draft(Rat.NR, Role.PSCELL, answer.start)
    piece.drafts.append(draft)
    plmn(draft, answer.get(at), answer.get(at + 1))
    whole(draft, "pci", answer.get(at + 2), 0, 1007)
    whole(draft, "rsrp", answer.get(at + 3), -156, -31)
    short = len(answer.fields) <= at + 6
    sinr = answer.get(at + 4)
    if short and answer.cut:
        sinr = None  # whether the line is the short one shows only in a whole line
    if short:
        whole(draft, "sinr", sinr, -230, 400, convert=lambda tenths: tenths / 10 if abs(tenths) > 40 else None, doubt="dB, or tenths as in early firmware")
    else:
        whole(draft, "sinr", sinr, -23, 40)
    whole(draft, "rsrq", answer.get(at + 5), -43, 20)
    whole(draft, "arfcn", answer.get(at + 6), 0, 3279165)
    whole(draft, "band", answer.get(at + 7), 1, 263)
    _nr_width(draft, "dl_bandwidth", answer.get(at + 8))
    _spacing(draft, answer.get(at + 9))
    fields = draft.fields
    if all(fields[name].state is not FieldState.OK for name in ("pci", "rsrp", "arfcn") if name in fields):
        piece.drafts.pop()  # all "-": the leg is configured, not there
        return
    if any(other.rat is Rat.LTE for other in piece.drafts):
        piece.say_mode(Mode.ENDC, 4)
    else:
        piece.say_mode(Mode.ENDC, 2)


def _sa(answer: Answer, piece: Piece) -> None:
    draft = Draft(Rat.NR, _role(piece, Role.PCELL), answer.start)
    piece.drafts.append(draft)
    piece.say_mode(Mode.NR_SA, 3)
    _duplex(draft, answer.get(3))
    plmn(draft, answer.get(4), answer.get(5))
    hexadecimal(draft, "cell_id", answer.get(6), 36)
    whole(draft, "pci", answer.get(7), 0, 1007)
    hexadecimal(draft, "tac", answer.get(8), 24)
    whole(draft, "arfcn", answer.get(9), 0, 3279165)
    whole(draft, "band", answer.get(10), 1, 263)
    _nr_width(draft, "dl_bandwidth", answer.get(11))
    whole(draft, "rsrp", answer.get(12), -156, -31)
    whole(draft, "rsrq", answer.get(13), -43, 20)
    whole(draft, "sinr", answer.get(14), -23, 40)
    _spacing(draft, answer.get(15))
    whole(draft, "srxlev", answer.get(16), -100, 120)


def _nr_width(draft: Draft, name: str, token: Token | None) -> None:
    """Put an NR width code. 9 to 11 differ between editions; 12 is 100 MHz below 7.125 GHz, where no wider carrier exists."""
    band = draft.fields.get("band")
    below = band is not None and isinstance(band.value, int) and band.value < 257

    def width(code: int) -> float | None:
        if code == 12:
            return 100 if below else None
        if code in {13, 14} and below:
            return None
        return _NR_WIDTHS.get(code)

    whole(draft, name, token, 0, 16, convert=width, doubt="editions of the manual number this code differently")


def _spacing(draft: Draft, token: Token | None) -> None:
    whole(draft, "scs", token, 0, 4, convert=_SPACINGS_KHZ.__getitem__)


def _lte_neighbour(answer: Answer, piece: Piece) -> None:
    draft = Draft(Rat.LTE, Role.NEIGHBOUR, answer.start)
    whole(draft, "arfcn", answer.get(2), 0, 262143)
    whole(draft, "pci", answer.get(3), 0, 503)
    whole(draft, "rsrq", answer.get(4), -20, -3)
    whole(draft, "rsrp", answer.get(5), -140, -44)
    whole(draft, "rssi", answer.get(6), -120, -10)
    whole(draft, "sinr", answer.get(7), -20, 30, convert=lambda _: None, doubt="a code, a level or a placeholder")
    whole(draft, "srxlev", answer.get(8), -100, 120)
    piece.drafts.append(draft)


def _band(draft: Draft, token: Token) -> Rat | None:
    """Put the band of "LTE BAND 3" or "NR5G BAND 78" and return its technology."""
    found = _BAND.match(token.text.upper())
    if found is None or token.cut:
        return None
    rat = Rat.LTE if found.group(1) == "LTE" else Rat.NR
    draft.rat = rat
    draft.put(ok_field("band", int(found.group(2)), token.start, token.stop))
    return rat


def _aggregation(answer: Answer, into: Collector) -> None:
    kind = word(answer.get(0))
    piece = into.piece("QCAINFO", _KEY, answer, follows=kind != "PCC")
    band = answer.get(3)
    draft = Draft(None, Role.PCELL if kind == "PCC" else Role.SCELL, answer.start)
    rat = _band(draft, band) if band is not None and kind in {"PCC", "SCC"} else None
    if rat is None:
        piece.unread.append((answer.start, answer.stop))
        return
    piece.drafts.append(draft)
    if rat is Rat.LTE:
        _lte_component(answer, piece, draft)
    else:
        _nr_component(answer, piece, draft)


def _lte_component(answer: Answer, piece: Piece, draft: Draft) -> None:
    whole(draft, "arfcn", answer.get(1), 0, 262143)
    whole(
        draft,
        "dl_bandwidth",
        answer.get(2),
        6,
        100,
        convert=lte_resource_block_widths.get,
        note="resource blocks",
        doubt="no width has so many resource blocks",
    )
    _component_state(answer.get(4), piece, draft)
    whole(draft, "pci", answer.get(5), 0, 503)
    whole(draft, "rsrp", answer.get(6), -140, -44)
    whole(draft, "rsrq", answer.get(7), -20, -3)
    whole(draft, "rssi", answer.get(8), -120, -10)
    whole(draft, "sinr", answer.get(9), -20, 30)
    uplink = answer.get(10)
    if uplink is not None and uplink.text == "1":
        whole(
            draft,
            "ul_bandwidth",
            answer.get(11),
            6,
            100,
            convert=lte_resource_block_widths.get,
            note="resource blocks",
            doubt="no width has so many resource blocks",
        )
        whole(draft, "ul_arfcn", answer.get(12), 0, 262143)
    elif uplink is not None and uplink.text == "0":
        draft.put(null_field("ul_bandwidth", "no uplink is configured", uplink.start, uplink.stop))
    if draft.role is Role.PCELL:
        piece.say_mode(Mode.LTE, 2)


def _component_state(token: Token | None, piece: Piece, draft: Draft) -> None:
    if token is None or token.cut or token.is_nothing:
        return
    if draft.role is Role.PCELL:
        meaning = {"1": Registration.HOME, "2": Registration.SEARCHING, "3": Registration.DENIED, "5": Registration.ROAMING}.get(token.text)
        if meaning is not None:
            piece.say_registration(meaning, 11)
    elif token.text in {"0", "1", "2"}:
        draft.put(ok_field("state", ("deconfigured", "configured-inactive", "active")[int(token.text)], token.start, token.stop))


def _nr_component(answer: Answer, piece: Piece, draft: Draft) -> None:
    whole(draft, "arfcn", answer.get(1), 0, 3279165)
    _nr_width(draft, "dl_bandwidth", answer.get(2))
    anchored = any(other.rat is Rat.LTE and other.role is Role.PCELL for other in piece.drafts)
    led = any(other.rat is Rat.NR and other.role in {Role.PCELL, Role.PSCELL} for other in piece.drafts if other is not draft)
    if draft.role is Role.SCELL and anchored and not led:
        draft.role = Role.PSCELL
        piece.say_mode(Mode.ENDC, 4)
    elif draft.role is Role.PCELL:
        piece.say_mode(Mode.NR_SA, 2)
    after = answer.fields[4:]
    if len(after) == 1 and not answer.cut:
        whole(draft, "pci", after[0], 0, 1007)
    elif len(after) >= 5:
        if draft.role is not Role.PSCELL:
            _component_state(after[0], piece, draft)
        elif after[0].text in {"0", "1", "2"}:
            draft.put(ok_field("state", ("deconfigured", "configured-inactive", "active")[int(after[0].text)], after[0].start, after[0].stop))
        whole(draft, "pci", after[1], 0, 1007)
        if after[2].text == "1":
            _nr_width(draft, "ul_bandwidth", after[3])
            whole(draft, "ul_arfcn", after[4], 0, 3279165)
        elif after[2].text == "0":
            draft.put(null_field("ul_bandwidth", "no uplink is configured", after[2].start, after[2].stop))
        if len(after) >= 7:
            whole(draft, "rsrp", after[5], -156, -31)
            whole(draft, "rsrq", after[6], -43, 20)
    elif after:
        piece.unread.append((after[0].start, answer.stop))


def _network(answer: Answer, into: Collector) -> None:
    piece = into.piece("QNWINFO", _KEY, answer, follows=True)
    technology = word(answer.get(0))
    if technology in {"NO SERVICE", "NONE", "NOSERVICE"}:
        piece.say_mode(Mode.NONE, 2)
        piece.say_registration(Registration.NONE, 5)
        return
    if len(answer.fields) < 4 or not answer.fields[0].quoted:
        piece.unread.append((answer.start, answer.stop))
        return
    draft = Draft(None, Role.SERVING, answer.start)
    if _band(draft, answer.fields[2]) is None:
        older = (
            Mode.GSM
            if technology in {"GSM", "GPRS", "EDGE", "CDMA1X"}
            else Mode.WCDMA
            if any(mark in technology for mark in ("WCDMA", "HS", "UMTS", "CDMA"))
            else None
        )
        if older is not None:
            piece.say_mode(older, 2)
        return
    if technology[:3] in {"FDD", "TDD"}:
        kind = answer.fields[0]
        draft.put(ok_field("duplex", technology[:3], kind.start, kind.stop))
    digits = answer.fields[1]
    _joined_plmn(draft, digits)
    whole(draft, "arfcn", answer.get(3), 0, 262143 if draft.rat is Rat.LTE else 3279165)
    piece.drafts.append(draft)
    rats = {other.rat for other in piece.drafts}
    if rats == {Rat.LTE}:
        piece.say_mode(Mode.LTE, 2)
    elif Rat.LTE in rats:
        piece.say_mode(Mode.ENDC, 4)
    elif "SA" in technology and "NSA" not in technology:
        piece.say_mode(Mode.NR_SA, 2)
    else:
        piece.say_mode(Mode.ENDC if "NSA" in technology else Mode.NR, 1)


def _joined_plmn(draft: Draft, token: Token) -> None:
    network = plmn_digits(token.text[:3], token.text[3:])
    if network is not None and len(token.text) >= 5 and not token.cut:
        draft.put(ok_field("plmn", network, token.start, token.stop))
    elif token.text:
        draft.put(null_field("plmn", "not five or six digits", token.start, token.stop, FieldState.IMPLAUSIBLE))


def _signal(answer: Answer, into: Collector) -> None:
    technology = word(answer.get(0))
    if len(answer.fields) == 1 and technology == "NOSERVICE":
        piece = into.piece("QCSQ", _KEY, answer, follows=True)
        piece.say_mode(Mode.NONE, 2)
        piece.say_registration(Registration.NONE, 4)
        return
    figures = answer.get(1)
    if figures is None or figures.quoted or not answer.fields[0].quoted:
        into.piece("QCSQ settings", _KEY, answer).repeats = False  # query of the configuration, or the list of what could be reported
        return
    piece = into.piece("QCSQ", _KEY, answer, follows=True)
    if technology in _OLDER_MODES:
        piece.say_mode(_OLDER_MODES[technology], 2)
        return
    if technology == "LTE":
        draft = Draft(Rat.LTE, Role.SERVING, answer.start)
        piece.say_mode(Mode.LTE, 1)
        whole(draft, "rssi", answer.get(1), -120, -10)
        whole(draft, "rsrp", answer.get(2), -140, -44)
        whole(draft, "sinr", answer.get(3), 0, 250, convert=lambda fifths: fifths / 5 - 20, note="fifths of a dB from -20")
        whole(draft, "rsrq", answer.get(4), -20, -3)
    elif technology.startswith("NR5G"):
        draft = Draft(Rat.NR, Role.SERVING, answer.start)
        piece.say_mode(Mode.NR if technology == "NR5G" else Mode.NR_SA if technology == "NR5G-SA" else Mode.ENDC, 1)
        whole(draft, "rsrp", answer.get(1), -156, -31)
        whole(draft, "sinr", answer.get(2), -23, 40)
        whole(draft, "rsrq", answer.get(3), -43, 20)
    else:
        piece.unread.append((answer.start, answer.stop))
        return
    piece.drafts.append(draft)


def _ports(answer: Answer, into: Collector) -> None:
    name, low, high = _LEVELS[answer.tag]
    fields = answer.fields
    technology = word(fields[-1]) if fields else ""
    rat = Rat.LTE if technology == "LTE" else Rat.NR if technology.startswith("NR5G") else None
    piece = into.piece(answer.tag + " " + technology, _KEY, answer, follows=True)
    if rat is None or len(fields) < 2:
        piece.unread.append((answer.start, answer.stop))
        return
    piece.say_mode(Mode.LTE if rat is Rat.LTE else Mode.NR, 1)
    draft = Draft(rat, Role.SERVING, answer.start)
    values: list[float | None] = []
    for token in fields[:-1]:
        one = Draft(None, None, 0)
        whole(one, name, token, low, high)
        value = one.fields[name].value
        values.append(value if isinstance(value, int) else None)
    if name == "rsrp_per_port":
        values = _without_unused(values)
    if any(value is not None for value in values):
        why = "ports at the end of the range are not connected" if None in values else None
        draft.put(ok_field(name, tuple(values), fields[0].start, fields[-2].stop, why=why))
    else:
        draft.put(null_field(name, "no port has a value", fields[0].start, fields[-2].stop))
    piece.drafts.append(draft)


def _without_unused(values: list[float | None]) -> list[float | None]:
    """Return the ports' levels without -44 (the end of the range) and -140 where another port is far from it: not connected."""
    others = [value for value in values if value is not None and value not in {-44, -140}]
    if not others:
        return values
    return [None if (value == -44 and max(others) < -64) or value == -140 else value for value in values]


def _scan(answer: Answer, into: Collector) -> None:
    piece = into.piece("QSCAN", _KEY, answer, follows=True)
    technology = word(answer.get(0))
    rat = Rat.LTE if technology == "LTE" else Rat.NR if technology.startswith("NR5G") else None
    if rat is None or len(answer.fields) < 8:
        piece.unread.append((answer.start, answer.stop))
        return
    draft = Draft(rat, Role.SCAN, answer.start)
    plmn(draft, answer.get(1), answer.get(2))
    whole(draft, "arfcn", answer.get(3), 0, 262143 if rat is Rat.LTE else 3279165)
    whole(draft, "pci", answer.get(4), 0, 503 if rat is Rat.LTE else 1007)
    whole(draft, "rsrp", answer.get(5), -140 if rat is Rat.LTE else -156, -31)
    whole(draft, "rsrq", answer.get(6), -43, 20)
    whole(draft, "srxlev", answer.get(7), -100, 150)
    if rat is Rat.LTE:
        hexadecimal(draft, "cell_id", answer.get(9), 28)
        hexadecimal(draft, "tac", answer.get(10), 16)
        whole(
            draft,
            "dl_bandwidth",
            answer.get(11),
            6,
            100,
            convert=lte_resource_block_widths.get,
            note="resource blocks",
            doubt="no width has so many resource blocks",
        )
        whole(draft, "band", answer.get(12), 1, 113)
    else:
        _spacing(draft, answer.get(8))
        hexadecimal(draft, "cell_id", answer.get(9), 36)
        hexadecimal(draft, "tac", answer.get(10), 24)
        _scanned_width(draft, answer.get(11), answer.get(12))
    piece.drafts.append(draft)


def _scanned_width(draft: Draft, blocks: Token | None, band: Token | None) -> None:
    """Put the width of a scanned NR carrier, printed as resource blocks of its subcarrier spacing, and its band."""
    whole(draft, "band", band, 1, 263)
    spacing, number = draft.fields.get("scs"), draft.fields.get("band")
    widths: dict[int, float] = {}
    if spacing is not None and isinstance(spacing.value, int) and number is not None and isinstance(number.value, int):
        widths = _widths_by_blocks(number.value, spacing.value)
    whole(draft, "dl_bandwidth", blocks, 1, 273, convert=widths.get, note="resource blocks", doubt="no width has so many resource blocks")


def _widths_by_blocks(band: int, scs_khz: int) -> dict[int, float]:
    from bandwright.errors import ChannelError
    from bandwright.radio.bands import is_fr2, nr_bandwidths_mhz, nr_resource_blocks

    try:
        return {nr_resource_blocks(width, scs_khz, fr2=is_fr2(band)): width for width in nr_bandwidths_mhz(band, scs_khz)}
    except ChannelError:
        return {}


ROW = Dialect(
    key=_KEY,
    title="+QENG and its kin",
    tags=frozenset({"+QENG", "+QCAINFO", "+QNWINFO", "+QCSQ", "+QRSRP", "+QRSRQ", "+QSINR", "+QRSSI", "+QSCAN"}),
    read=_read,
    source="RG50xQ & RM5xxQ Series Network Application Note 3.2, 3.3",
)

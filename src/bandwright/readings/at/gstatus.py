"""The dialect of !GSTATUS and !LTEINFO: labels in two columns, and small tables whose columns stand under their headings.

Levels are given for each receive chain; "RSRP (dBm)" belongs to the chain on its left. A hexadecimal number with its decimal twin in
brackets must agree with it. Source: AT command reference of the EM74xx/MC74xx modules, and recorded answers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from bandwright.readings.at.collector import Collector, Dialect
from bandwright.readings.at.line import Answer, Token, hexadecimal, plmn, whole
from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.words.radio import Field, FieldState, Mode, Rat, Registration, Role, Span

__all__ = ["ROW"]

_KEY = "!GSTATUS"
_LTE_WIDTHS = (1.4, 3, 5, 10, 15, 20)
_LABEL = re.compile(r"(?:^|\t|  )[ \t]*([A-Za-z][\w()/.-]*(?: [\w()/.-]+){0,4}) *:", re.MULTILINE)
_ENDS = re.compile(r"^[ \t]*(?:OK|ERROR|[+^!][A-Z]+ ?:|AT[+^!].*)[ \t]*$", re.MULTILINE)
_TWINS = re.compile(r"(?:0x)?([0-9A-Fa-f]{1,9}) ?\((\d{1,11})\)\Z")
_NUMBER = re.compile(r"-?\d{1,6}(?:\.\d{1,2})?\Z")
_CHAIN = re.compile(r"(PCC|SCC ?\d?) ?(Rx\w+) (RSSI|RSRP)\Z", re.IGNORECASE)
_SECOND = re.compile(r"LTE (?:SCC|SSC|SCELL) ?(\d?) ?(STATE|BAND|BW|CHAN)\Z")
_NR = re.compile(r"NR5G (BAND|DL BW|UL BW|RX CHAN|TX CHAN|RSRP|RSRQ|SINR)(?: \(DBM?\))?\Z")
_NR_NAMES = {
    "BAND": "band",
    "DL BW": "dl_bandwidth",
    "UL BW": "ul_bandwidth",
    "RX CHAN": "arfcn",
    "TX CHAN": "ul_arfcn",
    "RSRP": "rsrp",
    "RSRQ": "rsrq",
    "SINR": "sinr",
}
_PRIMARY = {
    "LTE BAND": "band",
    "LTE BW": "dl_bandwidth",
    "LTE RX CHAN": "arfcn",
    "LTE TX CHAN": "ul_arfcn",
    "TAC": "tac",
    "CELL ID": "cell_id",
    "RSRQ (DB)": "rsrq",
    "SINR (DB)": "sinr",
}
_LIMITS = {"rsrp": (-156, -31), "rsrq": (-43, 20), "sinr": (-23, 40), "rssi": (-120, -10), "arfcn": (0, 3279165), "ul_arfcn": (0, 3279165)}
_SYSTEMS = {"LTE": Mode.LTE, "WCDMA": Mode.WCDMA, "UMTS": Mode.WCDMA, "GSM": Mode.GSM, "ENDC": Mode.ENDC, "NR5G": Mode.NR}
_SECTION = re.compile(r"[ \t]*(Serving|IntraFreq|InterFreq|NR5G|WCDMA|GSM|CDMA[^:]*|[A-Za-z0-9 ]+):([^\n]*)")


class _Pair(NamedTuple):
    """A label in capitals and its value, with the value's place; whether the text ends within it."""

    label: str
    value: str
    start: int
    stop: int
    cut: bool


def _read(answer: Answer, into: Collector) -> int:
    """Read one block, up to a result code, another answer or the text's end."""
    piece = into.piece(answer.tag, _KEY, answer)
    head = answer.start + len(answer.tag)
    ends = _ENDS.search(into.text, head)
    stop = ends.start() if ends is not None else len(into.text)
    reader = _status if answer.tag == "!GSTATUS" else _tables
    used = reader(into.text, head + 1, stop, piece)
    piece.spans[-1] = (answer.start, head + 1)
    piece.stop = max(used, head + 1)
    return piece.stop


def _pairs(text: str, start: int, stop: int, spans: list[tuple[int, int]]) -> Iterator[_Pair]:
    """Yield the labels with their values, line by line, and note where they stand."""
    place = start
    while place < stop:
        end = text.find("\n", place, stop)
        ended = end >= 0
        end = end if ended else stop
        labels = list(_LABEL.finditer(text, place, end))
        for index, found in enumerate(labels):
            last = labels[index + 1].start() if index + 1 < len(labels) else end
            raw = text[found.end() : last]
            first = found.end() + len(raw) - len(raw.lstrip())
            value = raw.strip()
            spans.append((found.start(1), first + len(value)))
            yield _Pair(found.group(1).strip().upper(), value, first, first + len(value), not ended and first + len(value) == len(text))
        place = end + 1


class _Chains:
    """Levels per receive chain of one carrier, in the order of the text."""

    def __init__(self) -> None:
        self.levels: dict[str, list[float | None]] = {}
        self.spans: dict[str, list[int]] = {}
        self.ended = False  # something else follows, so that the list of chains will not go on

    def add(self, name: str, pair: _Pair) -> None:
        low, high = _LIMITS[name]
        readable = _NUMBER.match(pair.value) is not None and not pair.cut and low <= float(pair.value) <= high
        self.levels.setdefault(name, []).append(_number(pair.value) if readable else None)
        self.spans.setdefault(name, []).extend((pair.start, pair.stop))

    def put_into(self, draft: Draft) -> None:
        for name, levels in self.levels.items():
            start, stop = min(self.spans[name]), max(self.spans[name])
            if any(level is not None for level in levels):
                draft.put(ok_field(f"{name}_per_port", tuple(levels), start, stop))
            else:
                draft.put(null_field(f"{name}_per_port", "no chain has a value", start, stop))
            draft.put(null_field(name, "only per receive chain", start, stop))


def _number(text: str) -> float:
    value = float(text)
    return int(value) if "." not in text else value


def _status(text: str, start: int, stop: int, piece: Piece) -> int:
    primary = Draft(Rat.LTE, Role.PCELL, start)
    seconds: dict[str, Draft] = {}
    nr = Draft(Rat.NR, Role.PSCELL, start)
    chains: dict[str, _Chains] = {}
    chain = ""
    absent: set[str] = set()
    lte = False
    for pair in _pairs(text, start, stop, piece.spans):
        label = pair.label
        found = _CHAIN.match(pair.label)
        for key, levels in chains.items():
            levels.ended = levels.ended or (label != "RSRP (DBM)" and (found is None or found.group(1).replace(" ", "").upper() != key))
        if found is not None:
            chain = found.group(1).replace(" ", "").upper()
            chains.setdefault(chain, _Chains()).add(found.group(3).lower(), pair)
        elif label == "RSRP (DBM)" and chain:
            chains[chain].add("rsrp", pair)
        elif (second := _SECOND.match(label)) is not None or label == "LTE CA STATE":
            index = second.group(1) if second is not None else ""
            _second(pair, second.group(2) if second is not None else "STATE", seconds.setdefault(index, Draft(Rat.LTE, Role.SCELL, pair.start)), absent, index)
        elif (name := _NR.match(label)) is not None:
            _field(pair, _NR_NAMES[name.group(1)], nr, 36)
        elif label in _PRIMARY:
            lte = lte or label.startswith("LTE ")
            _field(pair, _PRIMARY[label], primary, 28)
        elif label == "TX POWER":
            doubt = null_field("tx_power", "dBm or tenths: no unit", pair.start, pair.stop, FieldState.AMBIGUOUS)
            primary.put(doubt if _NUMBER.match(pair.value) else null_field("tx_power", "printed as not known", pair.start, pair.stop))
        else:
            _device(pair, piece)
    if piece.mode in {Mode.LTE, Mode.ENDC} or lte:
        _place_carriers(piece, primary, nr, seconds, chains, absent)
    return max((end for _, end in piece.spans), default=start)


def _place_carriers(piece: Piece, primary: Draft, nr: Draft, seconds: dict[str, Draft], chains: dict[str, _Chains], absent: set[str]) -> None:
    for key, levels in chains.items():
        index = key[3:]
        owner = primary if key == "PCC" else seconds.get(index) or (next(iter(seconds.values())) if len(seconds) == 1 and not index else None)
        if owner is not None and levels.ended and not (key != "PCC" and index in absent):
            levels.put_into(owner)
    if any(item.state is FieldState.OK for item in primary.fields.values()):
        piece.drafts.append(primary)
    piece.drafts += [draft for index, draft in sorted(seconds.items()) if index not in absent and any(name != "state" for name in draft.fields)]
    if any(item.state is FieldState.OK for item in nr.fields.values()):
        piece.drafts.append(nr)
        piece.say_mode(Mode.ENDC, 4)


def _second(pair: _Pair, what: str, draft: Draft, absent: set[str], index: str) -> None:
    if what == "STATE":
        state = {"ACTIVE": "active", "INACTIVE": "configured-inactive", "CONFIGURED": "configured-inactive"}.get(pair.value.upper())
        if state is not None and not pair.cut:
            draft.put(ok_field("state", state, pair.start, pair.stop))
        elif pair.value.upper() in {"NOT ASSIGNED", "--", "NONE"}:
            absent.add(index)
    else:
        _field(pair, {"BAND": "band", "BW": "dl_bandwidth", "CHAN": "arfcn"}[what], draft, 28)


def _field(pair: _Pair, name: str, draft: Draft, bits: int) -> None:
    """Put one labelled value."""
    value = pair.value
    start, stop = pair.start, pair.stop
    if value in {"--", "---", "", "Unknown", "UNKNOWN"}:
        draft.put(null_field(name, "printed as not known" if value else "empty", start, stop))
    elif pair.cut:
        draft.put(null_field(name, "the text ends within this value", start, stop))
    elif name == "band" and (band := re.match(r"[BbNn]?(\d{1,3})\Z", value)) is not None:
        draft.put(ok_field(name, int(band.group(1)), start, stop))
    elif name in {"dl_bandwidth", "ul_bandwidth"} and (width := re.match(r"(\d{1,3}(?:\.\d)?) ?MHz\Z", value)) is not None:
        draft.put(ok_field(name, _number(width.group(1)), start, stop))
    elif name in {"tac", "cell_id"} and (twins := _TWINS.match(value)) is not None:
        if int(twins.group(1), 16) != int(twins.group(2)):
            draft.put(null_field(name, "the hexadecimal and the decimal number differ", start, stop, FieldState.CONFLICTING))
        else:
            hexadecimal(draft, name, Token(twins.group(1), start, stop), bits if name == "cell_id" else 24)
    elif name in _LIMITS and _NUMBER.match(value) is not None:
        low, high = _LIMITS[name]
        if low <= float(value) <= high:
            draft.put(ok_field(name, _number(value), start, stop))
        else:
            draft.put(null_field(name, f"{value} is outside {low}..{high}", start, stop, FieldState.IMPLAUSIBLE))
    else:
        draft.put(null_field(name, "not a value of this quantity", start, stop, FieldState.IMPLAUSIBLE))


def _device(pair: _Pair, piece: Piece) -> None:
    """Read what belongs to the device: its mode, registration, temperature. Other labels are recognised and have no quantity."""
    label, value = pair.label, pair.value.upper()
    if pair.cut:
        return
    if label == "MODE" and value.startswith("LOW POWER"):
        piece.say_mode(Mode.NONE, 3)
        piece.warnings.append("the radio is off")
    elif label == "SYSTEM MODE" and value in _SYSTEMS:
        piece.say_mode(_SYSTEMS[value], 3)
    elif label in {"EMM STATE", "GMM (PS) STATE", "5GMM STATE"}:
        registration = (
            Registration.NONE
            if "DEREG" in value or "NO SERVICE" in value
            else Registration.LIMITED
            if "LIMITED" in value
            else Registration.REGISTERED
            if "REGISTERED" in value and "ROAM" not in value
            else Registration.ROAMING
            if "ROAM" in value
            else Registration.SEARCHING
            if "SEARCH" in value
            else None
        )
        if registration is not None:
            piece.say_registration(registration, 10)
    elif label == "TEMPERATURE" and value not in {"", "--"}:
        if re.fullmatch(r"-?\d{1,3}", value):
            piece.extras.append(Field(name="temperature_c", value=int(value), unit="°C", span=Span(pair.start, pair.stop)))
        else:
            piece.unread.append((pair.start, pair.stop))


def _tables(text: str, start: int, stop: int, piece: Piece) -> int:
    """Read the tables of !LTEINFO."""
    section, columns = "", list[str]()
    serving: Draft | None = None
    place, used = start, start
    while place < stop:
        end = text.find("\n", place, stop)
        ended = end >= 0
        end = end if ended else stop
        line = text[place:end]
        head = _SECTION.match(line)
        if head is not None:
            section, columns = head.group(1).strip(), head.group(2).split()
        elif line.strip() and columns and section in {"Serving", "IntraFreq", "InterFreq"}:
            cells = [Token(m.group(), place + m.start(), place + m.end(), cut=not ended and place + m.end() == len(text)) for m in re.finditer(r"\S+", line)]
            if len(cells) != len(columns) and ended:
                break
            draft = _cell(dict(zip(columns, cells, strict=False)), place, serving, section)
            if draft is not None:
                piece.drafts.append(draft)
                serving = draft if section == "Serving" else serving
        elif line.strip() and not columns:
            break
        if line.strip():
            used = end
            piece.spans.append((place, end))
        place = end + 1
    if serving is not None:
        piece.say_mode(Mode.LTE, 3)
    return used


def _cell(cells: dict[str, Token], place: int, serving: Draft | None, section: str) -> Draft | None:
    """Return the carrier of one row; None for the serving cell's second mention."""
    draft = Draft(Rat.LTE, Role.PCELL if section == "Serving" else Role.NEIGHBOUR, place)
    whole(draft, "arfcn", cells.get("EARFCN"), 0, 262143)
    plmn(draft, cells.get("MCC"), cells.get("MNC"))
    hexadecimal(draft, "tac", cells.get("TAC"), 16, base=10)
    hexadecimal(draft, "cell_id", cells.get("CID"), 28)
    whole(draft, "band", cells.get("Bd"), 1, 113)
    whole(draft, "dl_bandwidth", cells.get("D"), 0, 5, convert=_LTE_WIDTHS.__getitem__)
    whole(draft, "ul_bandwidth", cells.get("U"), 0, 5, convert=_LTE_WIDTHS.__getitem__)
    whole(draft, "pci", cells.get("PCI"), 0, 503)
    for column, name in (("SNR", "sinr"), ("RSRQ", "rsrq"), ("RSRP", "rsrp"), ("RSSI", "rssi")):
        token = cells.get(column)
        if token is not None:
            _field(_Pair(column, token.text, token.start, token.stop, token.cut), name, draft, 28)
    whole(draft, "srxlev", cells.get("RXLV"), -100, 120, convert=lambda level: level or None, doubt="0 without a unit may stand for nothing")
    if section == "IntraFreq" and serving is not None:
        own, served = draft.fields.get("pci"), serving.fields.get("pci")
        if own is not None and served is not None and own.value is not None and own.value == served.value:
            return None
        channel = serving.fields.get("arfcn")
        if channel is not None and isinstance(channel.value, int):
            draft.put(ok_field("arfcn", channel.value, place, place, why="the serving cell's channel: an intra-frequency row", derived=True))
    return draft


ROW = Dialect(
    key=_KEY,
    title="!GSTATUS and !LTEINFO",
    tags=frozenset({"!GSTATUS", "!LTEINFO"}),
    read=_read,
    joins=False,
    source="AT command reference, EM74xx/MC74xx",
)

"""The printed output of command-line tools: qmicli, mmcli, mbimcli, and a router system's monitor text.

Knows which of their labels mean what no general reading of labels could (a "Serving Cell ID" that is a physical cell id, "SINR (8)" of
another technology, an RX channel cut to 16 bits), and that indentation says whose a value is. Source: recorded outputs of libqmi 1.32,
ModemManager 1.20 and libmbim 1.28, and recorded monitor texts.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.readings.labels import Key
from bandwright.readings.values import UNKNOWN_TEXTS, mode_of, read_value, registration_of
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["MONITOR_KEYS", "Pair", "Tool", "mmcli_piece", "read_monitor", "read_tools"]


class Pair(NamedTuple):
    """A label and its value as printed, with the value's place, the line's indent, and whether the text ends within the value."""

    label: str
    value: str
    start: int
    stop: int
    indent: int = 0
    cut: bool = False
    line: int = 0  # where the line begins


@dataclass(frozen=True, slots=True)
class Tool:
    """One row of the table of tools: what its output begins with, and the reader. read: text and match to pieces."""

    key: str
    begins: re.Pattern[str]
    read: Callable[[str, re.Match[str]], list[Piece]]


def read_tools(text: str) -> list[Piece]:
    """Return the pieces of all tool outputs in a plain text."""
    pieces: list[Piece] = []
    for tool in TOOLS:
        place = 0
        while (found := tool.begins.search(text, place)) is not None:
            made = tool.read(text, found)
            pieces.extend(made)
            place = max(found.end(), *(piece.stop for piece in made)) if made else found.end()
    return pieces


_PAIR = re.compile(r"([ \t]*)([A-Za-z0-9\[][^:\n]{0,60}?)[ ]*:[ \t]*([^\n]*)")
_ENDS_BLOCK = re.compile(r"[ \t]*(?:\[/|[$#>]|\w+@\w|AT\b|[+^!][A-Z]+:|```|-{4})")


def _pairs(text: str, start: int, *, ends: re.Pattern[str] = _ENDS_BLOCK, most: int = 4000) -> Iterator[Pair]:
    """Yield the "label: value" lines from a line's start on, until a line of another kind; blank lines end the block too."""
    place = start
    for _ in range(most):
        end = text.find("\n", place)
        ended = end >= 0
        end = end if ended else len(text)
        line = text[place:end]
        found = _PAIR.match(line)
        if not line.strip() or ends.match(line) is not None:
            return
        if found is None:
            yield Pair(line.strip(), "", end, end, len(line) - len(line.lstrip()), not ended, place)
        else:
            value = found.group(3).rstrip()
            first = place + found.start(3)
            yield Pair(found.group(2), value, first, first + len(value), len(found.group(1).expandtabs(8)), not ended and not value.endswith("'"), place)
        if not ended:
            return
        place = end + 1


def _put(draft: Draft, name: str, pair: Pair, *, unit: str = "", decimal: bool = True) -> None:
    """Put a quantity from a printed value whose unit and base the tool defines."""
    made = read_value(Key(quantity=name, rat=draft.rat, unit=unit), pair.value, pair.start, rat=draft.rat, cut=pair.cut, numeric=decimal)
    if made is not None and made.field is not None:
        draft.put(made.field)


def _bare(pair: Pair) -> str:
    return pair.value.strip("' \t")


def _some(draft: Draft) -> bool:
    return any(item.state is FieldState.OK for item in draft.fields.values())


# --- qmicli -----------------------------------------------------------------------------------------------------------------------


def _qmicli(text: str, found: re.Match[str]) -> list[Piece]:
    topic = found.group(1).strip().rstrip(":").lower()
    end = text.find("\n", found.start())
    piece = Piece(f"qmicli {topic}", "I qmicli", found.start(), end if end >= 0 else len(text))
    piece.spans.append((found.start(), piece.stop))
    reader = _QMI_TOPICS.get(topic)
    if end < 0 or reader is None:
        return [piece] if reader is not None else []
    pairs = list(_pairs(text, end + 1))
    for pair in pairs:
        piece.spans.append((pair.line, pair.stop))
        piece.stop = max(piece.stop, pair.stop)
    if topic == "tx/rx info":
        asked = re.search(r"--nas-get-tx-rx-info=(\w+)[^\n]*\n[^\n]*\Z", text[: found.start() + 1])
        _qmi_chains(pairs, piece, asked.group(1) if asked is not None else "")
    else:
        reader(pairs, piece)
    return [piece]


def _qmi_signal(pairs: list[Pair], piece: Piece) -> None:
    draft: Draft | None = None
    for pair in pairs:
        if not pair.value:
            rat = {"LTE": Rat.LTE, "5G": Rat.NR}.get(pair.label.rstrip(":"))
            draft = Draft(rat, Role.SERVING, pair.line) if rat is not None else None
            if draft is not None:
                piece.drafts.append(draft)
        elif draft is not None:
            name = {"RSSI": "rssi", "RSRQ": "rsrq", "RSRP": "rsrp", "SNR": "sinr"}.get(pair.label)
            if name is not None:
                _put(draft, name, pair)
    _keep_measured(piece, 3)


def _keep_measured(piece: Piece, rank: int) -> None:
    """Drop carriers without any value, and state the mode that the others make."""
    piece.drafts = [draft for draft in piece.drafts if _some(draft)]
    rats = {draft.rat for draft in piece.drafts if draft.role not in {Role.NEIGHBOUR, Role.SCAN}}
    if rats == {Rat.LTE}:
        piece.say_mode(Mode.LTE, 1)
    elif rats == {Rat.NR}:
        piece.say_mode(Mode.NR, 1)
    elif rats:
        piece.say_mode(Mode.ENDC, rank)


def _qmi_strength(pairs: list[Pair], piece: Piece) -> None:
    draft = Draft(Rat.LTE, Role.SERVING, piece.start)
    section = ""
    for pair in pairs:
        if not pair.value:
            section = pair.label.rstrip(":")
        elif pair.indent > 0 and pair.label.lower() == "network 'lte'":
            name = {"RSSI": "rssi", "RSRQ": "rsrq", "RSRP": "rsrp", "SNR": "sinr"}.get(section)
            if name is not None:
                _put(draft, name, pair)
    if _some(draft):
        piece.drafts.append(draft)
        piece.say_mode(Mode.LTE, 1)


def _qmi_system(pairs: list[Pair], piece: Piece) -> None:
    """Read the services; the ones that are available say mode, registration and cell."""
    rat: Rat | None = None
    older: Mode | None = None
    draft: Draft | None = None
    status = ""
    statuses: list[str] = []
    codes: dict[str, Pair] = {}
    for pair in pairs:
        if not pair.value and pair.label.lower().rstrip(":").endswith("service"):
            name = pair.label.split()[0].upper()
            rat = Rat.LTE if name == "LTE" else Rat.NR if name in {"5G", "NR5G", "NR"} else None
            older = {"GSM": Mode.GSM, "WCDMA": Mode.WCDMA, "TD-SCDMA": Mode.WCDMA}.get(name)
            draft, status, codes = (Draft(rat, Role.SERVING, pair.line) if rat is not None else None), "", {}
            continue
        value = _bare(pair).lower()
        if pair.label == "Status" and not pair.cut:
            status = value
            statuses.append(value)
            _service(piece, rat, older, status)
        elif pair.label == "Roaming status" and status == "available" and not pair.cut and value in {"on", "off"} and (rat is not None or older is not None):
            piece.say_registration(Registration.ROAMING if value == "on" else Registration.HOME, 12)
        elif draft is not None and status:
            _qmi_cell(draft, pair, codes)
            if _some(draft) and draft not in piece.drafts:
                piece.drafts.append(draft)
    if statuses and set(statuses) == {"none"}:
        piece.say_mode(Mode.NONE, 2)
        piece.say_registration(Registration.NONE, 5)
    piece.drafts = [draft for draft in piece.drafts if _some(draft)]


def _service(piece: Piece, rat: Rat | None, older: Mode | None, status: str) -> None:
    if status.startswith("limited"):
        piece.say_registration(Registration.LIMITED, 9)
    if status != "available" and not status.startswith("limited"):
        return
    if status == "available":
        piece.say_registration(Registration.REGISTERED, 10)
    if rat is Rat.LTE:
        piece.say_mode(Mode.LTE, 2)
    elif rat is Rat.NR:
        piece.say_mode(Mode.ENDC if piece.mode is Mode.LTE else Mode.NR_SA, 3)
    elif older is not None:
        piece.say_mode(older, 2)


def _qmi_cell(draft: Draft, pair: Pair, codes: dict[str, Pair]) -> None:
    if pair.label == "Cell ID":
        _put(draft, "cell_id", pair)
    elif pair.label in {"Tracking Area Code", "LTE tracking area code"}:
        _put(draft, "tac", pair)
    elif pair.label in {"MCC", "MNC"}:
        codes[pair.label] = pair
        if "MCC" in codes and "MNC" in codes:
            mcc, mnc = _bare(codes["MCC"]), _bare(codes["MNC"])
            if mcc.isdecimal() and mnc.isdecimal() and len(mcc) <= 3 and 2 <= len(mnc) <= 3 and not pair.cut:
                draft.put(ok_field("plmn", f"{mcc.zfill(3)}-{mnc}", min(codes["MCC"].start, codes["MNC"].start), max(codes["MCC"].stop, codes["MNC"].stop)))
            else:
                draft.put(null_field("plmn", "one digit of network code stands for 2 or for 3", pair.start, pair.stop, FieldState.AMBIGUOUS))


def _qmi_serving(pairs: list[Pair], piece: Piece) -> None:
    """Read --nas-get-serving-system: registration, radio interface, roaming, and the cell of an LTE interface."""
    interfaces: list[str] = []
    draft = Draft(None, Role.SERVING, piece.start)
    codes: dict[str, Pair] = {}
    registered = False
    section = ""
    for pair in pairs:
        value = _bare(pair).lower()
        if not pair.value:
            section = pair.label.lower()
        elif pair.label == "Registration state" and not pair.cut:
            state = {
                "registered": Registration.REGISTERED,
                "not-registered": Registration.NONE,
                "not-registered-searching": Registration.SEARCHING,
                "registration-denied": Registration.DENIED,
            }.get(value)
            registered = state is Registration.REGISTERED
            if state is not None:
                piece.say_registration(state, 10)
                if not registered:
                    piece.say_mode(Mode.NONE, 2)
        elif re.fullmatch(r"\[\d+\]", pair.label) and value:
            interfaces.append(value)
        elif pair.label == "Roaming status" and registered and value in {"on", "off"} and not pair.cut:
            piece.say_registration(Registration.ROAMING if value == "on" else Registration.HOME, 12)
        elif "plmn" in section and pair.label in {"MCC", "MNC"}:
            _qmi_cell(draft, pair, codes)
        elif pair.label == "3GPP cell ID":
            codes["cell"] = pair
        elif pair.label == "LTE tracking area code":
            codes["tac"] = pair
    rats = {"lte": Rat.LTE, "5gnr": Rat.NR}
    known = [rats[name] for name in interfaces if name in rats]
    if known:
        piece.say_mode(Mode.ENDC if len(set(known)) == 2 else Mode.LTE if known[0] is Rat.LTE else Mode.NR, 2)
        draft.rat = Rat.LTE if Rat.LTE in known else Rat.NR
        if "cell" in codes:
            _put(draft, "cell_id", codes["cell"])
        if "tac" in codes:
            _put(draft, "tac", codes["tac"])
        if _some(draft):
            piece.drafts.append(draft)
    elif interfaces:
        older = {"gsm": Mode.GSM, "umts": Mode.WCDMA}.get(interfaces[0])
        if older is not None:
            piece.say_mode(older, 2)


_CHANNEL = re.compile(r"'?(\d{1,7})'?(?:[ ]*\((?:E-UTRA|NR|5G) ?band n?(\d{1,3})[^)\n]*\))?")


def _qmi_channel(draft: Draft, pair: Pair) -> None:
    found = _CHANNEL.match(pair.value)
    if found is None or (pair.cut and found.end() == len(pair.value)):
        return
    number = int(found.group(1))
    draft.put(ok_field("arfcn", number, pair.start, pair.start + found.end(1)))
    if found.group(2) is not None:
        draft.put(ok_field("band", int(found.group(2)), pair.start + found.start(2), pair.start + found.end(2)))


def _qmi_plmn(draft: Draft, pair: Pair) -> None:
    digits = _bare(pair)
    if pair.cut or not digits.isdecimal():
        return
    if len(digits) == 5:
        draft.put(ok_field("plmn", f"{digits[:3]}-{digits[3:]}", pair.start, pair.stop))
    elif len(digits) == 6:
        draft.put(null_field("plmn", "some releases print a network code of three digits with swapped digits", pair.start, pair.stop, FieldState.AMBIGUOUS))


def _qmi_location(pairs: list[Pair], piece: Piece) -> None:
    """Read --nas-get-cell-location-info: one serving cell, whose own row stands among the cells, and neighbours by frequency."""
    section = ""
    serving = Draft(Rat.LTE, Role.SERVING, piece.start)
    nr = Draft(Rat.NR, Role.SERVING, piece.start)
    frequency: Draft | None = None
    cell: Draft | None = None
    cells: list[Draft] = []
    empty: list[Draft] = []
    for pair in pairs:
        label = pair.label
        lowered = label.lower()
        if pair.indent == 0 and not pair.value:
            section = lowered.rstrip(":")
            frequency = cell = None
        elif lowered == "5gnr arfcn":
            _put(nr, "arfcn", pair)
        elif lowered.startswith("lte timing advance"):
            _put(serving, "timing_advance", pair)
        elif section == "5gnr cell information":
            _qmi_nr(nr, pair)
        elif section not in {"intrafrequency lte info", "interfrequency lte info"}:
            continue
        elif re.fullmatch(r"frequency \[\d+\]", lowered):
            frequency, cell = Draft(Rat.LTE, Role.NEIGHBOUR, pair.line), None
            empty.append(frequency)
        elif re.fullmatch(r"cell \[\d+\]", lowered):
            cell = Draft(Rat.LTE, Role.NEIGHBOUR, pair.line)
            owner = frequency if frequency is not None else serving
            if owner in empty:
                empty.remove(owner)
            for name in ("arfcn", "band"):
                if name in owner.fields:
                    cell.put(owner.fields[name])
            cells.append(cell)
        elif label in {"EUTRA Absolute RF Channel Number", "E-UTRA Absolute RF Channel Number"}:
            _qmi_channel(frequency if frequency is not None else serving, pair)
        elif cell is not None:
            own = {"Physical Cell ID": "pci", "RSRQ": "rsrq", "RSRP": "rsrp", "RSSI": "rssi"}.get(label)
            if own is not None:
                _put(cell, own, pair)
        elif section.startswith("intra"):
            if label == "PLMN":
                _qmi_plmn(serving, pair)
            else:
                own = {"Tracking Area Code": "tac", "Global Cell ID": "cell_id", "Serving Cell ID": "pci"}.get(label)
                if own is not None:
                    _put(serving, own, pair)
    _qmi_place(piece, serving, nr, cells, empty)


def _qmi_nr(nr: Draft, pair: Pair) -> None:
    if pair.label == "PLMN":
        _qmi_plmn(nr, pair)
        return
    name = {"Tracking Area Code": "tac", "Global Cell ID": "cell_id", "Physical Cell ID": "pci", "RSRQ": "rsrq", "RSRP": "rsrp", "SNR": "sinr"}.get(pair.label)
    if name == "cell_id" and _bare(pair) == "0":
        nr.put(null_field("cell_id", "0: not known", pair.start, pair.stop))
    elif name is not None:
        _put(nr, name, pair)


def _qmi_place(piece: Piece, serving: Draft, nr: Draft, cells: list[Draft], empty: list[Draft]) -> None:
    """Put the cell's own row to the serving cell, and the rest beside it in the order of the text."""
    own = serving.fields.get("pci")
    for cell in list(cells):
        pci, channel = cell.fields.get("pci"), cell.fields.get("arfcn")
        same_channel = channel is None or channel is serving.fields.get("arfcn")
        if own is not None and pci is not None and own.value == pci.value and same_channel:
            for item in cell.fields.values():
                serving.put(item)
            cells.remove(cell)
            break
    if _some(serving):
        piece.drafts.append(serving)
        piece.say_mode(Mode.LTE, 2)
    cells = [cell for cell in cells if any(item.state is FieldState.OK for name, item in cell.fields.items() if name not in {"arfcn", "band"})]
    piece.drafts += sorted([draft for draft in (*cells, *empty) if _some(draft)], key=lambda draft: draft.start)
    if any(name in nr.fields and nr.fields[name].state is FieldState.OK for name in ("pci", "rsrp")):
        piece.drafts.append(nr)
        piece.say_mode(Mode.ENDC if _some(serving) else Mode.NR, 3)


def _qmi_aggregation(pairs: list[Pair], piece: Piece) -> None:
    """Read --nas-get-lte-cphy-ca-info. Widths are in MHz; a channel may have lost all but its lowest 16 bits."""
    draft: Draft | None = None
    for pair in pairs:
        lowered = pair.label.lower()
        if pair.indent == 0:
            primary = "primary cell info" in lowered
            if not pair.value and ("cell info" in lowered or re.match(r"secondary cell \d* ?info", lowered)):
                draft = Draft(Rat.LTE, Role.PCELL if primary else Role.SCELL, pair.line)
                piece.drafts.append(draft)
            elif pair.value:
                draft = None
            continue
        if draft is None:
            continue
        if pair.label == "LTE Band":
            found = re.match(r"'?eutran-(\d{1,3})'?\Z", pair.value)
            if found is not None and not pair.cut:
                draft.put(ok_field("band", int(found.group(1)), pair.start, pair.stop))
        elif pair.label == "State" and not pair.cut:
            state = {
                "activated": "active",
                "deactivated": "configured-inactive",
                "deconfigured": "deconfigured",
                "configured-deactivated": "configured-inactive",
                "configured-activated": "active",
            }.get(_bare(pair))
            if state is not None:
                draft.put(ok_field("state", state, pair.start, pair.stop))
        elif pair.label == "Physical Cell ID":
            _put(draft, "pci", pair)
        elif pair.label == "RX Channel":
            _put(draft, "arfcn", pair)
        elif pair.label == "DL Bandwidth":
            _put(draft, "dl_bandwidth", pair, unit="MHz")
    piece.drafts = [one for one in piece.drafts if _some(one)]
    if piece.drafts:
        piece.say_mode(Mode.LTE, 1)


def _qmi_band(pairs: list[Pair], piece: Piece) -> None:
    """Read --nas-get-rf-band-info; the extended list names the same bands with whole channel numbers."""
    draft: Draft | None = None
    section = ""
    for pair in pairs:
        if pair.indent == 0:
            section = pair.label.lower()
        elif pair.label == "Radio Interface":
            rat = {"lte": Rat.LTE, "5gnr": Rat.NR}.get(_bare(pair).lower())
            draft = Draft(rat, Role.SERVING, pair.line) if rat is not None else None
            if draft is not None and "bandwidth" not in section:
                piece.drafts.append(draft)
        elif draft is None:
            continue
        elif pair.label == "Active Band Class":
            found = re.match(r"'?(?:eutran-|nr5g-band-|ngran-)(\d{1,3})'?\Z", pair.value)
            if found is not None and not pair.cut:
                draft.put(ok_field("band", int(found.group(1)), pair.start, pair.stop))
        elif pair.label == "Active Channel":
            _put(draft, "arfcn", pair)
        elif pair.label == "Bandwidth" and "bandwidth" in section:
            owners = [one for one in piece.drafts if one.rat is draft.rat]
            if len(owners) == 1:
                _put(owners[0], "dl_bandwidth", pair, unit="MHz")
    kept: list[Draft] = []
    for one in piece.drafts:
        twin = next((old for old in kept if old.rat is one.rat and _equal(old, one, "band") and _low_bits(old) == _low_bits(one)), None)
        if twin is None:
            kept.append(one)
        else:
            twin.fields["arfcn"] = max((twin.fields["arfcn"], one.fields["arfcn"]), key=lambda item: item.value if isinstance(item.value, int) else 0)
    piece.drafts = kept
    _keep_measured(piece, 2)


def _equal(one: Draft, other: Draft, name: str) -> bool:
    mine, theirs = one.fields.get(name), other.fields.get(name)
    return mine is not None and theirs is not None and mine.value is not None and mine.value == theirs.value


def _low_bits(draft: Draft) -> int | None:
    item = draft.fields.get("arfcn")
    return item.value & 0xFFFF if item is not None and isinstance(item.value, int) else None


def _qmi_chains(pairs: list[Pair], piece: Piece, technology: str) -> None:
    """Read --nas-get-tx-rx-info, whose technology only the command says."""
    rat = {"lte": Rat.LTE, "5gnr": Rat.NR}.get(technology.lower())
    if rat is None:
        return
    draft = Draft(rat, Role.SERVING, piece.start)
    columns: dict[str, list[tuple[float | None, Pair]]] = {"rssi_per_port": [], "rsrp_per_port": []}
    section, tuned, traffic = "", False, False
    for pair in pairs:
        if pair.indent == 0:
            section = pair.label
        elif pair.label == "Radio tuned":
            tuned = _bare(pair) == "yes"
        elif pair.label == "In traffic":
            traffic = _bare(pair) == "yes"
        elif section.startswith("RX Chain") and pair.label in {"Power", "RSRP"}:
            name = "rssi" if pair.label == "Power" else "rsrp"
            one = Draft(rat, None, 0)
            _put(one, name, pair)
            item = one.fields.get(name)
            value = item.value if tuned and item is not None and isinstance(item.value, int | float) else None
            columns[f"{name}_per_port"].append((value, pair))
        elif section == "TX" and pair.label == "Power":
            if traffic:
                _put(draft, "tx_power", pair)
            else:
                draft.put(null_field("tx_power", "not in traffic", pair.start, pair.stop))
    for name, levels in columns.items():
        if section != "TX":
            break  # the list of chains may go on
        if any(value is not None for value, _ in levels):
            draft.put(ok_field(name, tuple(value for value, _ in levels), levels[0][1].start, levels[-1][1].stop))
    if _some(draft):
        piece.drafts.append(draft)


_QMI_TOPICS: dict[str, Callable[[list[Pair], Piece], None]] = {
    "signal info": _qmi_signal,
    "signal strength": _qmi_strength,
    "system info": _qmi_system,
    "serving system": _qmi_serving,
    "cell location info": _qmi_location,
    "carrier aggregation info": _qmi_aggregation,
    "rf band info": _qmi_band,
    "tx/rx info": lambda _pairs, _piece: None,  # read by `_qmi_chains`, which needs the command too
}


def _tool_error(_text: str, found: re.Match[str]) -> list[Piece]:
    """Read a tool's refusal: of all of them only "no network" says something of the radio."""
    piece = Piece("tool error", "I error", found.start(), found.end(), repeats=False)
    piece.spans.append((found.start(), found.end()))
    if "NoNetwork" in found.group() or "NotProvisioned" in found.group():
        piece.say_mode(Mode.NONE, 1)
        piece.why["registration"] = "an error, not a registration state"
    return [piece]


# --- mmcli ------------------------------------------------------------------------------------------------------------------------

_MM_LINE = re.compile(r"[ \t]*([A-Za-z0-9 ]*?)[ ]*\|[ ]*([^:\n|]*?):[ ]?([^\n]*)")
_MM_RULE = re.compile(r"[ \t]*-{10,}[ \t]*$")
_MM_MORE = re.compile(r"[ \t]*\|[^\n]*$")


def _mmcli(text: str, found: re.Match[str]) -> list[Piece]:
    """Read one block of "Section | label: value" lines between rules."""
    piece = Piece("mmcli", "I mmcli", found.start(), found.end())
    place = found.start()
    section = ""
    seen: list[tuple[str, Pair]] = []
    while place <= len(text):
        end = text.find("\n", place)
        ended = end >= 0
        end = end if ended else len(text)
        line = text[place:end]
        match = _MM_LINE.match(line)
        if match is not None:
            section = match.group(1).strip().lower() or section
            value = match.group(3).rstrip()
            first = place + match.start(3)
            seen.append((section, Pair(match.group(2).strip().lower(), value, first, first + len(value), 0, not ended, place)))
        elif _MM_RULE.match(line) is None and _MM_MORE.match(line) is None:
            break
        piece.spans.append((place, end))
        piece.stop = end
        if not ended:
            break
        place = end + 1
    return [mmcli_piece(seen, piece.spans, piece)]


def mmcli_piece(seen: list[tuple[str, Pair]], spans: list[tuple[int, int]], piece: Piece | None = None) -> Piece:
    """Return the piece of (section, label with value) pairs, printed in a table or out of mmcli's JSON."""
    piece = piece or Piece("mmcli", "I mmcli", min(a for a, _ in spans), max(b for _, b in spans), spans=list(spans))
    sections = {name for name, _ in seen}
    located = any(pair.label == "tracking area code" for _, pair in seen)
    piece.key = "mmcli " + ("signal" if sections & {"signal", "lte", "5g"} else "location" if located else "status")
    _mm_read(seen, piece)
    return piece


def _mm_read(seen: list[tuple[str, Pair]], piece: Piece) -> None:
    drafts: dict[Rat | None, Draft] = {}
    codes: dict[str, Pair] = {}
    for section, pair in seen:
        value = _bare(pair).lower()
        if pair.label in {"imei", "equipment id", "imsi", "iccid", "own"} and value and value not in UNKNOWN_TEXTS:
            piece.warnings.append("the text holds a subscriber or device identity: redact it before sharing")
        elif pair.cut:
            if section in {"lte", "5g"}:
                _mm_level(drafts, section, pair)
        elif section == "status":
            _mm_status(pair.label, value, piece)
        elif pair.label == "registration":
            registration = registration_of(value)
            if registration is not None:
                piece.say_registration(registration, 12)
        elif pair.label == "operator id" and value.isdecimal() and len(value) in {5, 6}:
            drafts.setdefault(None, Draft(None, Role.SERVING, pair.line)).put(ok_field("plmn", f"{value[:3]}-{value[3:]}", pair.start, pair.stop))
        elif section in {"lte", "5g"}:
            _mm_level(drafts, section, pair)
        elif section.startswith("3gpp"):
            _mm_place(pair, value, codes, drafts)
    piece.drafts = [draft for draft in drafts.values() if _some(draft)]
    measured = Piece("", "", 0, 0, drafts=[draft for draft in piece.drafts if draft.rat is not None])
    _keep_measured(measured, 2)
    if measured.mode is not None:
        piece.say_mode(measured.mode, measured.mode_rank)


def _mm_status(label: str, value: str, piece: Piece) -> None:
    if label == "state":
        if value in {"disabled", "locked", "failed", "disabling"}:
            piece.say_mode(Mode.NONE, 3)
            piece.why["registration"] = f"modem {value}"
        elif value in {"registered", "connected", "connecting", "disconnecting"}:
            piece.say_registration(Registration.REGISTERED, 10)
        elif value == "searching":
            piece.say_registration(Registration.SEARCHING, 10)
            piece.say_mode(Mode.NONE, 2)
        elif value == "enabled":
            piece.say_registration(Registration.NONE, 4)
            piece.say_mode(Mode.NONE, 1)
    elif label == "access tech":
        names = {name.strip() for name in value.split(",")}
        mode = Mode.ENDC if {"lte", "5gnr"} <= names else Mode.LTE if "lte" in names else Mode.NR if "5gnr" in names else mode_of(value)
        if mode is not None:
            piece.say_mode(mode, 2)
    elif label == "power state" and value in {"low", "off"}:
        piece.say_mode(Mode.NONE, 3)
        piece.warnings.append("the radio is off")


def _mm_level(drafts: dict[Rat | None, Draft], section: str, pair: Pair) -> None:
    rat = Rat.LTE if section == "lte" else Rat.NR
    name = {"rssi": "rssi", "rsrq": "rsrq", "rsrp": "rsrp", "s/n": "sinr", "snr": "sinr"}.get(pair.label)
    if name is not None:
        _put(drafts.setdefault(rat, Draft(rat, Role.SERVING, pair.line)), name, pair)


def _mm_place(pair: Pair, value: str, codes: dict[str, Pair], drafts: dict[Rat | None, Draft]) -> None:
    """Read the location table, whose area code and cell are hexadecimal and whose technology is not said."""
    draft = drafts.setdefault(None, Draft(None, Role.SERVING, pair.line))
    if pair.label in {"operator mcc", "operator mnc"}:
        codes[pair.label[-3:]] = pair
        if len(codes) == 2 and _bare(codes["mcc"]).isdecimal() and _bare(codes["mnc"]).isdecimal():
            draft.put(
                ok_field("plmn", f"{_bare(codes['mcc'])}-{_bare(codes['mnc'])}", min(p.start for p in codes.values()), max(p.stop for p in codes.values()))
            )
    elif pair.label in {"tracking area code", "cell id"} and re.fullmatch(r"[0-9a-f]{1,9}", value) and int(value, 16):
        name = "tac" if pair.label.startswith("t") else "cell_id"
        number = int(value, 16)
        if number not in {0xFFFFFF, 0xFFFE, 0xFFFF, 0xFFFFFFF, 0xFFFFFFFF}:
            draft.put(ok_field(name, number, pair.start, pair.stop))


# --- mbimcli ----------------------------------------------------------------------------------------------------------------------


def _mbimcli(text: str, found: re.Match[str]) -> list[Piece]:
    """Read --ms-query-base-stations-info: decimal identities, RSRQ with the unit dBm (sic)."""
    piece = Piece("mbimcli base stations", "I mbimcli", found.start(), found.end())
    draft: Draft | None = None
    kind = (Rat.LTE, Role.SERVING)
    for pair in _pairs(text, found.start()):
        lowered = pair.label.lower()
        if lowered == "system type" and pair.line > found.start():
            break  # the next poll
        piece.spans.append((pair.line, pair.stop))
        piece.stop = max(piece.stop, pair.stop)
        if lowered == "system type":
            if not pair.cut:
                mode = mode_of(pair.value)
                if mode is Mode.LTE:
                    piece.say_mode(mode, 2)
            continue
        if re.fullmatch(r"(?:neighboring|serving) cell \[\d+\]", lowered):
            draft = Draft(kind[0], kind[1], pair.line)
            piece.drafts.append(draft)
        elif "cell" in lowered and ("serving" in lowered or "neighboring" in lowered):
            rat = Rat.LTE if "lte" in lowered else Rat.NR if "nr" in lowered.split() else None
            draft = None
            if rat is not None:
                kind = (rat, Role.NEIGHBOUR if "neighboring" in lowered else Role.SERVING)
                if not pair.value and rat is Rat.LTE and kind[1] is Role.SERVING:
                    draft = Draft(rat, Role.SERVING, pair.line)
                    piece.drafts.append(draft)
            else:
                kind = (Rat.LTE, Role.SCAN)
        elif draft is not None:
            _mbim_field(draft, lowered, pair)
    _keep_measured(piece, 3)
    return [piece]


def _mbim_field(draft: Draft, label: str, pair: Pair) -> None:
    if label == "provider id":
        _qmi_plmn(draft, pair)
        digits = _bare(pair)
        if len(digits) == 6 and digits.isdecimal() and not pair.cut:
            draft.fields["plmn"] = ok_field("plmn", f"{digits[:3]}-{digits[3:]}", pair.start, pair.stop)
        return
    name = {
        "cell id": "cell_id", "nci": "cell_id", "earfcn": "arfcn", "nrarfcn": "arfcn", "nr arfcn": "arfcn", "physical cell id": "pci", "tac": "tac", "rsrp": "rsrp", "rsrq": "rsrq", "sinr": "sinr",
        "timing advance": "timing_advance",
    }.get(label)  # fmt: skip
    if name is not None:
        _put(draft, name, pair)


def _mbim_registration(text: str, found: re.Match[str]) -> list[Piece]:
    """Read --query-registration-state: the register state and the provider."""
    piece = Piece("mbimcli registration", "I mbimcli", found.start(), found.end())
    end = text.find("\n", found.end())
    piece.spans.append((found.start(), found.end()))
    for pair in _pairs(text, end + 1) if end >= 0 else ():
        piece.spans.append((pair.line, pair.stop))
        piece.stop = max(piece.stop, pair.stop)
        value = _bare(pair).lower()
        if pair.label.lower() == "register state" and not pair.cut:
            state = {
                "home": Registration.HOME,
                "roaming": Registration.ROAMING,
                "partner": Registration.ROAMING,
                "searching": Registration.SEARCHING,
                "denied": Registration.DENIED,
                "deregistered": Registration.NONE,
            }.get(value)
            if state is not None:
                piece.say_registration(state, 12)
    return [piece]


# --- a router system's monitor text -------------------------------------------------------------------------------------------------

_MONITOR = re.compile(r"^[ \t]*(?:primary-band|ca-band|current-cellid|phy-cellid):[ \t]", re.MULTILINE)
_MONITOR_LINE = re.compile(r"[ \t]*([a-z][a-z0-9-]*)[ ]?:[ \t]*([^\n]*)")
_COMPONENT = re.compile(r"([Bn])(\d{1,3})@(\d{1,3}(?:\.\d)?) ?M[Hh]z(?:[ ]+earfcn: ?(\d{1,7}))?(?:[ ]+phy-cellid: ?(\d{1,4}))?")
_OLD_CHANNEL = re.compile(r"(\d{1,7})(?: \(band (\d{1,3}), bandwidth (\d{1,3}(?:\.\d)?) ?MHz\))?")
MONITOR_KEYS = frozenset({"primary-band", "ca-band"})
_MONITOR_FIELDS = {
    "dl-modulation": "modulation", "cqi": "cqi", "ri": "rank", "mcs": "mcs", "rssi": "rssi", "rsrp": "rsrp", "rsrq": "rsrq", "sinr": "sinr", "phy-cellid": "pci", "current-cellid": "cell_id", "enb-id": "enb_id", "lac": "tac",
}  # fmt: skip


def _monitor(text: str, found: re.Match[str]) -> list[Piece]:
    """Read a block of right-aligned "label: value" lines around a known label, with lines that continue the one before."""
    start = found.start()
    above = {found.group().strip(" \t:")}
    while start > 0:
        before = text.rfind("\n", 0, start - 1) + 1
        label = _MONITOR_LINE.match(text, before, start - 1)
        if label is None or label.group(1) in above:
            break  # no line of it, or of the poll before
        above.add(label.group(1))
        start = before
    pairs: list[Pair] = []
    seen: set[str] = set()
    place = start
    while place < len(text):
        end = text.find("\n", place)
        ended = end >= 0
        end = end if ended else len(text)
        line = text[place:end]
        match = _MONITOR_LINE.match(line)
        if match is not None and _COMPONENT.match(line.strip()) is None:
            if match.group(1) in seen:
                break  # the next poll
            seen.add(match.group(1))
            value = match.group(2).rstrip()
            first = place + match.start(2)
            pairs.append(Pair(match.group(1), value, first, first + len(value), 0, not ended, place))
        elif _COMPONENT.match(line.strip()) is not None:
            bare = line.strip()
            first = place + line.index(bare)
            pairs.append(Pair("ca-band", bare, first, first + len(bare), 1, not ended, place))
        else:
            break
        place = end + 1
    return [read_monitor(pairs)]


def read_monitor(pairs: list[Pair]) -> Piece:
    """Return the piece of a monitor's pairs, printed or out of a document. NR values come once, and belong to the first NR carrier at most."""
    piece = Piece("monitor", "J", min(pair.line for pair in pairs), max(pair.stop for pair in pairs))
    primary: Draft | None = None
    loose = Draft(None, Role.SERVING, piece.start)
    nr_values: list[tuple[str, Pair]] = []
    components: list[Draft] = []
    for pair in pairs:
        piece.spans.append((pair.line, pair.stop))
        if pair.label == "primary-band":
            made = _components(pair, Role.PCELL, components)
            primary = made[0] if made else None
            components += made
        elif pair.label == "ca-band":
            components += _components(pair, Role.SCELL, components)
        elif pair.label == "earfcn":
            _old_channel(loose, pair)
        elif pair.label.startswith("nr-") and pair.label[3:] in _MONITOR_FIELDS:
            nr_values.append((_MONITOR_FIELDS[pair.label[3:]], pair))
        elif pair.label in _MONITOR_FIELDS:
            _put(loose, _MONITOR_FIELDS[pair.label], pair)
        else:
            _monitor_state(pair, piece)
    _monitor_place(piece, primary, loose, components, nr_values)
    return piece


def _components(pair: Pair, role: Role, before: list[Draft]) -> list[Draft]:
    out: list[Draft] = []
    for found in _COMPONENT.finditer(pair.value):
        rat = Rat.LTE if found.group(1) == "B" else Rat.NR
        led = any(draft.rat is Rat.NR and draft.role in {Role.PCELL, Role.PSCELL} for draft in (*before, *out))
        draft = Draft(rat, Role.PSCELL if role is Role.SCELL and rat is Rat.NR and not led else role, pair.start + found.start())
        at = pair.start
        draft.put(ok_field("band", int(found.group(2)), at + found.start(1), at + found.end(2)))
        width = float(found.group(3))
        draft.put(ok_field("dl_bandwidth", int(width) if width.is_integer() else width, at + found.start(3), at + found.end(3)))
        for group, name in ((4, "arfcn"), (5, "pci")):
            if found.group(group) is not None:
                if pair.cut and found.end(group) == len(pair.value):
                    draft.put(null_field(name, "the text ends within this number", at + found.start(group), at + found.end(group)))
                else:
                    draft.put(ok_field(name, int(found.group(group)), at + found.start(group), at + found.end(group)))
        out.append(draft)
    return out


def _old_channel(draft: Draft, pair: Pair) -> None:
    found = _OLD_CHANNEL.match(pair.value)
    if found is None or (pair.cut and found.end() == len(pair.value) and found.group(2) is None):
        return
    draft.put(ok_field("arfcn", int(found.group(1)), pair.start, pair.start + found.end(1)))
    if found.group(2) is not None:
        draft.put(ok_field("band", int(found.group(2)), pair.start + found.start(2), pair.start + found.end(2)))
        width = float(found.group(3))
        draft.put(ok_field("dl_bandwidth", int(width) if width.is_integer() else width, pair.start + found.start(3), pair.start + found.end(3)))
        draft.rat = Rat.LTE


def _monitor_state(pair: Pair, piece: Piece) -> None:
    if pair.cut:
        return
    if pair.label in {"data-class", "access-technology"}:
        mode = Mode.LTE if pair.value == "Evolved 3G (LTE)" else mode_of(pair.value)
        if mode is not None:
            piece.say_mode(mode, 3)
    elif pair.label == "registration-status":
        registration = registration_of(pair.value)
        if registration is not None:
            piece.say_registration(registration, 10)
    elif pair.label in {"imei", "imsi", "uicc", "iccid", "subscriber-number"} and pair.value.lower() not in UNKNOWN_TEXTS:
        piece.warnings.append("the text holds a subscriber or device identity: redact it before sharing")


def _monitor_place(piece: Piece, primary: Draft | None, loose: Draft, components: list[Draft], nr_values: list[tuple[str, Pair]]) -> None:
    """Give the values without a carrier to the primary one; those marked nr- to the first NR carrier."""
    if primary is None:
        stand_alone = piece.mode in {Mode.NR_SA, Mode.NR}
        loose.rat = loose.rat or (
            Rat.NR if stand_alone else Rat.LTE if piece.mode in {Mode.LTE, Mode.ENDC} or any(d.rat is Rat.LTE for d in components) else None
        )
        owner = loose
        components = [*components, loose] if loose.rat is not None and _some(loose) else components
    else:
        owner = primary
        for item in loose.fields.values():
            primary.put(item)
    legs = [draft for draft in components if draft.rat is Rat.NR]
    if not legs and nr_values and piece.mode in {Mode.ENDC, Mode.NR_SA, Mode.NR}:
        legs = [owner if owner.rat is Rat.NR else Draft(Rat.NR, Role.PSCELL, nr_values[0][1].line)]
        components = components if legs[0] is owner else [*components, legs[0]]
    if legs:
        for name, pair in nr_values:
            _put(legs[0], name, pair)
    piece.drafts = [draft for draft in components if _some(draft)]
    rats = {draft.rat for draft in piece.drafts}
    if rats:
        piece.say_mode(Mode.ENDC if len(rats) == 2 else Mode.LTE if rats == {Rat.LTE} else Mode.NR, 1)


TOOLS: tuple[Tool, ...] = (
    Tool("qmicli", re.compile(r"^[ \t]*\[[^\]\n]{1,80}\] Successfully got ([^\n]{3,40}?):?[ \t]*$", re.MULTILINE), _qmicli),
    Tool("error", re.compile(r"^[^\n]{0,60}error: couldn't [^\n]*$", re.MULTILINE), _tool_error),
    Tool("mmcli", re.compile(r"^[ \t]*-{10,}[ \t]*\n(?=[ \t]*[A-Za-z0-9 ]+\|[^\n]*:)", re.MULTILINE), _mmcli),
    Tool("mbimcli", re.compile(r"^[ \t]*(?:System type: [^\n]*|LTE Serving cell:[ \t]*)$", re.MULTILINE), _mbimcli),
    Tool("mbimcli", re.compile(r"^[ \t]*\[[^\]\n]{1,80}\] Registration status:[ \t]*$", re.MULTILINE), _mbim_registration),
    Tool("monitor", _MONITOR, _monitor),
)

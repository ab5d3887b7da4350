"""The printed output of qmicli. Knows that a "Serving Cell ID" is a physical cell id, "SINR (8)" of another technology, an RX channel cut to 16 bits.

Source: recorded outputs of libqmi 1.32.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.readings.programs.printed import Pair, bare_value, has_value, keep_measured, printed_pairs, put, put_network
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["read_qmicli"]


def read_qmicli(text: str, found: re.Match[str]) -> list[Piece]:
    """Read one answer: its topic stands on its first line."""
    topic = found.group(1).strip().rstrip(":").lower()
    end = text.find("\n", found.start())
    piece = Piece(f"qmicli {topic}", "qmicli", found.start(), end if end >= 0 else len(text))
    piece.spans.append((found.start(), piece.stop))
    reader = _QMI_TOPICS.get(topic)
    if end < 0 or reader is None:
        return [piece] if reader is not None else []
    pairs = list(printed_pairs(text, end + 1))
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
                put(draft, name, pair)
    keep_measured(piece, 3)


def _qmi_strength(pairs: list[Pair], piece: Piece) -> None:
    draft = Draft(Rat.LTE, Role.SERVING, piece.start)
    section = ""
    for pair in pairs:
        if not pair.value:
            section = pair.label.rstrip(":")
        elif pair.indent > 0 and pair.label.lower() == "network 'lte'":
            name = {"RSSI": "rssi", "RSRQ": "rsrq", "RSRP": "rsrp", "SNR": "sinr"}.get(section)
            if name is not None:
                put(draft, name, pair)
    if has_value(draft):
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
        value = bare_value(pair).lower()
        if pair.label == "Status" and not pair.cut:
            status = value
            statuses.append(value)
            _service(piece, rat, older, status)
        elif pair.label == "Roaming status" and status == "available" and not pair.cut and value in {"on", "off"} and (rat is not None or older is not None):
            piece.say_registration(Registration.ROAMING if value == "on" else Registration.HOME, 12)
        elif draft is not None and status:
            _qmi_cell(draft, pair, codes)
            if has_value(draft) and draft not in piece.drafts:
                piece.drafts.append(draft)
    if statuses and set(statuses) == {"none"}:
        piece.say_mode(Mode.NONE, 2)
        piece.say_registration(Registration.NONE, 5)
    piece.drafts = [draft for draft in piece.drafts if has_value(draft)]


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
        put(draft, "cell_id", pair)
    elif pair.label in {"Tracking Area Code", "LTE tracking area code"}:
        put(draft, "tac", pair)
    elif pair.label in {"MCC", "MNC"}:
        codes[pair.label] = pair
        if "MCC" in codes and "MNC" in codes:
            mcc, mnc = bare_value(codes["MCC"]), bare_value(codes["MNC"])
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
        value = bare_value(pair).lower()
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
            put(draft, "cell_id", codes["cell"])
        if "tac" in codes:
            put(draft, "tac", codes["tac"])
        if has_value(draft):
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
            put(nr, "arfcn", pair)
        elif lowered.startswith("lte timing advance"):
            put(serving, "timing_advance", pair)
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
                put(cell, own, pair)
        elif section.startswith("intra"):
            if label == "PLMN":
                put_network(serving, pair)
            else:
                own = {"Tracking Area Code": "tac", "Global Cell ID": "cell_id", "Serving Cell ID": "pci"}.get(label)
                if own is not None:
                    put(serving, own, pair)
    _qmi_place(piece, serving, nr, cells, empty)


def _qmi_nr(nr: Draft, pair: Pair) -> None:
    if pair.label == "PLMN":
        put_network(nr, pair)
        return
    name = {"Tracking Area Code": "tac", "Global Cell ID": "cell_id", "Physical Cell ID": "pci", "RSRQ": "rsrq", "RSRP": "rsrp", "SNR": "sinr"}.get(pair.label)
    if name == "cell_id" and bare_value(pair) == "0":
        nr.put(null_field("cell_id", "0: not known", pair.start, pair.stop))
    elif name is not None:
        put(nr, name, pair)


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
    if has_value(serving):
        piece.drafts.append(serving)
        piece.say_mode(Mode.LTE, 2)
    cells = [cell for cell in cells if any(item.state is FieldState.OK for name, item in cell.fields.items() if name not in {"arfcn", "band"})]
    piece.drafts += sorted([draft for draft in (*cells, *empty) if has_value(draft)], key=lambda draft: draft.start)
    if any(name in nr.fields and nr.fields[name].state is FieldState.OK for name in ("pci", "rsrp")):
        piece.drafts.append(nr)
        piece.say_mode(Mode.ENDC if has_value(serving) else Mode.NR, 3)


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
            }.get(bare_value(pair))
            if state is not None:
                draft.put(ok_field("state", state, pair.start, pair.stop))
        elif pair.label == "Physical Cell ID":
            put(draft, "pci", pair)
        elif pair.label == "RX Channel":
            put(draft, "arfcn", pair)
        elif pair.label == "DL Bandwidth":
            put(draft, "dl_bandwidth", pair, unit="MHz")
    piece.drafts = [one for one in piece.drafts if has_value(one)]
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
            rat = {"lte": Rat.LTE, "5gnr": Rat.NR}.get(bare_value(pair).lower())
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
            put(draft, "arfcn", pair)
        elif pair.label == "Bandwidth" and "bandwidth" in section:
            owners = [one for one in piece.drafts if one.rat is draft.rat]
            if len(owners) == 1:
                put(owners[0], "dl_bandwidth", pair, unit="MHz")
    kept: list[Draft] = []
    for one in piece.drafts:
        twin = next((old for old in kept if old.rat is one.rat and _equal(old, one, "band") and _low_bits(old) == _low_bits(one)), None)
        if twin is None:
            kept.append(one)
        else:
            twin.fields["arfcn"] = max((twin.fields["arfcn"], one.fields["arfcn"]), key=lambda item: item.value if isinstance(item.value, int) else 0)
    piece.drafts = kept
    keep_measured(piece, 2)


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
            tuned = bare_value(pair) == "yes"
        elif pair.label == "In traffic":
            traffic = bare_value(pair) == "yes"
        elif section.startswith("RX Chain") and pair.label in {"Power", "RSRP"}:
            name = "rssi" if pair.label == "Power" else "rsrp"
            one = Draft(rat, None, 0)
            put(one, name, pair)
            item = one.fields.get(name)
            value = item.value if tuned and item is not None and isinstance(item.value, int | float) else None
            columns[f"{name}_per_port"].append((value, pair))
        elif section == "TX" and pair.label == "Power":
            if traffic:
                put(draft, "tx_power", pair)
            else:
                draft.put(null_field("tx_power", "not in traffic", pair.start, pair.stop))
    for name, levels in columns.items():
        if section != "TX":
            break  # the list of chains may go on
        if any(value is not None for value, _ in levels):
            draft.put(ok_field(name, tuple(value for value, _ in levels), levels[0][1].start, levels[-1][1].stop))
    if has_value(draft):
        piece.drafts.append(draft)


_QMI_TOPICS: dict[str, Callable[[list[Pair], Piece], None]] = {
    "signal info": _qmi_signal,
    "signal strength": _qmi_strength,
    "system info": _qmi_system,
    "serving system": _qmi_serving,
    "cell location info": _qmi_location,
    "carrier aggregation info": _qmi_aggregation,
    "rf band info": _qmi_band,
    "tx/rx info": lambda _printed, _piece: None,  # read by `_qmi_chains`, which needs the command too
}

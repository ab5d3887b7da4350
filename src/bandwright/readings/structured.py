"""Structured documents in a text: JSON (also cut, or in the looser forms that scripts and D-Bus tools print), XML, HTML, and TR-181 parameters.

A document is walked to its leaves, each with the path that leads to it and the characters it stands in; the path's words are its headings.
Where a document is one of a known tool (mmcli's JSON, a router system's interface, Device.Cellular), that tool's meaning is used. Sources:
RFC 8259, TR-181 Device:2 (Device.Cellular.Interface), ModemManager 1.20 D-Bus interface.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Hashable, Iterator
from dataclasses import replace
from typing import NamedTuple

from bandwright.readings.assemble import Entry, assemble
from bandwright.readings.draft import Draft, Piece
from bandwright.readings.labelled import read_labelled
from bandwright.readings.labels import Key, classify, combine, flag_of
from bandwright.readings.programs.mmcli import mmcli_piece
from bandwright.readings.programs.monitor import MONITOR_KEYS, read_monitor
from bandwright.readings.programs.printed import Pair
from bandwright.readings.values import UNKNOWN_TEXTS, both_ways, mode_of, read_value
from bandwright.words.radio import FieldState, Mode, Rat, Registration, Role

__all__ = ["Leaf", "json_leaves", "read_structured", "xml_leaves"]

_DEEPEST = 60
_OPENS = re.compile(r"[\[{]\s*(?=[\"'{\[]|[\w.-]{1,60}[\"']?\s*:)")
_COLON = re.compile(r"[ \t\r\n]*:")
_BARE = re.compile(r"[^\s,:{}\[\]()<>\"']+")
_BLANK = re.compile(r"[\s,]*")
_TYPE = re.compile(r"(?:u?int(?:16|32|64)|byte|double|objectpath|signature|string|boolean|@\S+)\s+")
_TAG = re.compile(r"<(/?)([A-Za-z_][\w:.-]*)((?:\s+[\w:.-]+\s*=\s*(?:\"[^\"<]*\"|'[^'<]*'))*)\s*(/?)>")
_ATTRIBUTE = re.compile(r"([\w:.-]+)\s*=\s*(?:\"([^\"<]*)\"|'([^'<]*)')")
_HTML = re.compile(r"(?i)<(?:td|tr|br|div|span|p|li|dt|dd|table|html|h[1-6]|label)\b[^<>]*>")
_PARAMETER = re.compile(r"^[ \t]*(?:Device\.)?Cellular\.Interface\.(\d+)\.([A-Z][\w.]*)[ \t]*[=:][ \t]*([^\n]*)$", re.MULTILINE)
_VALUE_KEYS, _NAME_KEYS, _UNIT_KEYS = (
    {"value", "val", "current", "currentvalue"},
    {"name", "label", "key", "title", "parameter", "field", "id", "metric", "param"},
    {"unit", "units", "uom"},
)


class Leaf(NamedTuple):
    """One value of a document. path: keys and positions. start, stop: of the value; label_start: of its key. numeric: an unquoted number."""

    path: tuple[str | int, ...]
    text: str
    start: int
    stop: int
    label_start: int
    numeric: bool = False
    cut: bool = False


def read_structured(text: str) -> list[Piece]:
    """Return the pieces of all documents in a plain text."""
    pieces: list[Piece] = []
    if "Cellular.Interface." in text:
        pieces += _parameters(text)
    place = 0
    while (found := _OPENS.search(text, place)) is not None:
        leaves, stop = json_leaves(text, found.start())
        place = max(stop, found.start() + 1) if leaves else max(stop, found.end())  # without a leaf there are but brackets up to there
        if leaves:
            pieces += _document(leaves, found.start(), place, "json")
    if "</" in text or "/>" in text:
        if _HTML.search(text) is not None:
            made = read_labelled(_without_tags(text))
            for piece in made[:1]:
                piece.spans.extend((tag.start(), tag.end()) for tag in re.finditer(r"</?[A-Za-z!][^<>]*>", text))
            pieces += made
        else:
            leaves = xml_leaves(text)
            if leaves:
                tags = [tag.span() for tag in _TAG.finditer(text)]
                pieces += _document(leaves, tags[0][0], tags[-1][1], "xml")
    return pieces


# --- JSON -------------------------------------------------------------------------------------------------------------------------


def json_leaves(text: str, start: int) -> tuple[list[Leaf], int]:
    """Return the leaves of a document that begins at start, and where it ends. A cut or damaged document gives the leaves before the damage."""
    leaves: list[Leaf] = []
    stack: list[tuple[str, tuple[str | int, ...], int]] = []  # bracket, path of the container, next position in a list
    path: tuple[str | int, ...] = ()
    place = start
    key: str | None = None
    key_start = start
    size = len(text)
    while place < size:
        blank = _BLANK.match(text, place)
        place = blank.end() if blank is not None else place
        if place >= size:
            break
        letter = text[place]
        if letter in "{[(":
            if len(stack) >= _DEEPEST:
                return leaves, place
            here, key = _here(stack, key)
            stack.append((letter, here, 0))
            path = here
            place += 1
        elif letter in "}])":
            if not stack:
                return leaves, place
            stack.pop()
            place += 1
            key = None
            if not stack:
                return leaves, place
            path = stack[-1][1]
        elif letter in "<>":
            place += 1
        elif not stack:
            return leaves, place
        else:
            typed = _TYPE.match(text, place)
            if typed is not None:
                place = typed.end()
                continue
            token = _token(text, place)
            if token is None:
                return leaves, place
            value, first, last, after, quoted, complete = token
            colon = _COLON.match(text, after) if stack[-1][0] == "{" and key is None else None
            if colon is not None:
                key, key_start = value, place
                place = colon.end()
                continue
            if stack[-1][0] == "{" and key is None:
                return leaves, place
            label_start = key_start if key is not None else place
            here, key = _here(stack, key)
            leaves.append(Leaf(here, value, first, last, label_start, not quoted and value[:1] in "-0123456789", not complete))
            place = after
        path = path or ()
    return leaves, place


def _here(stack: list[tuple[str, tuple[str | int, ...], int]], key: str | None) -> tuple[tuple[str | int, ...], None]:
    """Return the path of what comes next in the innermost container, and count it there."""
    if not stack:
        return (), None
    bracket, path, position = stack[-1]
    if bracket == "{":
        return (*path, key if key is not None else ""), None
    stack[-1] = (bracket, path, position + 1)
    return (*path, position), None


def _token(text: str, place: int) -> tuple[str, int, int, int, bool, bool] | None:
    """Return (value, start, stop, where reading goes on, quoted, complete) of a string or a bare word."""
    letter = text[place]
    if letter in "\"'":
        end = place + 1
        while (end := text.find(letter, end)) >= 0 and text[end - 1] == "\\" and text[end - 2 : end] != "\\\\":
            end += 1
        if end < 0:
            return text[place + 1 :], place + 1, len(text), len(text), True, False
        return text[place + 1 : end], place + 1, end, end + 1, True, True
    found = _BARE.match(text, place)
    if found is None:
        return None
    return found.group(), place, found.end(), found.end(), False, found.end() < len(text)


# --- XML and HTML -----------------------------------------------------------------------------------------------------------------


class _Node:
    """An element: its name, its place, its attributes and text as leaves, and the elements in it."""

    def __init__(self, name: str, start: int) -> None:
        self.name, self.start = name, start
        self.children: list[_Node] = []
        self.attributes: list[tuple[str, str, int, int]] = []
        self.text: tuple[str, int, int] | None = None


def xml_leaves(text: str) -> list[Leaf]:
    """Return the leaves of the elements in a text: attributes, and elements that hold text only. An element without its end has none."""
    root = _Node("", 0)
    stack = [root]
    place = 0
    for found in _TAG.finditer(text):
        closing, name, _, alone = found.groups()
        if closing:
            if len(stack) > 1 and stack[-1].name == name:
                node = stack.pop()
                between = text[place : found.start()]
                if not node.children and "<" not in between:
                    bare = between.strip()
                    first = place + (between.index(bare) if bare else 0)
                    node.text = (bare, first, first + len(bare))
            place = found.end()
            continue
        node = _Node(name.rpartition(":")[2], found.start())
        stack[-1].children.append(node)
        for one in _ATTRIBUTE.finditer(text, found.start(3), found.end(3)):
            group = 2 if one.group(2) is not None else 3
            node.attributes.append((one.group(1), one.group(group), one.start(group), one.end(group)))
        if not alone and len(stack) < _DEEPEST:
            stack.append(node)
        place = found.end()
    leaves: list[Leaf] = []
    _collect(root, (), leaves)
    return leaves


def _collect(node: _Node, path: tuple[str | int, ...], leaves: list[Leaf]) -> None:
    counts = Counter(child.name for child in node.children)
    seen: Counter[str] = Counter()
    for child in node.children:
        named = next((value for name, value, _, _ in child.attributes if name.lower() in _NAME_KEYS and classify(value).quantity), None)
        here: tuple[str | int, ...] = (*path, named) if named is not None else (*path, child.name)
        if counts[child.name] > 1 and named is None:
            here = (*here, seen[child.name])
        seen[child.name] += 1
        for name, value, start, stop in child.attributes:
            if named is not None and name.lower() in _VALUE_KEYS:
                leaves.append(Leaf(here, value, start, stop, child.start))
            elif named is None:
                leaves.append(Leaf((*here, name), value, start, stop, start))
        if child.text is not None and child.text[0]:
            leaves.append(Leaf(here, child.text[0], child.text[1], child.text[2], child.start))
        if child.children:
            _collect(child, here, leaves)


def _without_tags(text: str) -> str:
    """Return a page's text with its tags made blank, cells parted by tabs and rows by line ends; every character keeps its place."""

    def blank(found: re.Match[str]) -> str:
        tag = found.group().lower()
        if re.match(r"</?(?:tr|br|div|p|li|table|h[1-6]|ul|dl|tbody|thead|section)\b|<dt\b", tag) or tag.startswith(("</dd", "</li")):
            return " " * (len(tag) - 1) + "\n"
        if re.match(r"</?(?:td|th|dd|label|dt)\b", tag):
            return " " * (len(tag) - 1) + "\t"
        return " " * len(tag)

    def letter(found: re.Match[str]) -> str:
        meaning = {"&minus;": "-", "&#8722;": "-", "&ndash;": "-"}.get(found.group().lower(), " ")
        return " " * (len(found.group()) - 1) + meaning

    text = re.sub(r"(?is)<(script|style)\b.*?</\1>", lambda m: "".join("\n" if c == "\n" else " " for c in m.group()), text)
    text = re.sub(r"&[#\w]{2,8};", letter, text)
    return re.sub(r"</?[A-Za-z!][^<>]*>", blank, text)


# --- documents to pieces ------------------------------------------------------------------------------------------------------------


def _document(leaves: list[Leaf], start: int, stop: int, kind: str) -> list[Piece]:
    """Return the pieces of one document: of a known tool, or by the words of its paths."""
    for reader in (_tr181, _mm_json, _monitor_json, _dbus):
        made = reader(leaves)
        if made is not None:
            made.start, made.stop = start, max(stop, made.stop)
            made.spans = [(start, made.stop)]
            return [made]
    entries = list(_entries(leaves))
    quantities = " ".join(sorted({entry.key.quantity for entry in entries if entry.key.quantity and entry.key.known}))
    piece = assemble(entries, key=f"{kind} {quantities}", dialect=kind)
    if piece is None:
        return []
    piece.start, piece.stop = start, max(start, stop)
    read = piece.spans
    piece.unread.extend((leaf.label_start, leaf.stop) for leaf in leaves if leaf.text and not any(a <= leaf.start and leaf.stop <= b for a, b in read))
    piece.spans = [(start, piece.stop)]
    return [piece]


def _entries(leaves: list[Leaf]) -> Iterator[Entry]:
    """Turn leaves into entries. {"name": "RSRP", "value": -95} and {"rsrp": {"value": -95, "unit": "dBm"}} are pairs too."""
    by_parent: dict[tuple[str | int, ...], dict[str, Leaf]] = {}
    for leaf in leaves:
        if leaf.path and isinstance(leaf.path[-1], str):
            by_parent.setdefault(leaf.path[:-1], {}).setdefault(leaf.path[-1].lower(), leaf)
    lists = Counter(leaf.path[:-1] for leaf in leaves if leaf.path and isinstance(leaf.path[-1], int))
    for leaf in leaves:
        if not leaf.path:
            continue
        path = leaf.path
        last = path[-1]
        unit = ""
        if isinstance(last, str):
            siblings = by_parent.get(path[:-1], {})
            unit_leaf = next((siblings[name] for name in _UNIT_KEYS if name in siblings), None)
            unit = unit_leaf.text if unit_leaf is not None and len(siblings) <= 6 else ""
            if last.lower() in _VALUE_KEYS:
                name_leaf = next((siblings[name] for name in _NAME_KEYS if name in siblings and classify(siblings[name].text).quantity), None)
                if name_leaf is not None:
                    path = (*_without_positions_at_end(path[:-1]), name_leaf.text)
                elif len(path) > 1 and isinstance(path[-2], str):
                    path = path[:-1]
            elif last.lower() in _UNIT_KEYS or not last:
                continue
        elif len(path) > 1 and isinstance(path[-2], str) and path[-2].lower() in {"band", "bands"} and _alone_among_levels(path, by_parent, lists):
            path = path[:-1]  # {"bands": ["b3"], "rsrp": -95}: a list of one, beside what was measured on it
        else:
            continue
        made = _entry_of(leaf, path, unit)
        if not made.key.quantity and made.key.known and leaf.text.lower() in {"true", "yes", "false", "no"} and (named := classify(str(path[-1]))).role:
            # {"pcell": true}, {"serving": false}: the name of the flag is what the carrier is, or is not
            flag = flag_of(named, leaf.text)
            positive = leaf.text.lower() in {"true", "yes"}
            if flag is None or not flag.role:
                continue
            made = replace(made, key=combine((made.key,), Key(quantity="role", words=("role",))), text=str(path[-1]) if positive else flag.role)
            made.key = replace(made.key, role="", index=None)
        yield made
        ways = both_ways(leaf.text) if made.key.quantity == "arfcn" else None
        if ways is not None:
            text, start = ways
            own = replace(made.key, quantity="ul_arfcn", direction="ul")
            yield replace(made, key=own, text=text, start=leaf.start + start, stop=leaf.start + start + len(text))


def _alone_among_levels(path: tuple[str | int, ...], by_parent: dict[tuple[str | int, ...], dict[str, Leaf]], lists: Counter[tuple[str | int, ...]]) -> bool:
    """Whether a list has one member, and stands beside a level that was measured."""
    return lists[path[:-1]] == 1 and any(classify(name).quantity in {"rsrp", "rsrq", "sinr"} for name in by_parent.get(path[:-2], {}))


def _without_positions_at_end(path: tuple[str | int, ...]) -> tuple[str | int, ...]:
    while path and isinstance(path[-1], int):
        path = path[:-1]
    return path


def _entry_of(leaf: Leaf, path: tuple[str | int, ...], unit: str) -> Entry:
    parts: list[str | int] = []
    for part in path:
        if isinstance(part, str) and "." in part and " " not in part:
            parts.extend(piece for piece in part.split(".") if piece)
        else:
            parts.append(part)
    label = str(parts[-1]) if parts else ""
    keys: list[Key] = []
    block: list[Hashable] = []
    for part in parts[:-1]:
        if isinstance(part, int):
            block.append(part)
            continue
        key = classify(part)
        keys.append(key)
        if key.rat is not None or key.role or key.index is not None or key.foreign or key.blocked:
            block.append(part)
    own = combine(tuple(keys), classify(label))
    text = f"{leaf.text} {unit}" if unit and re.fullmatch(r"-?\d+(?:\.\d+)?", leaf.text) else leaf.text
    return Entry(own, text, leaf.start, leaf.stop, leaf.label_start, tuple(block), leaf.cut, leaf.numeric)


def _monitor_json(leaves: list[Leaf]) -> Piece | None:
    """Read a router system's interface as its monitor text. One string holds all carriers beside the first, parted by commas."""
    names = {leaf.path[-1] for leaf in leaves if leaf.path}
    if not (names & MONITOR_KEYS) and not ({"data-class", "current-cellid"} <= names):
        return None
    return read_monitor([Pair(str(leaf.path[-1]), leaf.text, leaf.start, leaf.stop, 0, leaf.cut, leaf.label_start) for leaf in leaves if leaf.path])


def _mm_json(leaves: list[Leaf]) -> Piece | None:
    """Read mmcli -J as mmcli's printed tables."""
    if (
        not leaves
        or not leaves[0].path
        or leaves[0].path[0] != "modem"
        or not {leaf.path[1] for leaf in leaves if len(leaf.path) > 1} & {"generic", "signal", "location", "3gpp"}
    ):
        return None
    seen: list[tuple[str, Pair]] = []
    technologies = [leaf for leaf in leaves if "access-technologies" in leaf.path]
    for leaf in leaves:
        path = [str(part) for part in leaf.path]
        if len(path) < 2 or path[0] != "modem":
            continue
        pair = Pair(path[-1], leaf.text, leaf.start, leaf.stop, 0, leaf.cut, leaf.label_start)
        if path[1] == "signal" and len(path) > 3:
            seen.append((path[2], pair))
        elif path[1] == "generic" and path[-1] in {"state", "power-state"}:
            seen.append(("status", pair._replace(label=path[-1].replace("-", " "))))
        elif path[-1] in {"imei", "imsi", "equipment-identifier", "iccid"}:
            seen.append(("", pair._replace(label="imei")))
        elif path[1] == "3gpp" and path[-1] in {"registration-state", "operator-code"}:
            seen.append(("3gpp", pair._replace(label={"registration-state": "registration", "operator-code": "operator id"}[path[-1]])))
        elif path[1] == "location" and "3gpp" in path:
            label = {"mcc": "operator mcc", "mnc": "operator mnc", "tac": "tracking area code", "cid": "cell id"}.get(path[-1])
            if label is not None:
                seen.append(("3gpp", pair._replace(label=label)))
    if technologies:
        first = technologies[0]
        names = ", ".join(leaf.text for leaf in technologies)
        seen.append(("status", Pair("access tech", names, first.start, technologies[-1].stop, 0, technologies[-1].cut, first.label_start)))
    return mmcli_piece(seen, [(leaf.label_start, leaf.stop) for leaf in leaves])


_DBUS_NAMES = {"earfcn": "arfcn", "nrarfcn": "arfcn", "rsrp": "rsrp", "rsrq": "rsrq", "sinr": "sinr", "timing-advance": "timing_advance"}
_DBUS_HEX = {"physical-ci": "pci", "ci": "cell_id", "tac": "tac"}


def _dbus(leaves: list[Leaf]) -> Piece | None:
    """Read properties and cell information as ModemManager's D-Bus interface gives them: numbers for technologies, hexadecimal identities."""
    names = {str(leaf.path[-1]) for leaf in leaves if leaf.path}
    is_signal = any(len(leaf.path) > 1 and leaf.path[-2] in {"Lte", "Nr5g"} for leaf in leaves)
    if not is_signal and "cell-type" not in names and not names & {"AccessTechnologies", "RegistrationState"}:
        return None
    piece = Piece("dbus " + ("signal" if is_signal else "cells" if "cell-type" in names else "modem"), "D-Bus", leaves[0].label_start, leaves[-1].stop)
    cells: dict[tuple[str | int, ...], list[Leaf]] = {}
    signal: dict[Rat, Draft] = {}
    for leaf in leaves:
        name = str(leaf.path[-1])
        owner = str(leaf.path[-2]) if len(leaf.path) > 1 else ""
        piece.spans.append((leaf.label_start, leaf.stop))
        if owner in {"Lte", "Nr5g"}:
            rat = Rat.LTE if owner == "Lte" else Rat.NR
            quantity = {"rssi": "rssi", "rsrp": "rsrp", "rsrq": "rsrq", "snr": "sinr"}.get(name)
            if quantity is not None:
                _dbus_put(signal.setdefault(rat, Draft(rat, Role.SERVING, leaf.label_start)), quantity, leaf)
        elif name == "AccessTechnologies" and leaf.text.isdecimal() and not leaf.cut:
            bits = int(leaf.text)
            mode = Mode.ENDC if bits & 0xC000 == 0xC000 else Mode.LTE if bits & 0x4000 else Mode.NR if bits & 0x8000 else None
            if mode is not None:
                piece.say_mode(mode, 2)
        elif name == "RegistrationState" and leaf.text.isdecimal() and not leaf.cut:
            state = {0: Registration.NONE, 1: Registration.HOME, 2: Registration.SEARCHING, 3: Registration.DENIED, 5: Registration.ROAMING}.get(int(leaf.text))
            if state is not None:
                piece.say_registration(state, 12)
        elif name in {"EquipmentIdentifier", "Imei", "OwnNumbers", "Imsi", "SimIdentifier"} and leaf.text not in UNKNOWN_TEXTS:
            piece.warnings.append("the text holds a subscriber or device identity: redact it before sharing")
        elif "cell-type" in names:
            cells.setdefault(leaf.path[:-1], []).append(leaf)
        if name == "State" and leaf.text.lstrip("-").isdecimal() and not leaf.cut:
            _dbus_state(int(leaf.text), piece)
        elif owner == "Location" and name == "1":
            _dbus_place(leaf, cells)
    places = [draft for group in cells.values() if (draft := _dbus_cell(group)) is not None]
    for rat, draft in signal.items():
        own = [place for place in places if place.rat is rat and place.role is Role.SERVING]
        if len(own) == 1:  # the serving cell and the signal of one technology are one carrier
            places.remove(own[0])
            for item in own[0].fields.values():
                draft.put(item)
    drafts = [*signal.values(), *places]
    _dbus_network(leaves, drafts)
    piece.drafts = [draft for draft in drafts if any(item.state is FieldState.OK for item in draft.fields.values())]
    rats = {draft.rat for draft in piece.drafts if draft.role is Role.SERVING}
    if rats:
        piece.say_mode(Mode.ENDC if len(rats) == 2 else Mode.LTE if rats == {Rat.LTE} else Mode.NR, 1)
    return piece


def _dbus_state(state: int, piece: Piece) -> None:
    """Read MMModemState: 3 disabled and below is no radio, 7 searching, 8 and more registered."""
    if state <= 4:
        piece.say_mode(Mode.NONE, 3)
        piece.why["registration"] = "the modem is not enabled"
    elif state == 7:
        piece.say_registration(Registration.SEARCHING, 9)
        piece.say_mode(Mode.NONE, 2)
    elif state >= 8:
        piece.say_registration(Registration.REGISTERED, 9)


def _dbus_place(leaf: Leaf, cells: dict[tuple[str | int, ...], list[Leaf]]) -> None:
    """Read the location "MCC,MNC,LAC,CI,TAC" (the last three hexadecimal) as a serving cell of the technology that its cell identity fits."""
    found = re.fullmatch(r"(\d{3}),(\d{2,3}),[0-9A-Fa-f]*,([0-9A-Fa-f]{1,8}),([0-9A-Fa-f]{1,6})", leaf.text)
    if found is None or leaf.cut or int(found.group(3), 16) in {0, 0xFFFFFFFF} or int(found.group(3), 16) >= 1 << 28:
        return
    named = {"cell-type": "lte", "serving": "true", "ci": found.group(3), "tac": found.group(4), "operator-id": found.group(1) + found.group(2)}
    if not any(str(group[0].path[-1]) and any(str(one.path[-1]) == "cell-type" for one in group) for group in cells.values()):
        cells[("Location",)] = [leaf._replace(path=("Location", name), text=value) for name, value in named.items()]


def _dbus_network(leaves: list[Leaf], drafts: list[Draft]) -> None:
    """Put the operator's code to the one serving carrier there is."""
    code = next((leaf for leaf in leaves if leaf.path[-1] == "OperatorCode"), None)
    serving = [draft for draft in drafts if draft.role is Role.SERVING]
    if code is not None and len(serving) == 1 and "plmn" not in serving[0].fields:
        _dbus_put(serving[0], "plmn", code)


def _dbus_put(draft: Draft, quantity: str, leaf: Leaf, *, unit: str = "") -> None:
    made = read_value(Key(quantity=quantity, rat=draft.rat, unit=unit), leaf.text, leaf.start, rat=draft.rat, cut=leaf.cut, numeric=True)
    if made is not None and made.field is not None:
        draft.put(made.field)


def _dbus_cell(leaves: list[Leaf]) -> Draft | None:
    named = {str(leaf.path[-1]): leaf for leaf in leaves}
    kind = named.get("cell-type")
    rat = {"5": Rat.LTE, "6": Rat.NR, "lte": Rat.LTE, "5gnr": Rat.NR}.get(kind.text.lower()) if kind is not None else None
    if rat is None:
        return None
    serving = named.get("serving")
    draft = Draft(rat, Role.SERVING if serving is not None and serving.text.lower() in {"true", "yes", "1"} else Role.NEIGHBOUR, leaves[0].label_start)
    for name, leaf in named.items():
        if name in _DBUS_HEX and re.fullmatch(r"[0-9A-Fa-f]{1,9}", leaf.text) and not leaf.cut:
            _dbus_put(draft, _DBUS_HEX[name], leaf._replace(text="0x" + leaf.text))
        elif name in _DBUS_NAMES:
            _dbus_put(draft, _DBUS_NAMES[name], leaf)
        elif name == "operator-id":
            _dbus_put(draft, "plmn", leaf)
        elif name == "bandwidth":
            _dbus_put(draft, "dl_bandwidth", leaf)
    return draft


# --- TR-181 -------------------------------------------------------------------------------------------------------------------------


def _parameters(text: str) -> list[Piece]:
    """Read "Cellular.Interface.1.RSRP=-95" lines."""
    leaves: dict[str, list[Leaf]] = {}
    for found in _PARAMETER.finditer(text):
        value = found.group(3).strip()
        first = found.start(3) + found.group(3).index(value) if value else found.start(3)
        complete = found.end() < len(text) or (len(value) > 1 and value[0] == value[-1] == '"')
        leaf = Leaf(
            ("Cellular", "Interface", found.group(1), found.group(2)),
            value.strip('"'),
            first,
            first + len(value),
            found.start() + len(found.group()) - len(found.group().lstrip()),
            cut=not complete,
        )
        leaves.setdefault(found.group(1), []).append(leaf)
    return [piece for group in leaves.values() if (piece := _tr181(group)) is not None]


def _tr181(leaves: list[Leaf]) -> Piece | None:
    """Read the parameters of one Device.Cellular.Interface. Floors beside an interface without a technology are defaults."""
    if not any("Cellular" in part for leaf in leaves for part in leaf.path if isinstance(part, str)):
        return None
    found: dict[str, Leaf] = {}
    for leaf in leaves:
        joined = ".".join(str(part).strip(".") for part in leaf.path)
        match = re.search(r"Cellular\.Interface\.(?:\d+\.)?([A-Z][\w.]*)\Z", joined)
        if match is not None:
            found.setdefault(match.group(1), leaf)
    if not found:
        return None
    piece = Piece("tr181 " + " ".join(sorted(found)), "TR-181", leaves[0].label_start, leaves[-1].stop)
    piece.spans.extend((leaf.label_start, leaf.stop) for leaf in leaves)
    technology, status = found.get("CurrentAccessTechnology"), found.get("Status")
    mode = mode_of(technology.text) if technology is not None and not technology.cut else None
    if mode is not None:
        piece.say_mode(mode, 3)
    elif technology is not None and not technology.text.strip() and not technology.cut and (status is None or status.text not in {"Up", "Dormant"}):
        piece.say_mode(Mode.NONE, 2)
        piece.why["registration"] = f"Status {status.text}" if status is not None else "not stated"
    rat = {Mode.LTE: Rat.LTE, Mode.NR: Rat.NR, Mode.NR_SA: Rat.NR}.get(mode) if mode is not None else None
    if rat is not None and (status is None or status.text not in {"Down", "NotPresent", "Unknown", "Error", "LowerLayerDown"}):
        draft = Draft(rat, Role.SERVING, leaves[0].label_start)
        for name in ("RSRP", "RSRQ", "RSSI", "SINR"):
            if name in found:
                _dbus_put(draft, name.lower(), found[name])
        if any(item.state is FieldState.OK for item in draft.fields.values()):
            piece.drafts.append(draft)
    for name, leaf in found.items():
        if name.rpartition(".")[2] in {"IMEI", "IMSI", "ICCID", "MSISDN"} and leaf.text.lower() not in UNKNOWN_TEXTS:
            piece.warnings.append("the text holds a subscriber or device identity: redact it before sharing")
    return piece

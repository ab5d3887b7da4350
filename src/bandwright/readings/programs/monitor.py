"""A router system's monitor text, and its interface, which says the same. Values marked nr- come once, and belong to the first NR carrier at most.

Source: recorded monitor texts.
"""

from __future__ import annotations

import re

from bandwright.readings.draft import Draft, Piece, null_field, ok_field
from bandwright.readings.programs.printed import Pair, has_value, put
from bandwright.readings.values import UNKNOWN_TEXTS, mode_of, registration_of
from bandwright.words.radio import Mode, Rat, Role

__all__ = ["MONITOR", "MONITOR_KEYS", "read_monitor", "read_monitor_text"]

_MONITOR_LINE = re.compile(r"[ \t]*([a-z][a-z0-9-]*)[ ]?:[ \t]*([^\n]*)")
_COMPONENT = re.compile(r"([Bn])(\d{1,3})@(\d{1,3}(?:\.\d)?) ?M[Hh]z(?:[ ]+earfcn: ?(\d{1,7}))?(?:[ ]+phy-cellid: ?(\d{1,4}))?")
_OLD_CHANNEL = re.compile(r"(\d{1,7})(?: \(band (\d{1,3}), bandwidth (\d{1,3}(?:\.\d)?) ?MHz\))?")
MONITOR_KEYS = frozenset({"primary-band", "ca-band"})
_MONITOR_FIELDS = {
    "dl-modulation": "modulation", "cqi": "cqi", "ri": "rank", "mcs": "mcs", "rssi": "rssi", "rsrp": "rsrp", "rsrq": "rsrq", "sinr": "sinr", "phy-cellid": "pci", "current-cellid": "cell_id", "enb-id": "enb_id", "lac": "tac",
}  # fmt: skip
MONITOR = re.compile(r"^[ \t]*(?:primary-band|ca-band|current-cellid|phy-cellid):[ \t]", re.MULTILINE)


def read_monitor_text(text: str, found: re.Match[str]) -> list[Piece]:
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
    piece = Piece("monitor", "monitor", min(pair.line for pair in pairs), max(pair.stop for pair in pairs))
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
            put(loose, _MONITOR_FIELDS[pair.label], pair)
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
        components = [*components, loose] if loose.rat is not None and has_value(loose) else components
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
            put(legs[0], name, pair)
    piece.drafts = [draft for draft in components if has_value(draft)]
    rats = {draft.rat for draft in piece.drafts}
    if rats:
        piece.say_mode(Mode.ENDC if len(rats) == 2 else Mode.LTE if rats == {Rat.LTE} else Mode.NR, 1)

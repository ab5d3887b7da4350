"""The printed tables of mmcli, and its JSON, which says the same. Source: recorded outputs of ModemManager 1.20."""

from __future__ import annotations

import re

from bandwright.readings.draft import Draft, Piece, ok_field
from bandwright.readings.programs.printed import Pair, bare_value, has_value, keep_measured, put
from bandwright.readings.values import UNKNOWN_TEXTS, mode_of, registration_of
from bandwright.words.radio import Mode, Rat, Registration, Role

__all__ = ["mmcli_piece", "read_mmcli"]

_MM_LINE = re.compile(r"[ \t]*([A-Za-z0-9 ]*?)[ ]*\|[ ]*([^:\n|]*?):[ ]?([^\n]*)")
_MM_RULE = re.compile(r"[ \t]*-{10,}[ \t]*$")
_MM_MORE = re.compile(r"[ \t]*\|[^\n]*$")


def read_mmcli(text: str, found: re.Match[str]) -> list[Piece]:
    """Read one block of "Section | label: value" lines between rules."""
    piece = Piece("mmcli", "mmcli", found.start(), found.end())
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
    piece = piece or Piece("mmcli", "mmcli", min(a for a, _ in spans), max(b for _, b in spans), spans=list(spans))
    sections = {name for name, _ in seen}
    located = any(pair.label == "tracking area code" for _, pair in seen)
    piece.key = "mmcli " + ("signal" if sections & {"signal", "lte", "5g"} else "location" if located else "status")
    _mm_read(seen, piece)
    return piece


def _mm_read(seen: list[tuple[str, Pair]], piece: Piece) -> None:
    drafts: dict[Rat | None, Draft] = {}
    codes: dict[str, Pair] = {}
    for section, pair in seen:
        value = bare_value(pair).lower()
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
    piece.drafts = [draft for draft in drafts.values() if has_value(draft)]
    measured = Piece("", "", 0, 0, drafts=[draft for draft in piece.drafts if draft.rat is not None])
    keep_measured(measured, 2)
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
        put(drafts.setdefault(rat, Draft(rat, Role.SERVING, pair.line)), name, pair)


def _mm_place(pair: Pair, value: str, codes: dict[str, Pair], drafts: dict[Rat | None, Draft]) -> None:
    """Read the location table, whose area code and cell are hexadecimal and whose technology is not said."""
    draft = drafts.setdefault(None, Draft(None, Role.SERVING, pair.line))
    if pair.label in {"operator mcc", "operator mnc"}:
        codes[pair.label[-3:]] = pair
        if len(codes) == 2 and bare_value(codes["mcc"]).isdecimal() and bare_value(codes["mnc"]).isdecimal():
            draft.put(
                ok_field(
                    "plmn", f"{bare_value(codes['mcc'])}-{bare_value(codes['mnc'])}", min(p.start for p in codes.values()), max(p.stop for p in codes.values())
                )
            )
    elif pair.label in {"tracking area code", "cell id"} and re.fullmatch(r"[0-9a-f]{1,9}", value) and int(value, 16):
        name = "tac" if pair.label.startswith("t") else "cell_id"
        number = int(value, 16)
        if number not in {0xFFFFFF, 0xFFFE, 0xFFFF, 0xFFFFFFF, 0xFFFFFFFF}:
            draft.put(ok_field(name, number, pair.start, pair.stop))

"""The printed output of mbimcli: decimal identities, and RSRQ with the unit dBm (sic). Source: recorded outputs of libmbim 1.28."""

from __future__ import annotations

import re

from bandwright.readings.draft import Draft, Piece, ok_field
from bandwright.readings.programs.printed import Pair, bare_value, keep_measured, printed_pairs, put, put_network
from bandwright.readings.values import mode_of
from bandwright.words.radio import Mode, Rat, Registration, Role

__all__ = ["read_mbim_registration", "read_mbimcli"]


def read_mbimcli(text: str, found: re.Match[str]) -> list[Piece]:
    """Read --ms-query-base-stations-info: decimal identities, RSRQ with the unit dBm (sic)."""
    piece = Piece("mbimcli base stations", "mbimcli", found.start(), found.end())
    draft: Draft | None = None
    kind = (Rat.LTE, Role.SERVING)
    for pair in printed_pairs(text, found.start()):
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
    keep_measured(piece, 3)
    return [piece]


def _mbim_field(draft: Draft, label: str, pair: Pair) -> None:
    if label == "provider id":
        put_network(draft, pair)
        digits = bare_value(pair)
        if len(digits) == 6 and digits.isdecimal() and not pair.cut:
            draft.fields["plmn"] = ok_field("plmn", f"{digits[:3]}-{digits[3:]}", pair.start, pair.stop)
        return
    name = {
        "cell id": "cell_id", "nci": "cell_id", "earfcn": "arfcn", "nrarfcn": "arfcn", "nr arfcn": "arfcn", "physical cell id": "pci", "tac": "tac", "rsrp": "rsrp", "rsrq": "rsrq", "sinr": "sinr",
        "timing advance": "timing_advance",
    }.get(label)  # fmt: skip
    if name is not None:
        put(draft, name, pair)


def read_mbim_registration(text: str, found: re.Match[str]) -> list[Piece]:
    """Read --query-registration-state: the register state and the provider."""
    piece = Piece("mbimcli registration", "mbimcli", found.start(), found.end())
    end = text.find("\n", found.end())
    piece.spans.append((found.start(), found.end()))
    for pair in printed_pairs(text, end + 1) if end >= 0 else ():
        piece.spans.append((pair.line, pair.stop))
        piece.stop = max(piece.stop, pair.stop)
        value = bare_value(pair).lower()
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

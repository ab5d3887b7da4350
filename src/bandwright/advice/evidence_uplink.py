"""Evidence on the upload: power left, which carrier sends, and what another mode would give."""

from __future__ import annotations

from statistics import median

from bandwright.advice.case import Case, SeenCarrier
from bandwright.advice.evidence_base import (
    EvidenceRow,
    duplex_of_carrier,
)
from bandwright.advice.evidence_radio import is_sa, mode_of

__all__ = ["ROWS"]


_MIXED = frozenset({"endc", "nsa", "dc"})


def _by_mode(case: Case, modes: frozenset[str]) -> tuple[float, int] | None:
    """Return (median upload, tests) of a mode, from the comparison or the history; "lte" beside "nsa" is not 4G alone."""
    for row in case.comparison:
        found = row.number("goodput_up_mbps")
        if found is not None and row.words & modes and (modes == _MIXED or not row.words & _MIXED):
            return found, int(row.tests or 3)
    rates = [r.up_mbps for r in case.history if r.up_mbps is not None and (r.seen_mode or r.asked_mode) in modes]
    return (median(rates), len(rates)) if rates else None


def _lte_only_gain(case: Case, _symptom: str) -> float | None:
    """Upload in LTE alone over upload in EN-DC, of three tests or more each."""
    alone, both = _by_mode(case, frozenset({"lte"})), _by_mode(case, _MIXED)
    if alone is None or both is None or min(alone[1], both[1]) < 3 or both[0] <= 0:
        return None
    return alone[0] / both[0]


def _sending(case: Case) -> SeenCarrier | None:
    """Return the carrier whose power was read under upload; where several were, the one that sends loudest."""
    reading = case.reading("load_up")
    powered = [c for c in reading.serving if c.tx_power_dbm is not None] if reading is not None else []
    return max(powered, key=lambda c: c.tx_power_dbm or -99) if powered else None


def _headroom(case: Case, _symptom: str) -> float | None:
    sender = _sending(case)
    if sender is None or sender.tx_power_dbm is None:
        return None
    most = case.capability.power_class_dbm if case.capability is not None and case.capability.power_class_dbm is not None else 23.0
    return most - sender.tx_power_dbm


def _upload_carrier(case: Case) -> SeenCarrier | None:
    """Return the carrier that carries the upload: the one whose power was read, else the only one in use, else None."""
    sender = _sending(case)
    if sender is not None:
        return sender
    reading = case.reading("load_up")
    return reading.serving[0] if reading is not None and len(reading.serving) == 1 else None


def _unread_power_rsrp(case: Case, symptom: str) -> float | None:
    """RSRP of the primary carrier where the transmit power was not read."""
    reading = case.reading("load_up") or case.reading("idle")
    if reading is None or _headroom(case, symptom) is not None or reading.primary is None or reading.primary.rat != "lte":
        return None
    return reading.primary.rsrp_dbm


def _on_tdd(case: Case, _symptom: str) -> float | None:
    sender = _upload_carrier(case)
    duplex = None if sender is None else duplex_of_carrier(sender)
    return None if duplex is None else float(duplex == "TDD")


def _tdd_with_room(case: Case, symptom: str) -> float | None:
    tdd, room = _on_tdd(case, symptom), _headroom(case, symptom)
    return None if tdd is None or room is None else float(bool(tdd) and room > 2.5)


def _weak_anchor(case: Case, symptom: str) -> float | None:
    """Whether, in EN-DC, the upload goes over LTE at the limit while NR is more than 10 dB stronger."""
    reading, sender, room = case.reading("load_up"), _sending(case), _headroom(case, symptom)
    if reading is None or sender is None or room is None or mode_of(reading) != "endc":
        return None
    nr = [c.rsrp_dbm for c in reading.serving if c.rat == "nr" and c.rsrp_dbm is not None]
    if not nr or sender.rsrp_dbm is None:
        return None
    return float(sender.rat == "lte" and room <= 1.5 and max(nr) > sender.rsrp_dbm + 10)


def _both_legs(case: Case, _symptom: str) -> float | None:
    """Whether 4G and 5G carry traffic together under upload; None without such a reading."""
    reading = case.reading("load_up")
    return None if reading is None else float({c.rat for c in reading.serving} == {"lte", "nr"})


def _sa_at_limit(case: Case, symptom: str) -> float | None:
    reading, tdd, room = case.reading("load_up"), _on_tdd(case, symptom), _headroom(case, symptom)
    if reading is None or tdd is None or room is None or not is_sa(reading):
        return None
    return float(bool(tdd) and room <= 1.5)


ROWS: tuple[EvidenceRow, ...] = (
    EvidenceRow("headroom_db", "transmit power left under upload", "dB", _headroom, "TS 36.101 6.2, TS 38.101-1 6.2"),
    EvidenceRow("unread_power_rsrp", "RSRP where the transmit power was not read", "dBm", _unread_power_rsrp, "measured"),
    EvidenceRow("on_tdd", "the upload goes over an unpaired carrier", "yes/no", _on_tdd),
    EvidenceRow("tdd_with_room", "the upload goes over an unpaired carrier with power to spare", "yes/no", _tdd_with_room, "TS 38.331 TDD-UL-DL-Pattern"),
    EvidenceRow("weak_anchor", "upload over LTE at its limit, NR more than 10 dB stronger", "yes/no", _weak_anchor, "TS 38.323 5.2.1"),
    EvidenceRow("lte_only_gain", "upload in LTE alone over upload in EN-DC", "", _lte_only_gain),
    EvidenceRow("both_legs", "4G and 5G carry the upload together", "yes/no", _both_legs),
    EvidenceRow("sa_at_limit", "5G alone sends on an unpaired carrier at its limit", "yes/no", _sa_at_limit),
)

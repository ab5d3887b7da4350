"""Facts without blame: what stands out in a case and is worth knowing whatever the cause turns out to be."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from bandwright.advice.case import Case, HistoryRow
from bandwright.needs.packets import port_goodput_mbps, wilson_interval
from bandwright.words.answers import Evidence, Finding

__all__ = ["facts_of"]


def facts_of(case: Case, symptom: str, evidence: Mapping[str, float]) -> tuple[Finding, ...]:
    """Return the facts that a case shows for a symptom."""
    found = [
        _not_in_force(evidence),
        _flat_top(evidence),
        _port_speed(case, evidence),
        _swing(evidence),
        _serving_changed(case),
        _carriers_changed(case),
        _first_hop(evidence),
        _loss(case),
        _strong_poor(evidence),
    ]
    return tuple(_with_symptom(f, symptom) for f in found if f is not None)


def _fact(key: str, sentence: str, *items: tuple[str, float | str | None], rule: str, source: str) -> Finding:
    return Finding(key=key, sentence=sentence, evidence=tuple(Evidence(key=k, value=v, rule=rule, source=source) for k, v in items), source=source)


def _with_symptom(finding: Finding, symptom: str) -> Finding:
    return Finding(key=finding.key, sentence=finding.sentence, symptom=symptom, evidence=finding.evidence, source=finding.source)


def _not_in_force(evidence: Mapping[str, float]) -> Finding | None:
    count = evidence.get("not_in_force", 0.0)
    if count < 1:
        return None
    return _fact(
        "setting_not_in_force",
        f"{count:.0f} reading(s) show a band or mode outside what was asked.",
        ("not_in_force", count),
        rule="asked against seen",
        source="common practice, no source",
    )


def _flat_top(evidence: Mapping[str, float]) -> Finding | None:
    cv = evidence.get("cv")
    if cv is None or cv >= 0.05:
        return None
    return _fact(
        "flat_top",
        f"The rate held at one level: its seconds vary by {100 * cv:.1f} %.",
        ("cv", cv),
        rule="spread of one-second means below 5 %",
        source="measured: in none of 612 fixed LTE tests",
    )


def _port_speed(case: Case, evidence: Mapping[str, float]) -> Finding | None:
    port, gap = (None if case.near_end is None else case.near_end.port_mbps), evidence.get("port_gap")
    if port is None or gap is None or gap < -0.1:
        return None
    return _fact(
        "near_port_speed",
        f"The computer's port runs at {port:.0f} Mbit/s, which passes {port_goodput_mbps(port):.1f}.",
        ("port_gap", gap),
        rule="rate against 0.941 of the port",
        source="RFC 6349",
    )


def _swing(evidence: Mapping[str, float]) -> Finding | None:
    ratio = evidence.get("hour_ratio")
    if ratio is None or 1 / 1.5 < ratio < 1.5:
        return None
    return _fact(
        "swing_with_hour",
        f"Nights run at {ratio:.1f} times the evenings' rate.",
        ("hour_ratio", ratio),
        rule="hours 0-5 over hours 18-22",
        source="measured at one cell",
    )


def _serving_changed(case: Case) -> Finding | None:
    rows = sorted((r for r in case.history if r.at is not None and r.pci is not None), key=_when)
    for earlier, later in reversed(list(itertools.pairwise(rows))):
        if (earlier.pci, earlier.band) != (later.pci, later.band) and later.at is not None:
            return _fact(
                "serving_cell_changed",
                f"The serving cell changed by {later.at:%Y-%m-%d %H:%M}: {earlier.band or 'cell'} {earlier.pci} before, {later.band or 'cell'} {later.pci} since.",
                ("pci", float(later.pci or 0)),
                rule="cell of one test against that of the next",
                source="history",
            )
    return None


def _carriers_changed(case: Case) -> Finding | None:
    rows = sorted((r for r in case.history if r.at is not None and r.carriers_under_load is not None), key=_when)
    for earlier, later in reversed(list(itertools.pairwise(rows))):
        if earlier.carriers_under_load != later.carriers_under_load and later.at is not None:
            return _fact(
                "carrier_set_changed",
                f"Carriers under load changed by {later.at:%Y-%m-%d %H:%M}: {earlier.carriers_under_load:.0f} before, {later.carriers_under_load:.0f} since.",
                ("carriers_under_load", later.carriers_under_load),
                rule="carriers of one test against those of the next",
                source="history",
            )
    return None


def _when(row: HistoryRow) -> str:
    return "" if row.at is None else row.at.isoformat()


def _first_hop(evidence: Mapping[str, float]) -> Finding | None:
    share = evidence.get("hop_share")
    if share is None or share < 0.3:
        return None
    return _fact(
        "first_hop_share",
        f"{100 * min(share, 1):.0f} % of the rise of the delay stands before the gateway.",
        ("hop_share", share),
        rule="rise at the first hop over rise end to end",
        source="measured",
    )


def _loss(case: Case) -> Finding | None:
    test = case.measurement
    sent, lost = (None, None) if test is None else (test.get("probes_sent"), test.get("probes_lost"))
    if not sent or not lost or lost > sent:
        return None
    found = wilson_interval(lost=int(lost), sent=int(sent))
    return _fact(
        "loss_interval",
        f"{lost:.0f} of {sent:.0f} probes were lost: between {100 * (found.low or 0):.1f} and {100 * (found.high or 1):.1f} %.",
        ("loss", lost / sent),
        rule="Wilson interval, 95 %",
        source="RFC 7680",
    )


def _strong_poor(evidence: Mapping[str, float]) -> Finding | None:
    rsrp, sinr = evidence.get("rsrp_dbm"), evidence.get("sinr_db")
    if rsrp is None or sinr is None or rsrp <= -85 or sinr >= 5:
        return None
    return _fact(
        "strong_poor",
        f"A strong signal of poor quality: RSRP {rsrp:.0f} dBm, SINR {sinr:.0f} dB.",
        ("rsrp_dbm", rsrp),
        ("sinr_db", sinr),
        rule="RSRP above -85 dBm, SINR below 5 dB",
        source="measured: 5 % of 170 runs",
    )

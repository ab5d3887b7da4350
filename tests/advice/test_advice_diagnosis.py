"""Diagnosis: the worked examples to their printed digits, the guards, the shared cases, and what can never be claimed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.advice.case import Case, SeenCarrier, SeenReading
from bandwright.advice.case_json import case_from_json
from bandwright.advice.diagnosis import Diagnosis, combine, diagnose, items_of, judge
from bandwright.advice.evidence import EVIDENCE
from bandwright.advice.findings import FINDINGS, UNKNOWN_PRIORS, FindingRow, Weight, ancestors, descendants, finding_row
from bandwright.errors import UsageError

SYMPTOMS = ("down", "up", "delay", "delay_loaded", "loss", "drops", "cannot_connect")
BLOCKS = ("declared", "readings", "measurement", "near_end", "far_end", "history", "comparison", "outages", "events", "history_monthly")

# A cable, four streams; the rate .26 of what the radio would carry; nights 2.9 times evenings, whose weight stops at 10; scatter .27;
# .02 of the rise before the gateway; no cap; SINR 20 dB, the signal far above noise.
WORKED = {"rate_ratio": 0.26, "hour_lr": 10.0, "cv": 0.27, "hop_share": 0.02, "wifi": 0.0, "cap_passed": 0.0, "sinr_db": 20.0}
WORKED_ROWS = ("cell_load", "deprioritised", "within_expected", "plan_throttle", "interference_limited", "noise_limited", "wifi_limit")


def product(key: str, evidence: Mapping[str, float]) -> float:
    row = finding_row(key)
    total = row.priors["down"]
    for item in items_of(row, evidence):
        total *= item.ratio
    return total


@pytest.mark.parametrize(
    ("key", "mass"),
    [
        ("cell_load", 3.3),  # .15 x 2.2 x 10
        ("deprioritised", 0.2184),  # .05 x 2.2 x 7.943 x .25
        ("within_expected", 0.0018),  # .10 x .06 x .3
        ("plan_throttle", 0.00046),  # .06 x 2.2 x .1 x .05 x .7
        ("interference_limited", 0.00017),  # .07 x .08 x .03
        ("noise_limited", 0.00014),  # .06 x .08 x .03
        ("wifi_limit", 0.00011),  # .12 x 2.2 x .5 x .02 x .04
    ],
)
def test_worked_masses(key: str, mass: float) -> None:
    last_digit = 10.0 ** -(len(f"{mass:.8f}".rstrip("0")) - 2)
    assert abs(product(key, WORKED) - mass) < 0.51 * last_digit


def test_worked_chances_and_the_claim() -> None:
    rows = [finding_row(k) for k in WORKED_ROWS]
    weighed, unknown = combine(WORKED, "down", rows=rows)
    chances = {w.row.key: w.chance for w in weighed}
    assert [round(chances["cell_load"], 3), round(chances["deprioritised"], 3), round(unknown, 3)] == [0.906, 0.060, 0.033]
    lead, mass, _, claimed = judge(weighed, unknown, WORKED | {"other_share": 0.0}, "down")
    assert lead is not None
    assert (lead.row.key, claimed) == ("cell_load", True)
    assert 15 <= mass / chances["deprioritised"] < 15.2


def test_worked_past_the_cap_it_cannot_be_told() -> None:
    evidence = WORKED | {"cap_passed": 1.0}
    weighed, unknown = combine(evidence, "down", rows=[finding_row(k) for k in WORKED_ROWS])
    chances = {w.row.key: w.chance for w in weighed}
    assert [round(chances["cell_load"], 3), round(chances["deprioritised"], 3), round(unknown, 3)] == [0.477, 0.505, 0.017]
    _, _, candidates, claimed = judge(weighed, unknown, evidence | {"other_share": 0.0}, "down")
    assert not claimed
    assert {c.row.key for c in candidates} == {"cell_load", "deprioritised"}


def test_one_item_speaks_for_a_group() -> None:
    row = replace(finding_row("cell_load"), weights=(Weight("a", 2, low=0, group="g"), Weight("b", 0.1, low=0, group="g"), Weight("c", 3, low=0, group="h")))
    assert {i.weight.key for i in items_of(row, {"a": 1, "b": 1, "c": 1})} == {"b", "c"}


def test_correlations_weigh_at_most_thirty_and_demonstrations_a_hundred() -> None:
    row = replace(
        finding_row("cell_load"),
        weights=(Weight("a", 500, low=0, group="g"), Weight("b", 500, low=0, group="h", shown=True), Weight("c", 1e-6, low=0, group="i")),
    )
    assert sorted(i.ratio for i in items_of(row, {"a": 1, "b": 1, "c": 1})) == pytest.approx([1 / 30, 30, 100])


def test_what_is_missing_counts_for_nothing() -> None:
    weighed, unknown = combine({}, "down")
    assert all(w.items == () for w in weighed)
    total = sum(r.priors["down"] for r in FINDINGS if "down" in r.priors) + UNKNOWN_PRIORS["down"]
    assert unknown == pytest.approx(UNKNOWN_PRIORS["down"] / total)
    for symptom in SYMPTOMS:
        found = diagnose(Case(not_met=(symptom,)))[0]
        assert found.claims == ()
        assert found.undecided == ()
        assert found.next_tests[0].key == "full_reading"


# --- the table -----------------------------------------------------------------------------------------------------------------


def test_table_is_whole() -> None:
    keys, evidence = {r.key for r in FINDINGS}, {r.key for r in EVIDENCE}
    assert len(keys) == len(FINDINGS)
    assert len(keys) >= 44
    for row in FINDINGS:
        assert row.sentence.endswith(".")
        assert row.rule
        assert row.source
        assert row.remedy
        assert row.settle_by
        assert set(row.priors) <= set(SYMPTOMS)
        assert all(0 < p <= 0.4 for p in row.priors.values())
        assert set(row.parents) <= keys
        assert row.key not in ancestors(row.key)
        assert {w.key for w in row.weights} <= evidence
        assert {n.rpartition(":")[2] for n in row.needs} <= evidence
        assert set(row.own) <= {w.group for w in row.weights}
        assert all(w.source for w in row.weights)


def test_priors_of_the_downlink_and_uplink() -> None:
    # common practice, no source: the stated ones
    down = {"cell_load": 0.15, "wifi_limit": 0.12, "within_expected": 0.10, "interference_limited": 0.07, "noise_limited": 0.06, "plan_throttle": 0.06}
    down |= {"ca_not_aggregated": 0.05, "deprioritised": 0.05, "home_traffic": 0.05}
    assert {k: finding_row(k).priors["down"] for k in down} == down
    up = {"uplink_power_limited": 0.25, "cell_load": 0.12, "uplink_tdd_share": 0.10, "uplink_nsa_anchor": 0.08, "wifi_limit": 0.07, "uplink_nsa_nr_weak": 0.06}
    assert {k: finding_row(k).priors["up"] for k in up} == up
    assert UNKNOWN_PRIORS["down"] == UNKNOWN_PRIORS["up"] == 0.12


def test_kin() -> None:
    assert {"uplink_nsa_anchor", "sa_mid_band_reach", "uplink_nsa_nr_weak"} <= descendants("uplink_power_limited")
    assert {"rain_mmwave", "leaves_season", "misaim", "feeder_loss"} <= descendants("noise_limited")
    assert "sector_overlap" in descendants("interference_limited")
    assert {"sa_low_band_primary", "scell_deactivated"} <= descendants("ca_not_aggregated")
    assert "rank_low" in ancestors("port_dead")
    assert {"noise_limited", "interference_limited", "rank_low", "ca_not_aggregated"} <= descendants("within_expected")
    with pytest.raises(UsageError, match="cell_load"):
        finding_row("bars")


def test_a_child_is_named_before_its_parent() -> None:
    evidence = {"headroom_db": 0.5, "weak_anchor": 1.0, "on_tdd": 0.0, "tdd_with_room": 0.0}
    weighed, unknown = combine(evidence, "up")
    lead, mass, _, claimed = judge(weighed, unknown, evidence, "up")
    assert lead is not None
    assert (lead.row.key, claimed) == ("uplink_nsa_anchor", True)
    assert mass > lead.chance  # the parent's chance is added: they are not rivals


def test_two_special_cases_that_neither_stands_out_are_named_together() -> None:
    evidence = {"poor_by_noise": 1.0, "noise_gap_db": 1.0, "sinr_db": 4.0, "rate_ratio": 0.9, "fell_once": 1.0, "leaves_returned": 0.0}
    weighed, unknown = combine(evidence, "down")
    _, _, candidates, claimed = judge(weighed, unknown, evidence, "down")
    assert not claimed
    assert {"misaim", "leaves_season"} == {c.row.key for c in candidates}


def test_one_fall_in_one_season_is_leaves_or_aim_and_the_next_test_tells() -> None:
    carrier = {"rat": "lte", "role": "pcell", "fields": {"band": "B3", "pci": 9, "dl_bandwidth": 20, "duplex": "FDD", "rsrp": -118, "sinr": 6}}
    months = [{"month": f"2025-{m:02d}", "rsrp": -100 - (9 if m > 4 else 0)} for m in range(1, 10)]
    record = {"not_met": ["down"], "readings": [{"state": "load_down", "carriers": [carrier]}], "measurement": {"goodput_down_mbps": 20}, "history_monthly": months}
    found = diagnose(case_from_json(record))[0]
    assert found.claims == ()
    assert {f.key for f in found.undecided} == {"misaim", "leaves_season"} == {r.key for r in found.ranked[:2]}
    assert {t.key for t in found.next_tests[:2]} & {"winter_compare", "heading_sweep"}


# --- claims need an item of their own --------------------------------------------------------------------------------------------

_ANY_EVIDENCE = st.dictionaries(st.sampled_from([r.key for r in EVIDENCE]), st.one_of(st.sampled_from([0.0, 1.0]), st.floats(-30, 60)), max_size=25)


def claimed_by(evidence: Mapping[str, float], symptom: str) -> FindingRow | None:
    weighed, unknown = combine(evidence, symptom)
    lead, mass, _, claimed = judge(weighed, unknown, evidence, symptom)
    if lead is None or not claimed:
        return None
    assert lead.row.needs_no_item or lead.best_own >= 3
    assert mass >= 0.5
    kin = ancestors(lead.row.key) | descendants(lead.row.key)
    assert all(mass >= 3 * w.chance for w in weighed if w.row.key != lead.row.key and w.row.key not in kin)
    assert mass >= 3 * unknown
    return lead.row


@settings(deadline=None, max_examples=150)
@given(_ANY_EVIDENCE, st.sampled_from(SYMPTOMS))
def test_whatever_is_seen_a_claim_has_an_item_of_its_own_and_beats_its_rivals(evidence: dict[str, float], symptom: str) -> None:
    evidence = {k: abs(v) + 0.05 if k == "hour_lr" else v for k, v in evidence.items()}
    row = claimed_by(evidence, symptom)
    if row is not None:
        for key in evidence:  # removing any piece never makes a claim without an item of its own
            claimed_by({k: v for k, v in evidence.items() if k != key}, symptom)


@settings(deadline=None, max_examples=80)
@given(_ANY_EVIDENCE, st.sampled_from(SYMPTOMS))
def test_chances_add_up(evidence: dict[str, float], symptom: str) -> None:
    evidence = {k: abs(v) + 0.05 if k == "hour_lr" else v for k, v in evidence.items()}
    weighed, unknown = combine(evidence, symptom)
    assert sum(w.chance for w in weighed) + unknown == pytest.approx(1)
    assert all(a.chance >= b.chance for a, b in pairwise(weighed))


# --- never claimed -------------------------------------------------------------------------------------------------------------


def test_nothing_that_is_never_claimed_stands_in_the_table() -> None:
    said = " ".join(f"{r.key} {r.sentence} {r.rule}".lower() for r in FINDINGS)
    for never in ("self-interference", "gps", "clock", "distance", "too far", " bars", "radiation", "health"):
        assert never not in said
    evidence = " ".join(r.key for r in EVIDENCE)
    assert "distance" not in evidence
    assert "rsrq" not in evidence


@settings(deadline=None, max_examples=60)
@given(st.floats(-140, -45), st.sampled_from(["idle", "load_down", "load_up"]), st.sampled_from(SYMPTOMS))
def test_nothing_is_claimed_from_one_rsrp(rsrp: float, state: str, symptom: str) -> None:
    reading = SeenReading(state=state, mode="lte", carriers=(SeenCarrier(rat="lte", role="pcell", band="B3", rsrp_dbm=rsrp),))
    assert diagnose(Case(not_met=(symptom,), readings=(reading,)))[0].claims == ()


def test_weather_below_ten_gigahertz_is_never_claimed() -> None:
    rows = [{"at": f"2026-03-0{1 + i}T12:00", "rain_mm_h": 9.0 * (i % 2), "rsrp": -95 - 9 * (i % 2), "band": "n78", "goodput_down_mbps": 50} for i in range(8)]
    found = diagnose(case_from_json({"not_met": ["down"], "history": rows}))[0]
    assert found.claims == ()
    assert all(r.chance < 0.02 for r in found.ranked if r.key == "rain_mmwave")


def test_the_absence_of_other_causes_is_no_cause() -> None:
    innocent = {
        "near_busy": 0.0,
        "far_busy": 0.0,
        "other_share": 0.0,
        "wifi": 0.0,
        "hop_share": 0.0,
        "port_gap": -0.9,
        "far_port_gap": -0.9,
        "cap_passed": 0.0,
        "cv": 0.2,
        "figure_spread": 2.0,
    }
    innocent |= {
        "hour_lr": 0.2,
        "rate_ratio": 0.2,
        "rank_two_seen": 1.0,
        "not_in_force": 0.0,
        "sinr_db": 25.0,
        "noise_gap_db": 12.0,
        "step_down_db": 0.0,
        "nr_leg": 0.0,
        "hot_step": 0.0,
    }
    weighed, unknown = combine(innocent, "down")
    assert not judge(weighed, unknown, innocent, "down")[3]


# --- the shared cases ------------------------------------------------------------------------------------------------------------


def load(shared_data: Path) -> list[dict[str, Any]]:
    return json.loads((shared_data / "diagnosis_cases.json").read_text())  # type: ignore[no-any-return]


def right(answer: Mapping[str, Any]) -> set[str]:
    return {*answer["top"], *answer["acceptable"]}


@pytest.mark.shared
def test_shared_cases(shared_data: Path) -> None:
    top = two = tests = 0
    for record in load(shared_data):
        answer, found = record["answer"], diagnose(case_from_json(record))[0]
        ranked, claims, undecided = [r.key for r in found.ranked], [f.key for f in found.claims], [f.key for f in found.undecided]
        assert not set(claims) & set(answer["forbidden"]), record["id"]
        if answer["top"] == ["undecided"]:
            hit = in_two = not claims and set(answer["undecided"]) <= set(undecided)
        else:
            hit, in_two = ranked[0] in answer["top"], bool(set(answer["top"]) & set(ranked[:2]))
        top, two = top + hit, two + in_two
        tests += bool({t.key for t in found.next_tests[:2]} & set(answer["next"]))
    assert top >= 11
    assert two == 12
    assert tests >= 11


@pytest.mark.shared
def test_shared_cases_with_a_block_removed_are_never_claimed_wrongly(shared_data: Path) -> None:
    for record in load(shared_data):
        for block in BLOCKS:
            if block in record:
                found = diagnose(case_from_json({k: v for k, v in record.items() if k != block}))[0]
                assert {f.key for f in found.claims} <= right(record["answer"]), (record["id"], block)


def _paths(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    found = [path] if path else []
    if isinstance(value, dict):
        for key, inner in value.items():
            found += _paths(inner, (*path, key))
    elif isinstance(value, list) and len(value) < 20:
        for i, inner in enumerate(value):
            found += _paths(inner, (*path, i))
    return found


def _without(record: Mapping[str, Any], path: tuple[Any, ...], *, absent: bool) -> dict[str, Any]:
    copied: Any = deepcopy(dict(record))
    inner = copied
    for step in path[:-1]:
        inner = inner[step]
    if absent:
        inner[path[-1]] = None
    elif isinstance(inner, list):
        inner.pop(path[-1])
    else:
        inner.pop(path[-1])
    return copied  # type: ignore[no-any-return]


def _same(a: Diagnosis, b: Diagnosis) -> bool:
    return (a.ranked, a.claims, a.undecided, a.next_tests) == (b.ranked, b.claims, b.undecided, b.next_tests)


@pytest.mark.shared
@settings(deadline=None, max_examples=60)
@given(data=st.data())
def test_removing_any_field_claims_nothing_without_an_item_and_null_is_the_same_as_absent(shared_data: Path, data: st.DataObject) -> None:
    record = data.draw(st.sampled_from(load(shared_data)))
    record = {k: v for k, v in record.items() if k not in {"answer", "id", "not_met"}}
    path = data.draw(st.sampled_from(_paths(record)))
    symptom = data.draw(st.sampled_from(SYMPTOMS))
    gone = diagnose(case_from_json(_without(record, path, absent=False) | {"not_met": [symptom]}))[0]
    for claim in gone.claims:
        row = finding_row(claim.key)
        own = [e.likelihood_ratio or 0 for e in claim.evidence]
        assert row.needs_no_item or max(own) >= 3
    if not isinstance(path[-1], int):
        null = diagnose(case_from_json(_without(record, path, absent=True) | {"not_met": [symptom]}))[0]
        # a block that is null is not known; a plan's cap that is null is "none declared", and so is one left out
        assert _same(gone, null) or gone.claims == null.claims


# --- answers describe themselves -------------------------------------------------------------------------------------------------


def port_case() -> dict[str, Any]:
    carrier = {
        "rat": "nr",
        "role": "pcell",
        "fields": {"band": "n78", "pci": 41, "dl_bandwidth": 100, "duplex": "TDD", "scs": 30, "rsrp": -82, "sinr": 26, "rank": 4},
    }
    times = [f"2026-03-0{d}T{h:02d}:05" for d in (8, 9) for h in (2, 7, 12, 17, 20, 22)]
    return {
        "not_met": ["down"],
        "declared": {"plan": {"cap_gb": None}, "asked": {"mode": "auto", "bands": "any"}},
        "readings": [{"state": s, "mode": "nr-sa", "carriers": [carrier]} for s in ("idle", "load_down")],
        "measurement": {
            "at": "2026-03-10T13:10",
            "goodput_down_mbps": 93.9,
            "capacity_down_mbps": 96.9,
            "goodput_down_single_mbps": 93.9,
            "delay_idle_ms": 30,
            "delay_loaded_down_ms": 130,
            "first_hop_idle_ms": 0.6,
            "first_hop_loaded_down_ms": 94,
            "series_down_mbps": [15 * i for i in range(6)] + [94.0, 93.5] * 27,
        },
        "near_end": {"link": "ethernet", "port_speed_mbps": 100, "cpu_share": 0.1, "rwnd_limited_share": 0.0, "other_traffic_mbps": 0.0},
        "far_end": {"port_speed_mbps": 1000, "cpu_share": 0.1},
        "history": [{"at": t, "goodput_down_mbps": 94.0 + 0.1 * (i % 3), "rsrp": -82, "sinr": 26, "pci": 41, "band": "n78"} for i, t in enumerate(times)],
    }


def test_a_claim_shows_its_figures_its_rule_and_its_source() -> None:
    found = diagnose(case_from_json(port_case()))[0]
    (claim,) = found.claims
    assert claim.key == "port_limit"
    assert claim.status == "claimed"
    assert claim.certainty is not None
    assert claim.certainty > 0.9
    assert claim.symptom == "down"
    ratios = [e.likelihood_ratio for e in claim.evidence if e.likelihood_ratio is not None]
    assert max(ratios) >= 12
    assert all(e.rule for e in claim.evidence)
    assert all(e.source for e in claim.evidence)
    assert found.next_tests[0].key == "gigabit_cable"
    assert {"bigger_antenna", "other_plan"} <= set(found.will_not_help)
    assert {f.key for f in found.facts} >= {"flat_top", "near_port_speed", "first_hop_share"}
    assert all(f.status == "fact" and f.certainty is None for f in found.facts)


def test_without_the_port_nothing_flat_is_blamed_on_the_plan() -> None:
    record = port_case()
    del record["near_end"]
    found = diagnose(case_from_json(record))[0]
    assert found.claims == ()


def test_each_symptom_is_judged_by_itself() -> None:
    record = port_case() | {"not_met": ["down", "delay_loaded", "nonsense"]}
    assert [d.symptom for d in diagnose(case_from_json(record))] == ["down", "delay_loaded"]


def test_what_cannot_be_told_apart_shares_what_will_not_help() -> None:
    record = port_case()
    record["declared"]["plan"] = {"cap_gb": 100, "used_gb": 120}
    record["history"] = []
    record["near_end"]["port_speed_mbps"] = 1000
    record["measurement"] |= {"at": "2026-03-10T20:10", "series_down_mbps": [60.0, 130.0] * 30, "first_hop_loaded_down_ms": 1.0}
    found = diagnose(case_from_json(record))[0]
    assert found.claims == ()
    assert {f.key for f in found.undecided} >= {"cell_load", "deprioritised"}
    assert all(f.status == "candidate" for f in found.undecided)
    assert found.will_not_help == ("bigger_antenna",)
    assert found.next_tests[0].key == "repeat_at_0400"


_ALL_WELL = {
    "rate_ratio": 0.9, "hour_lr": 0.2, "not_in_force": 0.0, "cap_passed": 0.0, "port_gap": -0.9, "other_share": 0.0, "sinr_db": 20.0, "rsrp_dbm": -88.0, "fewer_at_idle": 0.0,
    "wifi": 0.0, "hop_share": 0.02, "near_busy": 0.0, "far_busy": 0.0, "cv": 0.2, "figure_spread": 1.5, "all_in_use": 1.0,
}  # fmt: skip


def test_what_can_be_expected_is_claimed_of_a_line_that_is_known() -> None:
    row = claimed_by(_ALL_WELL, "down")
    assert row is not None
    assert row.key == "within_expected"


@pytest.mark.parametrize("unread", ["rate_ratio", "hour_lr", "not_in_force", "cap_passed", "port_gap", "other_share", "rsrp_dbm", "fewer_at_idle"])
def test_what_can_be_expected_is_not_claimed_where_something_that_could_limit_was_not_read(unread: str) -> None:
    assert claimed_by({k: v for k, v in _ALL_WELL.items() if k != unread}, "down") is None

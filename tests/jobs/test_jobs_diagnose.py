"""From a kept test to what limits it, and from kept readings to predicted scores."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bandwright.errors import UsageError
from bandwright.jobs.assembly import open_house
from bandwright.jobs.campaign import make_design
from bandwright.jobs.diagnose import diagnose_test
from bandwright.jobs.known import with_predictions
from bandwright.telling.accounts.diagnosis import diagnosis_parts
from bandwright.telling.document import Document
from bandwright.telling.plain import document_lines
from bandwright.telling.said import said
from bandwright.words.measurement import Measurement, Method, Outcome, Phase, Value
from bandwright.words.radio import Capture

AT = datetime(2026, 11, 4, 10, 0, tzinfo=UTC)  # a Wednesday
SITE = """
[site]
name = "Diagnosed"

[[need]]
kind = "video call"
uplink_mbps = 12
downlink_mbps = 50

[[line]]
key = "A"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.1:5000"

[[rig]]
key = "sill"
line = "A"
gateway = "own"
place = "window sill"

[[rig]]
key = "wall"
line = "A"
gateway = "own"
antenna = { kind = "panel", gain_dbi = 9, beamwidth_deg = 60 }

[[tuning]]
key = "standalone"
mode = "nr-sa"

[[tuning]]
key = "4G only"
mode = "lte"
"""
ENDC = (
    'AT+QENG="servingcell"\n+QENG: "servingcell","CONNECT"\n+QENG: "LTE","FDD",001,01,1A2D003,77,1575,3,5,5,2B07,-91,-10,-61,16,10,180,33\n'
    '+QENG: "NR5G-NSA",001,01,211,-94,14,-11,642668,78,6,1\nOK\n'
)


def house_with(tmp_path: Path, **values: float):
    (tmp_path / "site.toml").write_text(SITE)
    house = open_house(tmp_path)
    house.records.add_capture(Capture(key="c", at=AT, kind="at-tcp", text=ENDC, gateway="own", moment="load_up"))
    rows = {"goodput_down_mbps": 94.1, "goodput_up_mbps": 30.0, "delay_idle_ms": 25.0, "delay_loaded_down_ms": 60.0, "delay_loaded_up_ms": 60.0, "loss_ratio": 0.0, **values}
    test = Measurement(
        key="m", at=AT, method=Method.NEAR_FAR, setup_asked="sill/standalone", values=tuple(Value(quantity=k, value=v) for k, v in rows.items()),
        facts=(("near_end.link", "ethernet"), ("near_end.port_speed_mbps", 1000)), captures=(("load_up", "c"),),
    )  # fmt: skip
    house.records.add_measurement(test)
    return house, test


def test_a_test_that_met_its_needs_has_no_diagnosis(tmp_path: Path) -> None:
    house, _ = house_with(tmp_path)
    assert diagnose_test(house).diagnoses == ()


def test_each_missed_need_becomes_a_symptom_with_its_settling_test(tmp_path: Path) -> None:
    house, _ = house_with(tmp_path, goodput_up_mbps=3.0)
    answer = diagnose_test(house, "m")
    assert answer.not_met == ("up",)
    (diagnosis,) = answer.diagnoses
    assert diagnosis.symptom == "up"
    assert diagnosis.claims or diagnosis.next_tests
    lines = "\n".join(document_lines(Document(title="t", headline=said("h"), parts=tuple(diagnosis_parts(answer.diagnoses)))))
    assert "The upload is too slow" in lines
    assert "_" not in lines.split("Will not help")[-1]


def test_a_flat_port_speed_is_named_on_its_own_figures(tmp_path: Path) -> None:
    house, test = house_with(tmp_path, goodput_down_mbps=47.0)
    # a 50 Mbit/s port would be odd; a 100 Mbit/s port caps TCP at 94.1 (RFC 6349, 4: 1448 of 1538 octets), so the need is raised above it
    (tmp_path / "site.toml").write_text(SITE.replace("downlink_mbps = 50", "downlink_mbps = 200"))
    house = open_house(tmp_path)
    capped = replace(
        test, key="p", at=AT + timedelta(hours=2), values=tuple(replace(v, value=94.0) if v.quantity == "goodput_down_mbps" else v for v in test.values),
        facts=(("near_end.link", "ethernet"), ("near_end.port_speed_mbps", 100)), series=(("series_down_mbps", tuple([40.0] * 10 + [94.0] * 60)),),
    )  # fmt: skip
    house.records.add_measurement(capped)
    answer = diagnose_test(house, "p")
    assert answer.diagnoses[0].symptom == "down"
    assert answer.diagnoses[0].claims[0].key == "port_limit"


def test_failed_tests_and_missing_ones(tmp_path: Path) -> None:
    house, test = house_with(tmp_path)
    house.records.add_measurement(replace(test, key="f", outcome=Outcome.FAILED, phase=Phase.NAME_LOOKUP, values=()))
    assert diagnose_test(house, "f").not_met == ("cannot_connect",)
    with pytest.raises(UsageError):
        diagnose_test(house, "nothing")


def test_readings_of_one_rig_give_every_setup_a_predicted_score(tmp_path: Path) -> None:
    house, _ = house_with(tmp_path)
    scores = {s.key: s.predicted_score for s in with_predictions(house)}
    assert all(v is not None and -1 <= v <= 1 for v in scores.values())
    assert scores["wall/standalone"] > scores["sill/standalone"]  # type: ignore[operator]
    assert {s.key: s.predicted_score for s in make_design(house).setups} == scores


def test_without_a_reading_nothing_is_predicted(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    assert all(s.predicted_score is None for s in with_predictions(open_house(tmp_path)))

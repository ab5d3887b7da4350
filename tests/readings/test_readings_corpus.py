"""Recorded and own texts, scored: nothing invented, and nearly nothing missed.

The own texts under corpus/ are written by hand in the dialects that are read and in label styles of no equipment in particular; each has
its expectation beside it, written by hand too. The recorded developer texts lie outside the project and are read where they are.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bandwright.readings.parse import parse, reading_json

from .scoring import Score, score

CORPUS = sorted((Path(__file__).parent / "corpus").glob("*.jsonl"))
OWN = [json.loads(line) for path in CORPUS for line in path.read_text().splitlines()]

# What may stand around any answer and says nothing of the state: a prompt, settings, thresholds, capabilities, prose, another radio.
BEFORE = (
    "Hello, this is what mine shows, RSRP should be better than -80 dBm they say.\n\n"
    "Preferred network type: 5G SA\nSupported bands: B1, B38, n41\nRSRP threshold: -110 dBm\nMinimum SINR: -3 dB\nAverage RSRQ: -7 dB\n\n"
)
AFTER = "\n\nRSRP range: -140 to -44 dBm\nSINR >= 20 dB is excellent\nWiFi\n  RSSI: -40 dBm\n  Channel: 36\n\nThanks! My neighbour has -71 dBm.\n"


def first(text: str) -> dict:
    return reading_json(parse(text)[0], text)


@pytest.mark.parametrize("record", OWN, ids=lambda record: record["id"])
def test_own_text_is_read_as_written(record):
    result = score(record["id"], first(record["raw"]), record["expected"])
    assert not result.invented
    assert not result.missed


@pytest.mark.parametrize("record", [r for r in OWN if r["raw"].endswith("\n")], ids=lambda record: record["id"])
def test_settings_thresholds_and_prose_around_a_text_add_nothing(record):
    text = BEFORE + record["raw"] + AFTER
    result = Score()
    readings = [reading_json(reading, text) for reading in parse(text)]
    whole = {"mode": None, "registration": None, "carriers": [c for r in readings for c in r["carriers"]], "unread": [u for r in readings for u in r["unread"]]}
    result.add(score(record["id"], {**readings[0], **whole, "mode": readings[0]["mode"], "registration": readings[0]["registration"]}, record["expected"]))
    assert not result.invented


def test_own_corpus_is_of_a_size_that_means_something():
    assert len(OWN) >= 80
    assert sum(1 for r in OWN for c in r["expected"]["carriers"] for f in c["fields"].values() if f.get("value") is not None or "low" in f) >= 500


@pytest.mark.shared
def test_recorded_texts_are_read_without_an_invented_value(shared_data):
    total = Score()
    records = [json.loads(line) for path in sorted((shared_data / "readings").glob("*.jsonl")) for line in path.read_text().splitlines()]
    for record in records:
        total.add(score(record["id"], first(record["raw"]), record["expected"]))
    assert len(records) == 50
    assert not total.invented
    assert total.right / (total.right + len(total.missed)) >= 0.99, total.missed


@pytest.mark.shared
def test_recorded_registration_answers_are_read(shared_data):
    """Real +CREG, +CGREG, +CEREG and +C5GREG answers with what a modem daemon reads from them (stat, AcT)."""
    words = {
        "home": "home",
        "roaming": "roaming",
        "denied": "denied",
        "searching": "searching",
        "idle": "none",
        "home_sms_only": "home",
        "roaming_csfb_not_preferred": "roaming",
        "attached_rlos": "limited",
    }
    checked = 0
    for line in (shared_data / "at_responses.jsonl").read_text().splitlines():
        record = json.loads(line)
        expected = record["expected"]
        if "stat_name" not in expected:
            continue
        reading = first(record["response"])
        checked += 1
        if record["response"].count("REG:") == 1:
            assert reading["registration"] == words[expected["stat_name"]], record
        if expected["act"] == "lte" and expected["stat"] not in {0, 2, 3, 4}:
            fields = reading["carriers"][0]["fields"]
            assert (fields["tac"]["value"], fields["cell_id"]["value"]) == (expected["lac_or_tac"], expected["ci"]), record
    assert checked >= 25


def test_the_scorer_sees_what_is_invented_missed_and_wrong():
    """The scorer is a test's foundation: each of its verdicts, on readings made up to earn it."""
    want = {
        "mode": "lte",
        "registration": {"value": "home"},
        "carriers": [{"rat": "lte", "role": "pcell", "fields": {"rsrp": {"value": -92}, "pci": {"value": None, "why": "-"}}}],
    }

    def got(fields, mode="lte", registration="home"):
        return {"mode": mode, "registration": registration, "carriers": [{"rat": "lte", "role": "pcell", "fields": fields}], "unread": []}

    assert score("x", got({"rsrp": {"value": -92}}), want).invented == []
    assert score("x", got({"rsrp": {"value": -91}}), want).invented
    assert score("x", got({"rsrp": {"value": -92}, "pci": {"value": 3}}), want).invented
    assert score("x", got({"rsrp": {"value": -92}, "band": {"value": 3}}), want).invented
    assert score("x", got({}), want).missed
    assert score("x", got({"rsrp": {"value": -92}}, mode="endc"), want).invented
    assert score("x", got({"rsrp": {"value": -92}}, registration=None), want).missed
    assert score("x", got({"rsrp": {"value": -92}}), {**want, "never": [{"field": "rsrp", "value": -92}]}).invented

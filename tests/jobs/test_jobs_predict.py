"""Would it help, from a paste or from what is kept: interference is told from weakness, and gain is not sold where it does nothing."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from bandwright.errors import UsageError
from bandwright.jobs.assembly import open_house
from bandwright.jobs.predict import predict
from bandwright.telling.accounts.nextsteps import nextsteps_document
from bandwright.telling.names import names_of
from bandwright.telling.plain import document_lines
from bandwright.words.radio import Capture

SITE = """
[site]
name = "Two rigs"

[[need]]
kind = "video call"

[[line]]
key = "A"

[[gateway]]
key = "own"
kind = "pasted"

[[rig]]
key = "sill"
line = "A"
gateway = "own"
place = "window sill"

[[rig]]
key = "gable"
line = "A"
gateway = "own"
place = "gable"
antenna = { kind = "panel", gain_dbi = 9, beamwidth_deg = 60, price = "95 GBP" }
feeder = { length_m = 8, loss_db_per_10m = { "800 MHz" = 2.1, "1800 MHz" = 3.5 } }
"""


def text(rsrp: int, sinr_code: int) -> str:
    return f'+QENG: "servingcell","CONNECT","LTE","FDD",001,01,1A2B30C,12,1300,3,5,5,1A2B,{rsrp},-11,-70,{sinr_code},9,230,27\nOK\n'


def test_a_weak_signal_gains_from_an_antenna_and_a_wall_less(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    answer = predict(open_house(tmp_path), text=text(-121, 12))  # SINR code 12 is 4 dB (2X - 20: Network Application Note, 3.2.2)
    assert answer.now == "sill"
    assert answer.steps.limited_by == "noise"
    gable = next(o for o in answer.steps.ranked if o.key == "gable")
    assert gable.worth == "helps"
    assert gable.price == 95
    assert gable.sinr_change.low > 0
    assert {n.need for n in gable.needs} == {"video call"}


def test_a_strong_and_disturbed_signal_is_not_sold_gain(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    weak = predict(open_house(tmp_path), text=text(-121, 12))
    disturbed = predict(open_house(tmp_path), text=text(-80, 12))
    assert disturbed.steps.limited_by == "interference"
    assert disturbed.steps.against_gain

    def gain(answer: object) -> float:
        outside = next(o for o in answer.steps.ranked if o.key == "outside")  # type: ignore[attr-defined]
        return outside.sinr_change.value

    assert gain(disturbed) < gain(weak) / 2


def test_the_latest_kept_reading_is_taken_and_a_loaded_one_goes_first(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    house = open_house(tmp_path)
    with pytest.raises(UsageError, match="no reading yet"):
        predict(house)
    at = datetime(2026, 11, 2, 9, tzinfo=UTC)
    house.records.add_capture(Capture(key="a", at=at, kind="pasted", text=text(-121, 12), moment="load_down"))
    house.records.add_capture(Capture(key="b", at=at.replace(hour=10), kind="pasted", text=text(-80, 12), moment="idle"))
    assert predict(house).reading.carriers[0].number("rsrp") == -121


def test_the_answer_reads_from_the_first_sentence_and_puts_cautions_before_the_table(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    answer = predict(open_house(tmp_path), text=text(-121, 12))
    lines = document_lines(nextsteps_document(answer.steps, names=names_of(answer.declared), now=answer.now))
    body = "\n".join(lines)
    assert any(line.startswith("First try:") for line in lines[:3])
    assert body.index("CAUTION") < body.index("What each would change")


def test_text_without_a_carrier_and_unknown_rigs_are_refused(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    house = open_house(tmp_path)
    with pytest.raises(UsageError, match="carrier in use"):
        predict(house, text="hello")
    with pytest.raises(UsageError, match="sill, gable"):
        predict(house, text=text(-100, 12), rig="roof")

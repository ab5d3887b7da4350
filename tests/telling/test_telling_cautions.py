"""Where work can hurt someone, the cautions are there, complete, and defer to local codes and licensed people."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import pytest

from bandwright.telling.cautions import CAUTIONS, cautions_by_key, cautions_for, climb_caution, work_of
from bandwright.words.rig import AntennaPlan, Rig


@pytest.mark.parametrize("key", ["ladder", "roof", "attic", "mast", "power line", "lightning", "rf distance", "wind", "mains", "codes"])
def test_every_hazard_has_its_row(key: str) -> None:
    assert [row.key for row in CAUTIONS].count(key) == 1


@pytest.mark.parametrize("work", ["ladder", "roof", "mast"])
def test_work_outside_always_names_power_lines_lightning_rf_and_codes(work: str) -> None:
    text = " ".join(cautions_for(work))
    for word in ("power line", "licensed electrician", "front of an antenna", "Local rules", "not alone"):
        assert word in text


def test_unknown_work_is_refused() -> None:
    with pytest.raises(KeyError):
        cautions_for("ladders")
    with pytest.raises(KeyError):
        cautions_by_key(["ladders"])


def test_a_question_with_cautions_also_gets_the_weather_and_the_codes() -> None:
    text = " ".join(cautions_by_key(["ladder"]))
    assert "thunder" in text
    assert "Local rules" in text
    assert cautions_by_key([]) == ()


def test_what_work_a_rig_takes(sample: ModuleType) -> None:
    sill, gable = sample.RIGS
    assert work_of([sill]) == ("inside",)
    assert "ladder" in work_of([gable])
    attic = Rig(key="a", line="A", gateway="own", place="attic", antenna=AntennaPlan(kind="panel", height_m=6))
    assert work_of([attic]) == ("attic",)
    assert "roof" in work_of([replace(gable, place="flat roof")])
    assert "mast" in work_of([replace(gable, place="mast on the barn")])


def test_a_climb_card_has_the_cautions_of_its_rig(sample: ModuleType) -> None:
    card = climb_caution([sample.RIGS[1]])
    assert card.title == "First the cautions"
    assert any("power line" in item for item in card.items)

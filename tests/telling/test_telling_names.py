"""A setup has one name and one mark on every page."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

from bandwright.telling.names import names_of
from bandwright.words.rig import Setup


def test_in_use_is_the_circle_the_lead_the_square_its_challenger_the_triangle(sample: ModuleType, done) -> None:
    names = names_of(sample.DECLARED, verdict=done.verdict)
    against = done.verdict.against
    challenger = against.b if against.a == done.verdict.lead else against.a
    assert names.mark("window/5g") == 1
    assert names.mark(done.verdict.lead) == 2
    if challenger != "window/5g":
        assert names.mark(challenger) == 3
    assert sorted(names.marks.values()) == [1, 2, 3, 4]


def test_without_a_verdict_the_order_of_declaration_decides(sample: ModuleType) -> None:
    assert [names_of(sample.DECLARED).mark(s.key) for s in sample.SETUPS] == [1, 2, 3, 4]


def test_a_setup_without_a_label_is_named_after_its_rig_and_tuning(sample: ModuleType) -> None:
    declared = replace(sample.DECLARED, setups=(Setup(key="gable/4g", rig="gable", tuning="4g"),))
    assert names_of(declared).setup("gable/4g") == "Gable, 4G only"


def test_unknown_keys_are_shown_as_they_are(sample: ModuleType) -> None:
    names = names_of(sample.DECLARED)
    assert names.setup("attic/5g") == "attic/5g"
    assert names.mark("attic/5g") == 4
    assert names.need("other") == "other"


def test_hours_read_as_words(sample: ModuleType) -> None:
    names = names_of(sample.DECLARED)
    assert names.when("video") == "weekdays 9 to 17"
    assert names.when("stream") == "every day 19 to 23"

"""The pages' words in the states that a finished, well-behaved campaign does not show."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import ModuleType
from typing import Any

import pytest

from bandwright.ports import Question
from bandwright.telling.accounts.campaign import campaign_document, card_blocks, plan_document, progress_line
from bandwright.telling.accounts.history import history_document, measurement_document
from bandwright.telling.accounts.places import PlaceRow, places_document
from bandwright.telling.accounts.settings import settings_headline, settings_kept, settings_told
from bandwright.telling.accounts.setups import rig_line, setups_document
from bandwright.telling.accounts.today import next_step, today_document
from bandwright.telling.document import Caution, Para
from bandwright.telling.markup import document_html
from bandwright.telling.names import names_of
from bandwright.telling.sentences import needs_met_text
from bandwright.words.campaign import Step
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, Method, Outcome, Phase, Value
from bandwright.words.progress import CampaignProgress
from bandwright.words.rig import FeederPlan, Tuning
from bandwright.words.settings import SETTINGS
from bandwright.words.site import Site


@pytest.fixture
def names(sample: ModuleType):
    return names_of(sample.DECLARED)


def running(sample: ModuleType, done: Any, **changes: Any) -> str:
    some = {"declared": sample.DECLARED, "design": sample.DESIGN, "course": done.course, "events": done.events, "verdict": sample.not_yet(done.verdict), "now": done.tests[-1].at + timedelta(minutes=5), "running": False}
    return document_html(campaign_document(**(some | changes)))


# campaign


@pytest.mark.parametrize(("changes", "lacks"), [({"setups": ()}, "a second setup"), ({"needs": ()}, "a need")])
def test_a_plan_says_what_is_still_missing(sample: ModuleType, changes: dict[str, Any], lacks: str) -> None:
    assert f"Declare {lacks} first" in str(plan_document(replace(sample.DECLARED, **changes)).headline)


def test_a_plan_by_hand_and_on_one_rig(sample: ModuleType) -> None:
    one = replace(sample.DECLARED, setups=sample.SETUPS[:2], campaign=replace(sample.DECLARED.campaign, by_hand=True))
    html = document_html(plan_document(one))
    assert "by hand" in html
    assert "seconds; nobody is needed" in html
    assert "Before anyone climbs" not in html
    assert "Before anyone climbs" in document_html(plan_document(sample.DECLARED))


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ({"kind": "waiting", "until": 3}, "Waiting. The next round begins at "),
        ({"kind": "applying", "setup": "gable/5g"}, "Asking the gateway for Gable, 5G on; it counts once a reading shows it."),
        ({"kind": "warming up", "setup": "gable/5g"}, "not measured"),
        ({"kind": "measuring", "setup": "gable/5g"}, "Now testing Gable, 5G on: first the round trips at rest"),
        ({"kind": "round", "rig": "gable"}, "A new round on Gable; its order was drawn beforehand."),
        ({"kind": "mounted", "rig": "gable"}, "Gable is in place. A new visit begins."),
        ({"kind": "note", "text": "own is set to lte"}, "Own is set to lte."),
    ],
)
def test_every_event_of_a_run_is_one_sentence(sample: ModuleType, names, event: dict[str, Any], words: str) -> None:
    until = sample.START + timedelta(hours=event.pop("until")) if "until" in event else None
    text = str(progress_line(CampaignProgress(**({"at": sample.START, "text": "x"} | event), until=until), names))
    assert words in text
    assert text.endswith(".")
    assert "Mbit/s" not in text  # what is being asked, never a climbing figure


def test_the_last_event_is_the_verdict(sample: ModuleType, done: Any, names) -> None:
    assert str(progress_line(CampaignProgress(kind="answer", at=sample.START, text="x", verdict=done.verdict), names)).startswith("Change to Gable, 5G on.")


def test_results_of_odd_tests(done: Any, names) -> None:
    t = done.tests[0]
    assert needs_met_text(replace(t, outcome="void", reason="it was restarted"), names=names) == "void, it was restarted. It is kept and repeated."
    assert "counts as not met" in needs_met_text(replace(t, outcome="failed", reason=None, phase="uplink"), names=names)
    assert needs_met_text(replace(t, outcome="ok", met=()), names=names) == "done; no need matters at this hour."
    assert "with more than enough to spare" in needs_met_text(replace(t, outcome="ok", met=(("card", True),), margins=(("card", 1.0),)), names=names)
    assert needs_met_text(replace(t, outcome="ok", met=(("card", True),), margins=()), names=names) == "Card terminal met."


def test_a_campaign_without_a_test_used_up_or_with_setups_that_cannot_be_had(sample: ModuleType, done: Any) -> None:
    fresh = replace(done.course, tests=0, rounds=0)
    assert "no test has been made yet" in running(sample, done, course=fresh, events=(), verdict=None)
    over = replace(done.course, finished=True)
    assert "the allowance is used up" in running(sample, done, course=over)
    assert "Read the verdict" in running(sample, done, course=over, verdict=done.verdict)
    lost = replace(done.course, not_attainable=(("gable/4g", "no reading showed it"),), void_share=0.2)
    html = running(sample, done, course=lost)
    assert "Could not be put in force" in html
    assert "no reading showed it" in html
    assert "20\u00a0in\u00a0100 tests" in html


@pytest.mark.parametrize(
    ("step", "words"),
    [(Step(kind="mount", rig="gable", minutes=25), "change to Gable, about 25\u00a0minutes of a person"), (Step(kind="test", setup="gable/5g"), "Next: Gable, 5G on."), (Step(kind="finish", why="decided"), "decided")],
)
def test_what_is_next_is_said(sample: ModuleType, done: Any, step: Step, words: str) -> None:
    assert words in running(sample, done, course=replace(done.course, next=step))


def test_nothing_comes_between_headline_and_live_region_while_it_runs(sample: ModuleType, done: Any) -> None:
    assert "It is paused" in running(sample, done)
    assert "It is paused" not in running(sample, done, running=True)


def test_a_card_shows_cautions_first_and_names_instead_of_keys(names) -> None:
    blocks = card_blocks(Question(kind="mount", text="Change to gable at gable.", cautions=("ladder",), rig="gable"), names)
    assert isinstance(blocks[0], Caution)
    assert isinstance(blocks[1], Para)
    assert str(blocks[1].text) == "Change to Gable at gable."
    paste = card_blocks(Question(kind="paste", text="Paste what the page shows."), names)
    assert len(paste) == 1


# setups, settings, today


def test_a_rig_is_told_with_all_that_is_declared(sample: ModuleType) -> None:
    gable = replace(sample.RIGS[1], feeder=FeederPlan(length_m=8))
    assert rig_line(gable, sample.DECLARED) == "Gateway own with a panel antenna, at gable, 7\u00a0m above ground, heading 212° true, 8\u00a0m of feeder, line A at 30 GBP a month."


def test_a_tuning_that_may_cost_the_service_says_so(sample: ModuleType) -> None:
    risky = Tuning(key="5g", label="5G on", mode="nr-sa", bands=("n78",), cell="nr:642668:211:30:78", antenna="outside")
    html = document_html(setups_document(replace(sample.DECLARED, tunings=(risky, sample.TUNINGS[1]))))
    assert "5G alone, bands n78, one cell pinned, outside antenna, may leave the place without service, and is then taken back by itself" in html


def test_setups_before_anything_is_declared_or_tested(sample: ModuleType) -> None:
    assert "No setup is declared yet" in str(setups_document(Declared(site=Site(name="x"))).headline)
    assert "not tested" in document_html(setups_document(sample.DECLARED))


def test_changed_settings_show_their_default_beside(sample: ModuleType) -> None:
    held = {SETTINGS[0].key: 9}
    assert str(settings_headline(held)) == f"One setting differs from its default, of {len(SETTINGS)}."
    rows = [row for group in settings_told(held) for row in group.rows]
    assert {row.key for row in rows} == {row.key for row in SETTINGS}
    assert rows[0].text == "9"
    assert rows[0].differs
    assert rows[0].default == f"{SETTINGS[0].default}\u00a0rounds"
    assert not any(row.differs for row in rows[1:])


def test_what_was_typed_stands_in_its_field_beside_what_is_allowed() -> None:
    told = settings_told({}, typed={"warmup_s": "long"}, problems={"warmup_s": "a number from 0 to 60 s"})
    row = next(row for group in told for row in group.rows if row.key == "warmup_s")
    assert (row.text, row.problem) == ("long", "This takes a number from 0 to 60 s.")


def test_what_was_written_is_said_and_a_port_waits_for_the_next_start() -> None:
    assert "taken up" not in settings_kept(["warmup_s"])
    assert "warmup_s and page_port" in settings_kept(["page_port", "warmup_s"])
    assert "taken up when the program starts again" in settings_kept(["page_port"])
    assert settings_kept([""]) == "Nothing was different, so site.toml is as it was."


@pytest.mark.parametrize(
    ("setups", "title"), [((), "declare a second setup"), (None, "plan a campaign")]
)
def test_the_one_next_thing_before_a_campaign(sample: ModuleType, setups: tuple | None, title: str) -> None:
    declared = sample.DECLARED if setups is None else replace(sample.DECLARED, setups=setups)
    assert next_step(declared=declared, course=None, verdict=None, in_use=None)[0] == title


def test_the_one_next_thing_of_a_campaign(sample: ModuleType, done: Any) -> None:
    going = replace(done.course, finished=False)
    title, why, _, href = next_step(declared=sample.DECLARED, course=going, verdict=sample.not_yet(done.verdict), in_use="window/5g")
    assert (title, href) == ("go on with the campaign", "/campaign")
    assert "81\u00a0in\u00a0100" in str(why)
    assert "no test has been made yet" in str(next_step(declared=sample.DECLARED, course=replace(going, tests=0), verdict=None, in_use=None)[1])
    assert next_step(declared=sample.DECLARED, course=replace(going, finished=True), verdict=done.verdict, in_use=None)[3] == "/verdict"


def test_today_without_a_reading_or_a_test(sample: ModuleType) -> None:
    made = today_document(declared=sample.DECLARED, now=sample.START)
    assert str(made.headline) == "No tests yet. Take a first reading, or start a campaign."


def test_today_names_the_needs_that_were_not_tested(sample: ModuleType, done: Any) -> None:
    shares = tuple(x for x in next(s for s in done.verdict.setups if s.setup == "window/5g").needs if x.need != "card")
    html = document_html(today_document(declared=sample.DECLARED, now=sample.START, shares_in_use=shares, in_use="window/5g"))
    assert "Not tested yet with this setup, in the hours that matter: Card terminal." in html


# history


def test_odd_measurements_in_the_list(sample: ModuleType, names) -> None:
    at = sample.START
    odd = (
        Measurement(key="a", at=at, method=Method.ENTERED, entered_by="A. B.", values=(Value(quantity="goodput_down_mbps", value=48.0),)),
        Measurement(key="b", at=at, method=Method.NEAR_FAR, outcome=Outcome.VOID, phase=Phase.FAR_END, setup_asked="gable/5g"),
        Measurement(key="c", at=at, method=Method.NEAR_FAR, setup_asked="gable/5g", moved=True),
    )
    html = document_html(history_document(odd, count=500, names=names))
    for words in ("entered by hand", "void, far end", "moved by the network", "The newest 3 of 500", "not said", "never compared with measured ones"):
        assert words in html
    assert "Nothing has been measured yet" in str(history_document((), count=0, names=names).headline)


def test_a_test_in_which_the_network_moved_the_device_says_for_which_setup_it_counts(sample: ModuleType, names) -> None:
    m = Measurement(key="a", at=sample.START, method=Method.NEAR_FAR, setup_asked="gable/5g", setup_seen="gable/4g", moved=True, facts=(("streams", 4), ("tls_ms", 56.369), ("far_end.log_ok", True), ("name_lookup_failed", False)))
    html = document_html(measurement_document(m, (), names=names))
    assert "Gable, 4G only was seen. The test counts for the setup asked for." in html
    assert "streams 4; tls ms 56.4; far end, log ok." in html


def test_a_drawing_shows_itself_in_a_notebook(sample: ModuleType, done: Any) -> None:
    from bandwright.telling.charts import differences

    data = differences.differences(done.verdict, done.tests, names=names_of(sample.DECLARED, verdict=done.verdict))
    assert data is not None
    svg = differences.draw(data)._repr_svg_()
    assert svg.startswith("<svg")
    assert "#d55e00" in svg


def test_all_places_say_verdict_age_and_next_thing(sample: ModuleType, done: Any) -> None:
    now = done.tests[-1].at + timedelta(days=3, hours=2)
    rows = [
        PlaceRow(folder="mill", name="The mill", declared=sample.DECLARED, course=replace(done.course, finished=True), verdict=done.verdict, in_use="window/5g", verdict_at=done.tests[-1].at),
        PlaceRow(folder="barn", name="barn", problem="site.toml is not valid TOML"),
    ]
    made = places_document(rows, now=now)
    assert str(made.headline) == "Two places: one with a verdict, one that cannot be read."
    table = made.parts[0].blocks[1]
    assert [str(c) for c in table.rows[0]] == ["The mill mill", "Change to Gable, 5G on. 97\u00a0in\u00a0100\u00a0sure.", "3\u00a0days", "Do what the campaign found"]
    assert [str(c) for c in table.rows[1]] == ["barn", "cannot be read", "none", "site.toml is not valid TOML"]

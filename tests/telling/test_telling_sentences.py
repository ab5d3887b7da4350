"""The words of verdicts, needs, failures and errors. Reading test: the first sentence of each kind of verdict says what to do."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import ModuleType

import pytest

from bandwright import errors
from bandwright.telling import sentences as s
from bandwright.telling.names import names_of
from bandwright.words.answers import Comparison, Estimate, NeedShare, SetupAnswer, Verdict
from bandwright.words.measurement import Measurement, Method, Outcome, Phase, Value

ACTS = ("Keep", "Use", "Change to", "Take", "Go on", "Allow", "Check", "Send")


def told(sample: ModuleType, verdict: Verdict) -> s.VerdictTold:
    return s.verdict_told(verdict, names=names_of(sample.DECLARED, setups=sample.SETUPS, verdict=verdict), declared=sample.DECLARED)


def kinds(sample: ModuleType, base: Verdict) -> dict[str, Verdict]:
    return {
        "best, another": base,
        "best, in use": replace(base, in_use=base.lead),
        "best, none in use": replace(base, in_use=None, gain_over_in_use=None),
        "no difference": replace(base, kind="no difference", equals=("gable/5g", "gable/4g")),
        "no difference, one in use": replace(base, kind="no difference", equals=("gable/5g", "gable/4g"), in_use="gable/4g"),
        "no difference, one cheaper": replace(base, kind="no difference", equals=("gable/5g", "window/5g")),
        "not yet": sample.not_yet(base),
        "not yet, the allowance ends": sample.not_yet(base, binding="visits", forced=True),
        "not yet, nothing ahead": Verdict(kind="not yet", lead=None, certainty=0.0),
        "not attainable": Verdict(kind="not attainable", lead=None, certainty=0.0, setups=(SetupAnswer(setup="gable/5g", value=Estimate(value=0, low=0, high=0), chance_good=0, chance_best=0, tests=0, failed=0, moved=0, visits=0, attainable=False, why_not="no reading showed 5G"),)),
        "send it back": replace(base, kind="send it back", lead="window/5g", return_what="gable", return_by=date(2026, 12, 1)),
    }


def test_the_first_sentence_of_every_kind_says_what_to_do(sample: ModuleType, done) -> None:
    for name, verdict in kinds(sample, done.verdict).items():
        first = str(told(sample, verdict).headline)
        assert first.startswith(ACTS), f"{name}: {first}"


def test_every_kind_of_verdict_is_told_without_keys_percent_chances_or_empty_sentences(sample: ModuleType, done) -> None:
    for name, verdict in kinds(sample, done.verdict).items():
        for sentence in told(sample, verdict).sentences():
            text = str(sentence)
            assert text.strip(), name
            assert "gable/5g" not in text, f"{name}: {text}"
            assert "headroom" not in text.lower()
            assert "None" not in text
            assert "  " not in text, f"{name}: {text!r}"


def test_best_says_how_sure_by_how_much_and_against_which(sample: ModuleType, done) -> None:
    gain = Comparison(a="gable/5g", b="window/5g", difference=Estimate(value=0.66, low=0.438, high=0.875), chance_a_better=0.99, margin=1.0)
    t = told(sample, replace(done.verdict, gain_over_in_use=gain))
    assert str(t.headline) == "Change to Gable, 5G on. 97\u00a0in\u00a0100\u00a0sure."
    assert str(t.lede) == "Against Window, 5G on, it leaves the needs 1.9 times the room to spare (1.5 to 2.4 times). Nothing tried is better by 10\u00a0% or more."
    assert "25\u00a0minutes" in str(t.todo)
    assert "140 GBP" in str(t.todo)
    assert "1\u00a0December 2026" in str(t.todo)


def test_what_warm_ups_took_is_said_within_the_data_and_only_where_there_was_some(sample: ModuleType, done) -> None:
    base = replace(done.verdict, megabytes=9100.0)
    assert "9.1 GB, 2.1 GB of it to warm the link up" in _plain(told(sample, replace(base, load_megabytes=2100.0)))
    assert "warm" not in _plain(told(sample, base))


def _plain(told: s.VerdictTold) -> str:
    return repr(told).replace(chr(0xA0), " ").replace("\\xa0", " ")


def test_a_comparison_told_from_either_side_says_the_same(sample: ModuleType) -> None:
    names = names_of(sample.DECLARED)
    one = Comparison(a="gable/5g", b="window/5g", difference=Estimate(value=0.5, low=0.3, high=0.7), chance_a_better=0.99, margin=1.0)
    other = Comparison(a="window/5g", b="gable/5g", difference=Estimate(value=-0.5, low=-0.7, high=-0.3), chance_a_better=0.01, margin=1.0)
    assert s.comparison_sentence(one, lead="gable/5g", names=names) == s.comparison_sentence(other, lead="gable/5g", names=names)


def test_a_small_or_unsure_difference_is_told_with_both_ends(sample: ModuleType) -> None:
    c = Comparison(a="gable/5g", b="gable/4g", difference=Estimate(value=0.04, low=-0.198, high=0.27), chance_a_better=0.6, margin=0.3)
    text = str(s.comparison_sentence(c, lead="gable/5g", names=names_of(sample.DECLARED)))
    assert text == "Against Gable, 4G only, it leaves the needs 4\u00a0% more room to spare (18\u00a0% less to 31\u00a0% more)."  # e^.04 = 1.041, e^-.198 = .820, e^.27 = 1.310


def test_either_will_do_names_the_cheaper(sample: ModuleType, done) -> None:
    t = told(sample, replace(done.verdict, kind="no difference", equals=("gable/5g", "window/5g")))
    assert str(t.headline).startswith("Take the cheaper, Window, 5G on")  # the gable's rig and panel cost 235 more


def test_cheaper_is_not_guessed(sample: ModuleType) -> None:
    declared = sample.DECLARED
    assert s.cheaper(None, ["gable/5g", "window/5g"]) is None
    assert s.cheaper(declared, ["gable/5g", "gable/4g"]) is None  # the same rig costs the same
    mixed = replace(declared, rigs=(declared.rigs[0], replace(declared.rigs[1], price="140 EUR")))
    assert s.cheaper(mixed, ["gable/5g", "window/5g"]) is None  # two currencies
    assert s.cheaper(declared, ["gable/5g", "nowhere"]) is None


def test_not_yet_says_how_many_more_rounds_and_what_to_do_meanwhile(sample: ModuleType, done) -> None:
    t = told(sample, sample.not_yet(done.verdict))
    assert str(t.headline) == "Go on testing: about 6\u00a0more rounds would most likely settle it. Not decided yet."
    assert "Until then use Gable, 5G on." in str(t.lede)
    assert "81\u00a0in\u00a0100" in str(t.todo)
    assert "95\u00a0in\u00a0100" in str(t.todo)


def test_not_yet_says_which_resource_ends_first(sample: ModuleType, done) -> None:
    assert str(told(sample, sample.not_yet(done.verdict, binding="visits", forced=True)).headline).startswith("Allow the trial more changes of rig, or use Gable, 5G on for now.")


def test_send_it_back_names_the_day(sample: ModuleType, done) -> None:
    t = told(sample, replace(done.verdict, kind="send it back", lead="window/5g", return_what="gable", return_by=date(2026, 12, 1)))
    assert str(t.headline) == "Send gable back by 1\u00a0December 2026: it does not earn its place."


def test_needs_stand_in_the_users_own_order(sample: ModuleType, done) -> None:
    shares = s.ordered_shares(done.verdict, replace(sample.DECLARED, needs=tuple(reversed(sample.NEEDS))), done.verdict.lead)
    assert [x.need for x in shares] == ["stream", "card", "xray", "video"]


def test_a_need_says_when_and_the_range_first(sample: ModuleType) -> None:
    share = NeedShare(need="video", estimate=Estimate(value=0.92, low=0.853, high=0.978), met=31, tests=40)
    assert str(s.need_sentence(share, names=names_of(sample.DECLARED))) == "Video consultations, weekdays 9 to 17: met in 85 to 98 of 100 tests."


def test_what_a_need_asks(sample: ModuleType) -> None:
    assert s.asks(sample.NEEDS[0]) == "5\u00a0Mbit/s each way, an answer within 300\u00a0ms under load, loss under 1\u00a0%"
    assert s.asks(sample.NEEDS[2]) == "an answer within 4\u00a0s under load"


@pytest.mark.parametrize("phase", list(Phase))
def test_a_failure_in_any_phase_says_what_happened_and_what_it_means(sample: ModuleType, phase: Phase) -> None:
    m = Measurement(key="k", at=sample.START, method=Method.NEAR_FAR, outcome=Outcome.FAILED, phase=phase, reason="port closed")
    text = str(s.failure_sentence(m, radio="RSRP −94 dBm"))
    assert "(port closed)" in text
    assert "RSRP −94" in text
    assert text.endswith((".", "in."))
    assert "_" not in phase.value or phase.value not in text  # never a code alone


def test_a_void_test_is_said_to_be_kept_and_repeated(sample: ModuleType) -> None:
    m = Measurement(key="k", at=sample.START, method=Method.NEAR_FAR, outcome=Outcome.VOID, phase=Phase.FAR_END, reason="it was restarted")
    text = str(s.failure_sentence(m))
    assert "kept, marked void, and repeated" in text
    assert "bandwright far-end" in text


def test_a_test_is_told_by_the_needs_it_met(sample: ModuleType, done) -> None:
    t = replace(done.tests[0], outcome="ok", met=(("video", True), ("xray", False)), margins=(("video", 0.405), ("xray", -0.693)))
    assert s.needs_met_text(t, names=names_of(sample.DECLARED)) == "Video consultations met, 1.5 times what it asks; X-ray images not met, short by a factor of 2.0."  # e^.405 = 1.50, e^.693 = 2.00


def test_entered_figures_are_said_to_be_entered(sample: ModuleType) -> None:
    m = Measurement(key="k", at=sample.START, method=Method.ENTERED, values=(Value(quantity="goodput_down_mbps", value=48.0),), entered_by="A. B.")
    assert "never compared with measured ones" in str(s.measured_sentence(m))


def every_error() -> list[errors.BandwrightError]:
    def tree(kind: type[errors.BandwrightError]) -> list[type[errors.BandwrightError]]:
        return [kind, *(k for sub in kind.__subclasses__() for k in tree(sub))]

    return [k("the far end is silent", phase="connect") if issubclass(k, errors.FarEndError) else k("something", given=3, allowed="1..2") for k in tree(errors.BandwrightError)]


@pytest.mark.parametrize("error", every_error(), ids=lambda e: type(e).__name__)
def test_every_error_says_what_happened_what_it_means_and_what_to_do(error: errors.BandwrightError) -> None:
    t = s.error_told(error)
    assert t.happened.endswith(".")
    assert t.happened[0].isupper()
    assert t.means
    assert t.todo


def test_an_errors_own_advice_goes_before_the_general_one() -> None:
    t = s.error_told(errors.GatewayUnreachable("own gateway does not answer", todo="Plug it in"))
    assert t.todo == "Plug it in"
    assert "Plug it in" not in t.happened


def test_tests_that_do_not_count_are_said_beside_those_that_do(sample: ModuleType, done) -> None:
    text = str(told(sample, replace(done.verdict, tests=58, void=2, ramping=6)).basis).replace("\u00a0", " ")
    assert text.startswith("From 58 tests")
    assert "2 more void, kept and repeated; 6 more taken while carriers were still joining, kept and repeated" in text
    assert "still joining" not in str(told(sample, replace(done.verdict, ramping=0)).basis)

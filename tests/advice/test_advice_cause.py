"""The cause of a change from readings after it against before: each cause at its own expectation, boundaries, and what it does not know."""

import math

import pytest

from bandwright.advice.cause import CAUSES, NULL, ChangeFacts, HourRow, ReadingShift, named_cause, reading_shifts, weigh_causes
from bandwright.advice.findings import finding_row


def _shifts(**changes):
    return {k: ReadingShift(change=changes.get(k, 0.0), se=0.15 * NULL[k]) for k in NULL}


@pytest.mark.parametrize(
    ("cause", "facts"),
    [
        # ln rate .06 a dB, exponent .56 of bandwidth (public traces): a halving is 11.6 dB of signal, or 71 % of the bandwidth
        ("cell change", {"new_cell": 1.0, **_shifts(rsrp=-5.0, sinr=-4.0)}),
        ("carrier lost", _shifts(ln_bandwidth=-1.2)),
        ("interference", _shifts(sinr=-10.0)),
        ("obstruction", _shifts(rsrp=-11.0, sinr=-8.0)),
        ("first hop", _shifts(ln_first_hop=1.2)),
        ("mode", _shifts(nr_share=-0.7)),
        ("throttle", {"events": ("cap",), **_shifts()}),
        ("firmware", {"events": ("firmware",), **_shifts()}),
        ("not visible", _shifts()),
    ],
)
def test_each_cause_is_named_where_readings_show_what_it_does(cause, facts):
    extra = {k: facts.pop(k) for k in ("new_cell", "events") if k in facts}
    extra.setdefault("new_cell", 0.0)
    answer = named_cause(ChangeFacts(size=-0.69, shifts=facts, **extra))
    assert answer.key == cause
    assert answer.chance > 0.6
    assert answer.sure
    assert math.fsum(c for _, c in answer.chances) == pytest.approx(1.0)


def test_load_shows_in_the_hours_and_in_rsrq():
    answer = named_cause(ChangeFacts(size=-0.69, shifts=_shifts(rsrq=-0.5), limited=0.95, new_cell=0.0))
    assert answer.key == "load"
    assert answer.shared


def test_a_ramp_tells_leaves_from_a_step():
    shifts = _shifts(rsrp=-4.0, sinr=-3.0)
    step = dict(named_cause(ChangeFacts(size=-0.3, shifts=shifts, ramp=-3.0)).chances)
    ramp = dict(named_cause(ChangeFacts(size=-0.3, shifts=shifts, ramp=3.0)).chances)
    assert ramp["leaves"] > 0.7
    assert step["leaves"] < 0.3


def test_what_makes_things_worse_is_not_blamed_for_better():
    chances = dict(named_cause(ChangeFacts(size=0.5, shifts=_shifts(ln_bandwidth=0.9))).chances)
    assert max(chances, key=chances.get) == "carrier added"
    assert not {"interference", "obstruction", "throttle", "carrier lost"} & set(chances)


def test_nothing_known_leaves_the_priors():
    ranked = weigh_causes(ChangeFacts(size=-0.5, shifts={}))
    priors = {r.key: r.prior for r in CAUSES if r.worse}
    # without readings only "no event" and the hours' share speak, nearly alike for all that no event tells of
    for row, chance in ranked:
        if row.event is None and row.key != "load":
            assert chance / {r.key: c for r, c in ranked}["not visible"] == pytest.approx(priors[row.key] / priors["not visible"], rel=1e-9)


def test_an_unsure_cause_comes_with_its_rival_and_what_tells_them_apart():
    answer = named_cause(ChangeFacts(size=-0.4, shifts={"sinr": ReadingShift(change=-4.0, se=2.5)}))
    assert not answer.sure
    assert answer.second is not None
    assert answer.told_apart_by


def test_causes_that_are_findings_take_their_words_from_the_diagnosis():
    for row in CAUSES:
        if row.finding is not None:
            assert finding_row(row.finding).remedy
    answer = named_cause(ChangeFacts(size=-0.69, shifts=_shifts(ln_first_hop=1.2), new_cell=0.0))
    assert answer.remedy == finding_row("wifi_limit").remedy


def _hours(change, *, ramp=False, days=20):
    out = []
    for h in range(24 * days):
        gone = h - 24 * 12
        by = 0.0 if gone < 0 else (change if not ramp else change * gone / (24 * (days - 12)))
        out.append(HourRow(at_h=float(h), values={"rsrp": -95.0 + by + 0.5 * math.sin(h * 1.7)}, cell="a" if gone < 0 or h % 10 else "b"))
    return out


def test_shifts_are_means_after_less_before_with_an_error_from_days():
    shifts, new_cell, _ = reading_shifts(_hours(-6.0), since_h=24.0 * 12, now_h=24.0 * 20)
    assert shifts["rsrp"].change == pytest.approx(-6.0, abs=0.1)
    assert shifts["rsrp"].se >= 0.15 * NULL["rsrp"]
    assert "sinr" not in shifts
    assert new_cell == pytest.approx(0.1, abs=0.02)


def test_a_ramp_and_a_step_are_told_apart_from_six_hour_means():
    assert reading_shifts(_hours(-6.0), since_h=24.0 * 12, now_h=24.0 * 20)[2] < -2
    rising = [HourRow(at_h=float(h), values={"rsrp": -95.0 - 6.0 * h / 480 + 0.5 * math.sin(h * 1.7)}) for h in range(480)]
    assert reading_shifts(rising, since_h=24.0 * 12, now_h=24.0 * 20)[2] > 2

"""Designs that are not usual: one setup, many, three rigs, an hour a day, hardly any allowance; and a trial that is asked to show two alike."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest

from bandwright.advice.verdict import verdict
from bandwright.trials.course import course
from bandwright.trials.prior import PriorWorld
from bandwright.trials.simulate import Sample, run
from bandwright.words.campaign import Allowance, RigMounted, RoundDrawn, Tested
from bandwright.words.site import Hours


class _Level:
    """A world of given values and one sd of noise."""

    def __init__(self, values: dict[str, float], noise: float) -> None:
        self._values, self._noise, self._rng = values, noise, random.Random(3)

    def test(self, *, setup, visit, at, warmup_s):
        return Sample(score=max(-1.0, min(1.0, self._values[setup] + self._rng.gauss(0, self._noise))))


@pytest.mark.parametrize(
    ("rigs", "tunings", "allowance"),
    [
        (1, 1, Allowance()),
        (1, 2, Allowance(days=0.5)),
        (1, 12, Allowance(days=3.0, data_gb=4.0)),
        (3, 1, Allowance(days=6.0, rig_changes=3)),
        (3, 3, Allowance(days=4.0, rig_changes=0)),
        (2, 2, Allowance(days=5.0, data_gb=0.05)),
        (2, 2, Allowance(days=5.0, rig_changes=12, person_minutes=10.0)),
        (1, 3, Allowance(days=0.0)),
    ],
)
def test_whatever_the_design_the_campaign_ends_within_its_allowance_and_says_something(make, rigs: int, tunings: int, allowance: Allowance) -> None:
    design = make.design(rigs=rigs, tunings=tunings, allowance=allowance)
    records = run(design, PriorWorld(design, seed=2))
    end = course(design, records)
    said = verdict(design, records)
    assert end.finished
    assert end.next.why in {"settled", "days", "data", "visits", "deadline"}
    assert said.lead in {s.key for s in design.setups}
    assert said.kind in {"best", "no difference", "not yet"}
    assert end.used_gb <= allowance.data_gb
    assert end.used_days <= allowance.days + 0.1  # a round may end after the last moment in which it may begin
    assert end.used_rig_changes <= allowance.rig_changes
    assert allowance.person_minutes is None or end.used_person_minutes <= allowance.person_minutes


def test_an_hour_a_day_is_kept_to(make) -> None:
    evening = Hours(text="Mon-Fri 20:00-21:00", spans=tuple((d, 1200, 1260) for d in range(5)))
    design = make.design(tunings=3, needs=(make.need(evening),), allowance=Allowance(days=7.0))
    rounds = [r for r in run(design, PriorWorld(design, seed=4)) if isinstance(r, RoundDrawn)]
    assert rounds
    for drawn in rounds:
        minute = drawn.at.hour * 60 + drawn.at.minute
        assert drawn.at.weekday() < 5
        assert 1200 <= minute <= 1260 + 45  # a round may begin 45 minutes late


def test_little_data_is_spread_over_the_days_that_there_are(make) -> None:
    """25 tests' worth for four days: not used up on the first, so that the verdict has seen more than one."""
    design = make.design(tunings=3, allowance=Allowance(days=4.0, data_gb=2.0))
    records = run(design, _Level({f"r0/t{i}": 0.05 * i for i in range(3)}, 0.4))
    tests = [r for r in records if isinstance(r, Tested)]
    assert tests[-1].at - tests[0].at > timedelta(days=2)
    plenty = make.design(tunings=3, allowance=Allowance(days=4.0))
    many = [r for r in run(plenty, _Level({f"r0/t{i}": 0.05 * i for i in range(3)}, 0.4)) if isinstance(r, Tested)]
    assert len(many) > len(tests)


def test_rig_changes_are_spread_over_the_days(make) -> None:
    design = make.design(rigs=2, tunings=2)
    mounts = [r.at for r in run(design, _Level({s.key: 0.2 for s in design.setups}, 0.4)) if isinstance(r, RigMounted)]
    assert len(mounts) > 4
    assert min(b - a for a, b in pairwise(mounts)) > timedelta(hours=16)


def test_a_trial_goes_on_to_show_two_alike_only_where_that_is_asked_for(make) -> None:
    values = {"r0/t0": 0.4, "r0/t1": 0.4, "r0/t2": -0.2}
    plain = make.design(tunings=3)
    asked = replace(plain, prove_equal=True)
    usual, proven = (run(d, _Level(values, 0.08)) for d in (plain, asked))
    assert proven[: len(usual) - 1] == usual[: len(usual) - 1]
    assert verdict(plain, usual).kind == "best"
    said = verdict(asked, proven)
    assert said.kind == "no difference"
    assert sorted(said.equals) == ["r0/t0", "r0/t1"]
    assert said.against is not None
    assert said.against.margin < 0.15
    assert len(proven) > len(usual)


def test_a_trial_that_is_asked_stops_where_the_closest_other_is_clearly_worse(make) -> None:
    design = replace(make.design(tunings=2), prove_equal=True)
    records = run(design, _Level({"r0/t0": 0.6, "r0/t1": -0.4}, 0.08))
    assert verdict(design, records).kind == "best"
    assert course(design, records).next.why == "settled"
    assert course(design, records).tests < 60

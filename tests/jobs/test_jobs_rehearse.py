"""The study: judged by a known truth, the same with and without an executor, and its table."""

from __future__ import annotations

import importlib
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from bandwright.errors import UsageError
from bandwright.jobs.rehearse import COMPARATORS, Played, Progress, Study, Truth, play, play_case, rehearse, study_rows
from bandwright.trials.simulate import Sample
from bandwright.words.campaign import Allowance, Design
from bandwright.words.rig import Setup
from bandwright.words.site import Hours, Need, Requirements

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
HOURS = Hours(text="daily 08:00-22:00", spans=tuple((d, 480, 1320) for d in range(7)))


class Place:
    """Two setups whose truth is told, rightly or wrongly."""

    family, number = "told", 1

    def __init__(self, told: dict[str, float]) -> None:
        self.told = told
        need = Need(key="use", kind="use", requirements=Requirements(uplink_mbps=1.0), hours=HOURS)
        setups = tuple(Setup(key=k, rig="r", tuning=k) for k in ("a", "b"))
        self.design = Design(key="c", setups=setups, needs=(need,), start=START, seed=1, allowance=Allowance(days=4.0))

    def truth(self) -> Truth:
        return Truth(value=self.told, met=dict.fromkeys((("a", "use"), ("b", "use")), 1.0), variance=0.01)

    def world(self):
        rng = np.random.default_rng(2)

        class World:
            def test(self, *, setup, visit, at, warmup_s):
                score = float(np.clip({"a": 0.6, "b": 0.2}[setup] + rng.normal(0, 0.1), -1, 1))
                return Sample(score=score, met=(("use", score >= 0),))

        return World()


def test_a_campaign_is_judged_by_the_truth_it_is_told() -> None:
    rightly = play(Place({"a": 0.6, "b": 0.2}))
    assert rightly.answered
    assert rightly.right
    assert rightly.regret == 0.0
    assert rightly.covered_difference == 1.0
    assert rightly.one_good
    wrongly = play(Place({"a": 0.2, "b": 0.6}))
    assert wrongly.answered
    assert not wrongly.right
    assert wrongly.regret == pytest.approx(0.4)
    assert wrongly.covered_difference == 0.0
    assert [name for name, *_ in rightly.comparators] == list(COMPARATORS)
    tests = {name: n for name, _, _, n in rightly.comparators}
    assert tests == {"one test each": 2, "three in a row each": 6, "ten in a row, t-test": 20, "twelve rounds, means": 24}


def test_the_table_adds_up() -> None:
    played = [play(Place({"a": 0.6, "b": 0.2})), play(Place({"a": 0.2, "b": 0.6}))]
    rows = {r.name: r for r in study_rows(played)}
    assert set(rows) >= {"told", "one rig", "all"}
    assert "several rigs" not in rows
    total = rows["all"]
    assert (total.campaigns, total.answered, total.right, total.good_pick) == (2, 1.0, 0.5, 0.5)
    assert total.regret == pytest.approx(0.2)
    assert total.tests == np.mean([p.tests for p in played])


@pytest.mark.timeout(120)
def test_a_study_is_a_stream_that_ends_in_its_answer_and_an_executor_changes_nothing() -> None:
    alone = list(rehearse(families=["calm", "small allowance"], campaigns=1, comparators=False))
    assert [type(x) for x in alone] == [Progress, Progress, Study]
    assert [x.done for x in alone[:-1]] == [1, 2]
    with ThreadPoolExecutor(1) as pool:
        shared = list(rehearse(families=["calm", "small allowance"], campaigns=1, executor=pool, comparators=False))
    assert shared[-1] == alone[-1]
    assert {p.family for p in alone[-1].played} == {"calm", "small allowance"}


def test_a_case_of_the_twin_is_scored_by_its_needs() -> None:
    found = play_case("two rigs", 3, comparators=False)
    assert isinstance(found, Played)
    assert found.rigs == 2
    assert found.tests > 10
    assert 0.0 <= found.stated <= 1.0
    assert found.least > 0.0


@pytest.mark.shared
@pytest.mark.timeout(120)
def test_on_real_minutes_of_two_arms_the_better_arm_is_found(shared_data) -> None:
    """Repeated minutes at ten fixed places, two arms each, replayed in random order: as the benchmark plays them."""
    bench = Path(__file__).resolve().parents[2] / "bench"
    sys.path.insert(0, str(bench))
    try:
        replay = importlib.import_module("trials_replay")
    finally:
        sys.path.remove(str(bench))
    played = [replay.one(place) for place in replay.two_arms(shared_data / "traces", 0)]
    assert len(played) >= 8
    answered = [p for p in played if p.answered]
    assert len(answered) >= 0.8 * len(played)
    assert sum(p.right for p in answered) >= 0.8 * len(answered)


def test_an_unknown_family_is_refused() -> None:
    with pytest.raises(UsageError, match="family"):
        list(rehearse(families=["nowhere"], campaigns=1))

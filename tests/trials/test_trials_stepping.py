"""The small stepping interface, and its documentation's example."""

from __future__ import annotations

import io
import re
from contextlib import redirect_stdout
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bandwright.advice.verdict import verdict
from bandwright.errors import UsageError
from bandwright.trials.stepping import ask, begin, failure, mounted, score, standing_of, void

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def test_the_documented_example_prints_what_is_documented() -> None:
    text = (Path(__file__).resolve().parents[2] / "docs" / "stepping.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)```", text, re.DOTALL).group(1)
    printed = re.search(r"It prints:\n\n```\n(.*?)```", text, re.DOTALL).group(1)
    out = io.StringIO()
    with redirect_stdout(out):
        exec(compile(code, "docs/stepping.md", "exec"), {})
    assert out.getvalue() == printed


def _to_a_test(trial, now):
    trial, step = ask(trial, at=now)
    if step.kind == "round":
        now = step.not_before
        trial, step = ask(trial, at=now)
    assert step.kind == "test"
    return trial, step, now


def test_asking_early_says_when_and_asking_again_changes_nothing() -> None:
    trial = begin(setups=["a", "b"], start=START, seed=1, hour_weights=[0] * 12 + [1] * 12)
    same, step = ask(trial, at=START)
    assert same == trial
    assert step.kind == "round"
    assert step.not_before >= START + timedelta(hours=6)
    first = ask(trial, at=step.not_before)
    assert first == ask(trial, at=step.not_before)
    assert first == ask(first[0], at=step.not_before)
    assert len(first[0].records) == 1


def test_scores_failures_and_voids_are_recorded_as_what_they_are() -> None:
    trial, step, now = _to_a_test(begin(setups=["a", "b"], start=START, seed=1), START)
    first = step.setup
    trial = score(trial, step, 7.5, at=now)
    assert trial.records[-1].score == 1.0
    trial, step = ask(trial, at=now)
    trial = void(trial, step, at=now, reason="the far end was down")
    trial, again = ask(trial, at=now)
    assert again.setup == step.setup != first
    trial = failure(trial, again, at=now, reason="no answer")
    assert (trial.records[-1].score, trial.records[-1].outcome) == (-1.0, "failed")
    stands = standing_of(trial)
    assert (stands.tests, stands.rounds) == (2, 1)
    assert stands.void_share == pytest.approx(1 / 3)


def test_what_a_person_changes_is_asked_for_and_recorded() -> None:
    trial = begin(setups=[("sill", "x"), ("gable", "x")], start=START, seed=3)
    assert [s.key for s in trial.design.setups] == ["sill/x", "gable/x"]
    now, asked = START, None
    for _ in range(200):
        trial, step = ask(trial, at=now)
        if step.kind == "mount":
            asked = step
            break
        now = step.not_before if step.kind == "round" else now + timedelta(minutes=1)
        if step.kind == "test":
            trial = score(trial, step, 0.1, at=now)
    assert asked is not None
    assert asked.rig == "gable"
    after = mounted(trial, asked, at=now + timedelta(minutes=20), person_minutes=20)
    assert (standing_of(after).mounted, standing_of(after).used_person_minutes) == ("gable", 20)
    with pytest.raises(UsageError, match="allowed: test"):
        score(trial, asked, 0.1, at=now)


def test_a_verdict_can_be_asked_for_at_any_time() -> None:
    trial = begin(setups=["a", "b"], start=START, seed=1, predicted=[0.2, None])
    assert verdict(trial.design, trial.records).kind == "not yet"
    alone = begin(setups=["a"], start=START, seed=1)
    assert verdict(alone.design, alone.records).lead == "a"


def test_what_cannot_be_used_is_refused_with_what_is_allowed() -> None:
    for wrong in (
        {"setups": []},
        {"setups": ["a", "a"]},
        {"hour_weights": [1.0] * 23},
        {"hour_weights": [0.0] * 24},
        {"hour_weights": [-1.0] + [1.0] * 23},
        {"predicted": [0.1]},
    ):
        with pytest.raises(UsageError):
            begin(**({"setups": ["a", "b"], "start": START, "seed": 1} | wrong))
    trial, step, now = _to_a_test(begin(setups=["a", "b"], start=START, seed=1), START)
    with pytest.raises(UsageError, match="finite"):
        score(trial, step, float("nan"), at=now)
    with pytest.raises(UsageError, match="allowed: mount"):
        mounted(trial, step, at=now)
    with pytest.raises(UsageError, match="zone"):
        ask(replace(trial, records=()), at=datetime(2026, 3, 2, 6, 0))  # noqa: DTZ001 - what is refused

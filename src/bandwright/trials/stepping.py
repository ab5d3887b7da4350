"""The trial for any program, without the rest of the house: ask what is next, record what came of it, ask for the verdict.

Frozen state: each call returns a new `Trial`. The verdict is `advice.verdict.verdict(trial.design, trial.records)`.

    trial = begin(setups=["a", "b"], start=now, seed=1)
    trial, step = ask(trial, at=now)       # "round": wait until step.not_before; "test": measure step.setup after step.warmup_s
    trial = score(trial, step, 0.3, at=now)    # or failure(trial, step, at=now), void(trial, step, at=now)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from bandwright.errors import UsageError
from bandwright.trials.course import course
from bandwright.words.campaign import Allowance, CampaignEvent, Course, Design, RigMounted, RoundDrawn, Step, Tested
from bandwright.words.rig import Setup, setup_key
from bandwright.words.site import Hours, Need, Requirements

__all__ = ["Trial", "ask", "begin", "failure", "mounted", "score", "standing_of", "void"]


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial under way: what was planned, and what was recorded."""

    design: Design
    records: tuple[CampaignEvent, ...] = ()


def begin(
    *,
    setups: Sequence[str | tuple[str, str]],
    start: datetime,
    seed: int,
    needs: Sequence[Need] = (),
    hour_weights: Sequence[float] = (),
    allowance: Allowance | None = None,
    predicted: Sequence[float | None] = (),
    timezone: str = "UTC",
    indifference: float = 0.10,
    risk: float = 0.05,
    megabytes_per_test: float = 80.0,
    warmup_s: float = 0.0,
    prove_equal: bool = False,
) -> Trial:
    """Return a new trial.

    setups: names of things that a program can switch between, or pairs (what a person must change, what is switched).
    needs, or hour_weights: 24 numbers, how much each local hour matters; all hours alike where neither is given.
    predicted: a score expected of each setup, from -1 to 1, or None. indifference: difference in the score that does not matter.
    prove_equal: once the lead is settled, go on until it is known whether its closest rival is as good.
    Raises UsageError for setups that repeat, or weights that are not 24 numbers of 0 or more.
    """
    pairs = [("all", s) if isinstance(s, str) else s for s in setups]
    if not pairs or len(set(pairs)) < len(pairs):
        raise UsageError("setups", given=list(setups), allowed="one or more, each once")
    expected = list(predicted) or [None] * len(pairs)
    if len(expected) != len(pairs):
        raise UsageError("predicted", given=len(expected), allowed=f"{len(pairs)} values, one a setup")
    return Trial(
        design=Design(
            key="trial",
            setups=tuple(
                Setup(key=tuning if rig == "all" else setup_key(rig, tuning), rig=rig, tuning=tuning, predicted_score=p)
                for (rig, tuning), p in zip(pairs, expected, strict=True)
            ),
            needs=tuple(needs) or _needs_of(hour_weights),
            start=start,
            timezone=timezone,
            seed=seed,
            allowance=allowance or Allowance(),
            indifference=indifference,
            risk=risk,
            megabytes_per_test=megabytes_per_test,
            warmup_s=warmup_s,
            prove_equal=prove_equal,
        )
    )


def ask(trial: Trial, *, at: datetime) -> tuple[Trial, Step]:
    """Return the trial and what is next at a time (UTC).

    A round whose time has come is drawn and recorded, and its first test returned. "round" means: ask again at `not_before`.
    """
    step = course(trial.design, trial.records, now=at).next
    if step.kind == "round" and (step.not_before is None or at >= step.not_before):
        drawn = RoundDrawn(at=at, round=step.round or 0, rig=step.rig or "", visit=step.visit or 1, order=step.order, bracket=step.bracket)
        trial = replace(trial, records=(*trial.records, drawn))
        step = course(trial.design, trial.records, now=at).next
    return trial, step


def standing_of(trial: Trial) -> Course:
    """Return where the trial stands: counts, what was used, what still contends."""
    return course(trial.design, trial.records)


def score(trial: Trial, step: Step, value: float, *, at: datetime, megabytes: float = 0.0, met: Sequence[tuple[str, bool]] = ()) -> Trial:
    """Record the score of the step's test, started at `at`. value: any finite number; what lies outside -1..1 counts as its end."""
    if not abs(value) < float("inf"):
        raise UsageError("score", given=value, allowed="a finite number", todo="Record a test without a number as a failure, or as void.")
    return _with(trial, step, at=at, score=min(1.0, max(-1.0, value)), outcome="ok", megabytes=megabytes, met=tuple(met))


def failure(trial: Trial, step: Step, *, at: datetime, reason: str = "", megabytes: float = 0.0, met: Sequence[tuple[str, bool]] = ()) -> Trial:
    """Record that the step's test failed: a result, score -1."""
    return _with(trial, step, at=at, score=-1.0, outcome="failed", reason=reason, megabytes=megabytes, met=tuple(met))


def void(trial: Trial, step: Step, *, at: datetime, reason: str = "", megabytes: float = 0.0) -> Trial:
    """Record that the step's test says nothing of the setup, through no fault of its own; it is repeated."""
    return _with(trial, step, at=at, score=None, outcome="void", reason=reason, megabytes=megabytes)


def mounted(trial: Trial, step: Step, *, at: datetime, person_minutes: float | None = None) -> Trial:
    """Record that a person made the change that a "mount" step asked for."""
    if step.kind != "mount":
        raise UsageError("step", given=step.kind, allowed="mount", todo="Record a change when the step asks for one.")
    minutes = step.minutes if person_minutes is None else person_minutes
    return replace(trial, records=(*trial.records, RigMounted(at=at, rig=step.rig or "", visit=step.visit or 1, person_minutes=minutes)))


def _with(trial: Trial, step: Step, *, at: datetime, **fields: object) -> Trial:
    if step.kind != "test":
        raise UsageError("step", given=step.kind, allowed="test", todo="Record a result for a step that asked for a test.")
    number = sum(isinstance(r, Tested) for r in trial.records)
    tested = Tested(at=at, test=f"test-{number + 1}", round=step.round or 0, setup=step.setup or "", visit=step.visit or 1, **fields)  # type: ignore[arg-type]  # fields of Tested
    return replace(trial, records=(*trial.records, tested))


def _needs_of(weights: Sequence[float]) -> tuple[Need, ...]:
    """Return needs that stand for 24 weights: one for the hours of each weight."""
    if not weights:
        return ()
    if len(weights) != 24 or min(weights) < 0 or not 0 < sum(weights) < float("inf"):
        raise UsageError("hour_weights", given=list(weights), allowed="24 numbers of 0 or more, one an hour, not all 0")
    return tuple(
        Need(
            key=f"hours of weight {weight:g}",
            kind="hours",
            requirements=Requirements(),
            hours=Hours(text=f"weight {weight:g}", spans=tuple((d, 60 * h, 60 * h + 60) for d in range(7) for h in range(24) if weights[h] == weight)),
            weight=weight,
        )
        for weight in sorted({w for w in weights if w > 0})
    )

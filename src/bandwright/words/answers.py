"""Answers: frozen values that describe themselves (estimate, interval, what it was compared with, how many rounds, which seed)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from bandwright.words.campaign import Allowance

__all__ = ["Alert", "Comparison", "Estimate", "Evidence", "Finding", "Forecast", "NeedShare", "Outlook", "Plan", "SetupAnswer", "Span", "Verdict"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its interval. level: share of cases in which the interval is meant to hold the truth, e.g. 0.90."""

    value: float
    low: float
    high: float
    unit: str = ""
    level: float = 0.90
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A rate expected from physics, with its interval. ceiling: the most the standard allows.

    of: the carrier it is for, e.g. "LTE B20 1" (radio, band, place among the reading's carriers), or "" for all together.
    """

    quantity: str
    median: float
    low: float
    high: float
    level: float
    unit: str
    ceiling: float | None = None
    assumptions: tuple[str, ...] = ()
    source: str = ""
    of: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One item behind a finding: the number, the rule and its source."""

    key: str
    value: float | str | None
    likelihood_ratio: float | None = None
    rule: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something worth knowing in a reading or a measurement, with the rule behind it.

    certainty: 0..1, or None for a fact without blame. status: "claimed", "candidate" (cannot be told apart), "fact".
    """

    key: str
    sentence: str
    status: Literal["claimed", "candidate", "fact"] = "fact"
    certainty: float | None = None
    symptom: str | None = None
    evidence: tuple[Evidence, ...] = ()
    settle_by: tuple[str, ...] = ()
    remedy: str = ""
    cost: str = ""
    will_not_help: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedShare:
    """For one setup and need: the chance that a moment in the need's hours meets it, with its 90 % interval."""

    need: str
    estimate: Estimate
    met: int
    tests: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupAnswer:
    """What a campaign says of one setup."""

    setup: str
    value: Estimate  # expected score, see Design
    chance_good: float  # P(no setup is better by the indifference or more)
    chance_best: float
    tests: int
    failed: int
    moved: int
    visits: int
    needs: tuple[NeedShare, ...] = ()
    attainable: bool = True
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Difference of two setups' values in ln units, a minus b. margin: smallest x with P(|difference| < x) >= 0.95."""

    a: str
    b: str
    difference: Estimate
    chance_a_better: float
    margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The decision that a campaign supports.

    kind: "best" (the lead is good, with certainty), "no difference" (two or more are good: either will do),
    "not yet" (more rounds are needed), "not attainable" (no setup could be applied or tested), "send it back" (a rig's
    last day comes first and it does not earn its place).
    lead: the setup to use; also in "not yet" (the one to use meanwhile). certainty: P(lead is good), 0..1.
    overturn: what would overturn it, in figures. rounds_needed: about how many more, for "not yet".
    tests: those that count. void, ramping: kept beside them and repeated, because the far end or computer failed, or carriers were
    still joining. binding: which resource ends first: "visits", "days", "data", "deadline" or None.
    """

    kind: Literal["best", "no difference", "not yet", "not attainable", "send it back"]
    lead: str | None
    certainty: float
    setups: tuple[SetupAnswer, ...] = ()
    against: Comparison | None = None  # lead against its strongest challenger
    comparisons: tuple[Comparison, ...] = ()
    equals: tuple[str, ...] = ()
    in_use: str | None = None
    gain_over_in_use: Comparison | None = None
    rounds: int = 0
    sessions: int = 0
    tests: int = 0
    visits: int = 0
    days: float = 0.0
    megabytes: float = 0.0
    load_megabytes: float = 0.0  # of them, loads that were no measurement: warm-ups
    failed: int = 0
    void: int = 0
    ramping: int = 0
    moved_share: float = 0.0
    rounds_needed: float | None = None
    binding: str | None = None
    return_by: date | None = None
    return_what: str | None = None
    overturn: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    indifference: float = 0.10
    risk: float = 0.05
    seed: int = 0
    forced: bool = False  # the allowance ended it
    at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """The answer has changed, or may have."""

    at: datetime
    key: str
    sentence: str
    need: str | None = None
    since: datetime | None = None
    size: Estimate | None = None
    cause: str | None = None
    cause_chance: float | None = None
    reversed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A quantity at the 50th and the 90th percentile of the simulated campaigns."""

    p50: float
    p90: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What a design would come to. chance_clear: of an answer with certainty within the allowance."""

    name: str
    allowance: Allowance
    chance_clear: float
    days: Span
    tests: Span
    gigabytes: Span
    rig_changes: Span
    person_minutes: Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The design as it is, a cheaper and a longer one. campaigns: how many were simulated; if_it_ends: said when the allowance ends first."""

    as_designed: Outlook
    cheaper: Outlook
    longer: Outlook
    campaigns: int
    seed: int
    if_it_ends: str = "not yet: the setup to use meanwhile, its certainty, and which resource ended"

"""The planned trial and what was done in it. A campaign's state is a fold over these events; nothing else holds it.

All times are UTC. Events are kept in the order in which they were recorded; `at` may disagree with that order (a clock step,
a record that came late), and the fold sorts by `at`, then by order of recording.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import ClassVar, Literal

from bandwright.words.rig import Setup
from bandwright.words.site import Hours, Need

__all__ = [
    "USUAL_MEGABYTES",
    "Allowance",
    "AllowanceChanged",
    "CampaignEvent",
    "Course",
    "Design",
    "EventNamed",
    "NotShown",
    "RigMounted",
    "RoundDrawn",
    "SetupAdded",
    "SetupWithdrawn",
    "Step",
    "Stopped",
    "Tested",
]


USUAL_MEGABYTES = 80.0  # one usual measurement on a line of about 230 Mbit/s, both directions added, where nothing better is known


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """What a campaign may use. person_hours: when a person can change a rig; None is "any time"."""

    data_gb: float = 40.0
    days: float = 14.0
    rig_changes: int = 12
    person_minutes: float | None = None
    person_hours: Hours | None = None
    deadline: datetime | None = None  # e.g. the last day on which something can be returned


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """The planned trial.

    indifference: differences in the score below this do not matter (ln units; 0.10 is about 10 %).
    risk: allowed chance of a wrong "best". in_use: key of the setup in use before the campaign.
    rigs_at_once: groups of rigs that stand side by side, so that going over costs no person.
    change_minutes: (from_rig, to_rig, minutes); a pair not listed costs `default_change_minutes`.
    by_hand: the person applies tunings and starts tests; rounds are then few and long apart.
    prove_equal: once the lead is settled, go on until it is known whether its closest rival is as good; it costs far more than choosing.
    mounted: the rig that is in place at the start.
    """

    key: str
    setups: tuple[Setup, ...]
    needs: tuple[Need, ...]
    start: datetime
    timezone: str = "UTC"
    indifference: float = 0.10
    risk: float = 0.05
    allowance: Allowance = field(default_factory=Allowance)
    seed: int = 0
    rounds_per_day: int = 4
    megabytes_per_test: float = USUAL_MEGABYTES
    seconds_per_test: float = 8.0
    warmup_s: float = 10.0
    in_use: str | None = None
    mounted: str | None = None
    rigs_at_once: tuple[tuple[str, ...], ...] = ()
    change_minutes: tuple[tuple[str, str, float], ...] = ()
    default_change_minutes: float = 15.0
    by_hand: bool = False
    label: str = ""
    prove_equal: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundDrawn:
    """The order of a round, written down before its first test."""

    at: datetime
    round: int
    rig: str
    visit: int
    order: tuple[str, ...]  # setup keys
    bracket: bool = False  # belongs to a rig change


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """One finished test, as the trial sees it.

    score: -1..1, or None for a void test. met: (need key, whether met) for the needs whose hours include `at`.
    outcome: ok; failed counts as score -1; void says nothing and is repeated.
    seen: setup the radio showed during the test, where known; the test counts for `setup`.
    ramping: carriers were still being added: set aside, repeat with a longer warm-up.
    load_megabytes: what loads took that were no measurement, the warm-up before this test above all.
    """

    __test__: ClassVar[bool] = False  # the name is not a test runner's

    at: datetime
    test: str
    round: int
    setup: str
    visit: int
    score: float | None
    outcome: Literal["ok", "failed", "void"] = "ok"
    met: tuple[tuple[str, bool], ...] = ()
    margins: tuple[tuple[str, float], ...] = ()
    seen: str | None = None
    moved: bool = False
    ramping: bool = False
    phase: str | None = None
    reason: str | None = None
    megabytes: float = 0.0
    seconds: float = 0.0
    load_megabytes: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RigMounted:
    """A rig was put in place (or aimed, or plugged, anew): a new visit begins."""

    at: datetime
    rig: str
    visit: int
    person_minutes: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NotShown:
    """A setting was asked for and no reading showed it: not a test."""

    at: datetime
    setup: str
    why: str
    round: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupAdded:
    """A candidate was added to the running campaign."""

    at: datetime
    setup: Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupWithdrawn:
    """A candidate was taken out by the user; its tests stay."""

    at: datetime
    setup: str
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowanceChanged:
    """The user changed what the campaign may use."""

    at: datetime
    allowance: Allowance


@dataclass(frozen=True, slots=True, kw_only=True)
class EventNamed:
    """Something happened that may have changed the network: rounds before and after are different campaigns where `splits`."""

    at: datetime
    what: str
    splits: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """The user stopped the campaign, or took it up again (`resumed`)."""

    at: datetime
    why: str = ""
    resumed: bool = False


CampaignEvent = RoundDrawn | Tested | RigMounted | NotShown | SetupAdded | SetupWithdrawn | AllowanceChanged | EventNamed | Stopped


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What is next.

    kind: "round" (draw `order` on `rig`: record RoundDrawn, then test in that order), "test" (measure `setup` as the next
    of the open round), "mount" (a person changes to `rig`; record RigMounted), "finish" (nothing more; `why`).
    not_before: do not start earlier (UTC). warmup_s: load before measuring, not measured. minutes: of a person.
    """

    kind: Literal["round", "test", "mount", "finish"]
    not_before: datetime | None = None
    round: int | None = None
    rig: str | None = None
    visit: int | None = None
    setup: str | None = None
    order: tuple[str, ...] = ()
    bracket: bool = False
    warmup_s: float = 0.0
    warmups_s: tuple[float, ...] = ()  # for each place of `order`, if all before it go well
    repeat: bool = False  # repeats a void or ramping test
    minutes: float = 0.0
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Where a campaign stands and what is next. Counts are of finished, usable tests."""

    next: Step
    tests: int = 0
    rounds: int = 0
    visits: int = 0
    mounted: str | None = None
    visit: int = 0
    used_gb: float = 0.0
    used_days: float = 0.0
    used_rig_changes: int = 0
    used_person_minutes: float = 0.0
    tests_by_setup: tuple[tuple[str, int], ...] = ()
    contending: tuple[str, ...] = ()
    not_attainable: tuple[tuple[str, str], ...] = ()
    void_share: float = 0.0
    moved_share: float = 0.0
    finished: bool = False

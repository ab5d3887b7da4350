"""What a campaign's records say, once put in order: which tests count and for which setup, rounds, visits, what was used.

One pass over the events, in any order of arrival. It decides nothing; every odd record has its treatment here, and the table in
docs/trials.md states them. Times are minutes after the design's start.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from math import isfinite
from statistics import median
from typing import Any, NamedTuple, TypeVar
from zoneinfo import ZoneInfo

from bandwright.errors import UsageError
from bandwright.words.campaign import (
    Allowance,
    AllowanceChanged,
    CampaignEvent,
    Design,
    EventNamed,
    NotShown,
    RigMounted,
    RoundDrawn,
    SetupAdded,
    SetupWithdrawn,
    Stopped,
    Tested,
)
from bandwright.words.rig import Setup

__all__ = ["Ledger", "Result", "RoundLog", "minutes_after", "read"]

Event = TypeVar("Event", bound=CampaignEvent)

MAX_RAMPING = 2  # ramping tests set aside per place in a round; what still ramps after that is the setup's own way
MAX_VOID = 3  # void tests per setup and round before the round goes on without it
MAX_NOT_SHOWN = 2  # refusals per setup and round before the round goes on without it
CLOCK_STEP_MIN = 180.0  # a test further than this from the middle of its round was stamped by a clock that stepped


class Result(NamedTuple):
    """One test that counts. minute: after the start. visit: (visit number, rig). A tuple: hundreds are made at every step."""

    minute: float
    test: str
    round: int
    setup: str
    visit: tuple[int, str]
    score: float
    failed: bool
    moved: bool
    met: tuple[tuple[str, bool], ...]
    hour: float  # of the local day, 0..24


@dataclass(frozen=True, slots=True)
class RoundLog:
    """One drawn round and what is still to be done in it. todo: setups in order, () once it is complete."""

    number: int
    minute: float
    rig: str
    visit: int
    order: tuple[str, ...]
    bracket: bool
    todo: tuple[str, ...]
    repeat: bool  # the next one repeats a void or ramping test
    last_setup: str  # the setup last loaded in this round, or ""
    end: float  # minute of its last record


@dataclass(frozen=True, slots=True)
class Ledger:
    """The campaign as recorded. `results` are those after the last event that splits it."""

    design: Design
    setups: tuple[Setup, ...]
    active: tuple[str, ...]  # setups that contend: neither withdrawn nor not attainable
    not_attainable: tuple[tuple[str, str], ...]
    allowance: Allowance
    results: tuple[Result, ...]
    rounds: tuple[RoundLog, ...]
    mounted: str
    visit: int
    mounts: tuple[tuple[float, int, str], ...]  # (minute, visit, rig)
    last_minute: float
    used_mb: float
    load_mb: float  # of it, loads that were no measurement
    used_rig_changes: int
    used_person_minutes: float
    voids: int
    ramping: int  # tests set aside because carriers were still joining
    contradictory: int
    strangers: int  # tests of setups that are not declared
    warmup_s: dict[str, float]
    stopped: str | None
    split_minute: float | None
    tests_all: int

    def rig_of(self, setup: str) -> str:
        """Return the rig of a setup."""
        return next(s.rig for s in self.setups if s.key == setup)

    def together(self, rig: str) -> tuple[str, ...]:
        """Return the rigs that stand side by side with this one, itself among them."""
        for group in self.design.rigs_at_once:
            if rig in group:
                return group
        return (rig,)

    def mb_per_test(self) -> float:
        """Return what a test has cost so far on average, or the design's estimate before the third."""
        if self.tests_all < 3 or self.used_mb <= 0.0:
            return self.design.megabytes_per_test
        return self.used_mb / self.tests_all


def read(design: Design, records: Sequence[CampaignEvent]) -> Ledger:
    """Return the ledger of a campaign.

    records: in any order; repeats are dropped, and records of one test that contradict each other make it void.
    A test of a setup that nobody declared is kept aside until a record adds that setup.
    Raises UsageError for a design without setups, or a time without a zone.
    """
    if not design.setups:
        raise UsageError("setups", given="none", allowed="at least one setup", todo="Declare a rig and a tuning.")
    start = design.start
    if start.tzinfo is None:
        raise UsageError("start", given=start.isoformat(), allowed="a time with its zone", todo="Give the start in UTC.")
    sheaf = _Sheaf(records)
    setups, withdrawn = _candidates(design, sheaf)
    known = {s.key: s for s in setups}
    tests, contradictory = _one_of_each(sheaf.of(Tested))
    strangers = sum(t.setup not in known for t in tests)
    tests = [t for t in tests if t.setup in known] if strangers else tests
    allowance = design.allowance
    for change in sheaf.of(AllowanceChanged):
        allowance = change.allowance
    stopped = None
    for stop in sheaf.of(Stopped):
        stopped = None if stop.resumed else (stop.why or "stopped by the user")
    splits = [minutes_after(start, e.at) for e in sheaf.of(EventNamed) if e.splits]
    split = max(splits) if splits else None

    drawn: dict[int, RoundDrawn] = {}
    for draw in sheaf.of(RoundDrawn):
        drawn.setdefault(draw.round, draw)
    minutes = _true_minutes(start, tests, drawn)
    results, set_aside, voids = _results(design, known, tests, minutes)
    counted: dict[str, int] = {}
    for r in results:
        counted[r.setup] = counted.get(r.setup, 0) + 1
    refusals: dict[str, list[NotShown]] = {}
    for refusal in sheaf.of(NotShown):
        refusals.setdefault(refusal.setup, []).append(refusal)
    not_attainable = tuple((k, refusals[k][-1].why) for k in known if len(refusals.get(k, ())) > 3 + counted.get(k, 0) / 2)
    gone = withdrawn | {k for k, _ in not_attainable}
    active = tuple(k for k in known if k not in gone)

    mounts = tuple((minutes_after(start, e.at), e.visit, e.rig) for e in sheaf.of(RigMounted))
    mounted, visit = _mounted(design, mounts, results, known)
    rounds = _rounds(start, drawn, results, set_aside, sheaf.of(NotShown), gone, minutes, tests)
    changes = sum(1 for i, (_, _, rig) in enumerate(mounts) if i > 0 or rig != _first_rig(design))
    last = minutes_after(start, max((e.at for e in records), default=start))
    ramps: dict[str, int] = {}
    for test in tests:
        if test.ramping:
            ramps[test.setup] = ramps.get(test.setup, 0) + 1
    return Ledger(
        design=design,
        setups=setups,
        active=active,
        not_attainable=not_attainable,
        allowance=allowance,
        results=tuple(r for r in results if split is None or r.minute >= split),
        rounds=rounds,
        mounted=mounted,
        visit=visit,
        mounts=mounts,
        last_minute=last,
        used_mb=sum(t.megabytes + t.load_megabytes for t in tests),
        load_mb=sum(t.load_megabytes for t in tests),
        used_rig_changes=changes,
        used_person_minutes=sum(e.person_minutes for e in sheaf.of(RigMounted)),
        voids=voids,
        ramping=sum(away.count("ramping") for away in set_aside.values()),
        contradictory=contradictory,
        strangers=strangers,
        warmup_s={k: min(45.0, design.warmup_s + 8.0 * n) if design.warmup_s else 0.0 for k, n in ramps.items()},
        stopped=stopped,
        split_minute=split,
        tests_all=len(tests),
    )


def minutes_after(start: datetime, at: datetime) -> float:
    """Return the minutes from the start to a time. Raises UsageError for a time without its zone."""
    try:
        return (at - start).total_seconds() / 60.0
    except TypeError:
        raise UsageError("at", given=at.isoformat(), allowed="a time with its zone", todo="Record times in UTC.") from None


class _Sheaf:
    """Events by kind, each kind in order of time, an event recorded twice once."""

    def __init__(self, records: Sequence[CampaignEvent]) -> None:
        self._kinds: dict[type, list[Any]] = {}
        for record in records:
            self._kinds.setdefault(type(record), []).append(record)

    def of(self, kind: type[Event]) -> list[Event]:
        """Return the events of one kind."""
        events: list[Event] = self._kinds.get(kind, [])
        if len(events) < 2:
            return events
        return sorted(events if kind is Tested else dict.fromkeys(events), key=_when)


def _when(event: CampaignEvent) -> datetime:
    return event.at


def _first_rig(design: Design) -> str:
    return design.mounted or design.setups[0].rig


def _candidates(design: Design, sheaf: _Sheaf) -> tuple[tuple[Setup, ...], set[str]]:
    setups = {s.key: s for s in design.setups}
    withdrawn: set[str] = set()
    changes: list[SetupAdded | SetupWithdrawn] = [*sheaf.of(SetupAdded), *sheaf.of(SetupWithdrawn)]
    for event in sorted(changes, key=_when):
        if isinstance(event, SetupAdded):
            setups.setdefault(event.setup.key, event.setup)
            withdrawn.discard(event.setup.key)
        else:
            withdrawn.add(event.setup)
    return tuple(setups.values()), withdrawn


def _one_of_each(tests: list[Tested]) -> tuple[list[Tested], int]:
    """Return one record a test. Two that disagree in setup, score or outcome cannot both be true: the test is void."""
    seen: dict[str, Tested] = {}
    torn: set[str] = set()
    for test in tests:
        other = seen.setdefault(test.test, test)
        if other is not test and (other.setup, other.score, other.outcome) != (test.setup, test.score, test.outcome):
            torn.add(test.test)
    if not torn:
        return list(seen.values()), 0
    void = {k: replace(seen[k], outcome="void", score=None, reason="records of this test contradict each other") for k in torn}
    return [void.get(t.test, t) for t in seen.values()], len(torn)


def _true_minutes(start: datetime, tests: list[Tested], drawn: dict[int, RoundDrawn]) -> list[float]:
    """Return each test's minute; a test stamped hours away from its round is put back beside it."""
    try:
        minutes = [(t.at - start).total_seconds() / 60.0 for t in tests]
    except TypeError:
        minutes = [minutes_after(start, t.at) for t in tests]  # says which one
    by_round: dict[int, list[int]] = {}
    for i, t in enumerate(tests):
        by_round.setdefault(t.round, []).append(i)
    for number, members in by_round.items():
        if number not in drawn:
            continue
        times = [minutes[i] for i in members]
        times.append(minutes_after(start, drawn[number].at))
        if max(times) - min(times) > CLOCK_STEP_MIN:
            middle = median(times)
            for i in members:
                if abs(minutes[i] - middle) > CLOCK_STEP_MIN:
                    minutes[i] = middle
    return minutes


def _results(design: Design, known: dict[str, Setup], tests: list[Tested], minutes: list[float]) -> tuple[list[Result], dict[tuple[int, str], list[str]], int]:
    """Return the tests that count, those set aside per (round, setup), and the number of void ones."""
    zone = _zone(design.timezone)
    results: list[Result] = []
    aside: dict[tuple[int, str], list[str]] = {}
    voids = 0
    pairs = list(zip(tests, minutes, strict=True))
    if any(a > b for a, b in pairwise(minutes)):
        pairs.sort(key=lambda pair: pair[1])
    for test, minute in pairs:
        place = (test.round, test.setup)
        failed = test.outcome == "failed"
        if test.outcome == "void" or (not failed and (test.score is None or not isfinite(test.score))):
            aside.setdefault(place, []).append("void")
            voids += 1
            continue
        if test.ramping and not failed and aside.get(place, []).count("ramping") < MAX_RAMPING:
            aside.setdefault(place, []).append("ramping")
            continue
        setup = test.setup
        if design.by_hand and not test.moved and test.seen in known:
            setup = test.seen or setup  # a person set the wrong thing: the test counts for what was set
        local = test.at.astimezone(zone)
        results.append(
            Result(
                minute=minute,
                test=test.test,
                round=test.round,
                setup=setup,
                visit=(test.visit, known[setup].rig),
                score=-1.0 if failed or test.score is None else test.score,
                failed=failed,
                moved=test.moved,
                met=test.met,
                hour=local.hour + local.minute / 60.0,
            )
        )
    return results, aside, voids


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError):
        raise UsageError("timezone", given=name, allowed="a name of the time zone database", todo="Write it as Area/City, or UTC.") from None


def _mounted(design: Design, mounts: tuple[tuple[float, int, str], ...], results: list[Result], known: dict[str, Setup]) -> tuple[str, int]:
    """Return the rig in place and its visit: what was mounted last, or tested since."""
    minute, visit, rig = mounts[-1] if mounts else (float("-inf"), 1, _first_rig(design))
    if results and results[-1].minute > minute:
        latest = results[-1]
        group = next((g for g in design.rigs_at_once if rig in g), (rig,))
        if known[latest.setup].rig not in group:
            return known[latest.setup].rig, max(visit, latest.visit[0])
    return rig, visit


def _rounds(
    start: datetime,
    drawn: dict[int, RoundDrawn],
    results: list[Result],
    aside: dict[tuple[int, str], list[str]],
    refusals: list[NotShown],
    gone: set[str],
    minutes: list[float],
    tests: list[Tested],
) -> tuple[RoundLog, ...]:
    if not drawn:
        return ()
    ordered = sorted(drawn.values(), key=lambda e: (e.at, e.round))
    newest = ordered[-1]
    done: dict[str, int] = {}
    for r in results:
        if r.round == newest.round:
            done[r.setup] = done.get(r.setup, 0) + 1
    refused: dict[str, int] = {}
    for refusal in refusals:
        if refusal.round == newest.round or (refusal.round is None and refusal.at >= newest.at):
            refused[refusal.setup] = refused.get(refusal.setup, 0) + 1
    ends: dict[int, tuple[float, str]] = {}
    for test, minute in zip(tests, minutes, strict=True):
        latest = ends.get(test.round)
        if latest is None or minute >= latest[0]:
            ends[test.round] = (minute, test.setup)
    logs = []
    for event in ordered:
        todo: tuple[str, ...] = ()
        repeat = False
        if event is newest:
            left = dict.fromkeys(event.order, 0)
            open_places = []
            for setup in event.order:
                left[setup] += 1
                away = aside.get((event.round, setup), [])
                passed_over = setup in gone or away.count("void") >= MAX_VOID or refused.get(setup, 0) >= MAX_NOT_SHOWN
                if left[setup] > done.get(setup, 0) and not passed_over:
                    open_places.append(setup)
            todo = tuple(open_places)
            last_tested = ends.get(event.round, (0.0, ""))[1]
            repeat = bool(todo) and todo[0] == last_tested and bool(aside.get((event.round, todo[0])))
        minute = minutes_after(start, event.at)
        end, last_setup = ends.get(event.round, (minute, ""))
        logs.append(RoundLog(event.round, minute, event.rig, event.visit, event.order, event.bracket, todo, repeat, last_setup, max(end, minute)))
    return tuple(logs)

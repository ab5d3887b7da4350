"""Rehearse: how often the trial is right, how sure it says it is and what it costs, on simulated places, beside plainer ways.

Each campaign is a case of one of the twin's families, scored by the declared needs, run on simulated time by the trial itself; the
truth comes from fresh draws of the same place. Work goes through one `concurrent.futures.Executor`, or runs in line without one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import mean, median
from typing import TYPE_CHECKING, Final, Protocol
from zoneinfo import ZoneInfo

import numpy as np

from bandwright.advice.verdict import verdict
from bandwright.jobs.executor import answers
from bandwright.needs.fulfilment import score_values
from bandwright.needs.hours import parse_hours
from bandwright.trials.bound import least_tests
from bandwright.trials.hours import slots_of_day
from bandwright.trials.simulate import Sample, World, run
from bandwright.trials.threads import one_thread
from bandwright.words.answers import Verdict
from bandwright.words.campaign import CampaignEvent, Design, RigMounted
from bandwright.words.site import Need

if TYPE_CHECKING:
    from bandwright.twin.families import Case
    from bandwright.twin.site import FreshSample, Moment, SimulatedSite

__all__ = ["COMPARATORS", "Played", "Study", "StudyRow", "Truth", "play", "play_case", "rehearse", "study_rows"]

FRESH_DRAWS: Final = 3000
EASY_TESTS: Final = 8.0
COMPARATORS: Final = ("one test each", "three in a row each", "ten in a row, t-test", "twelve rounds, means")


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of a simulated place. value, met: per setup, and per setup and need. variance: of a score within a moment."""

    value: Mapping[str, float]
    met: Mapping[tuple[str, str], float]
    variance: float

    @property
    def best(self) -> float:
        """The highest value."""
        return max(self.value.values())


class Place(Protocol):
    """A simulated place to rehearse on."""

    family: str
    number: int
    design: Design

    def world(self) -> World:
        """Return its world, from the start."""
        ...

    def truth(self) -> Truth:
        """Return what is true of it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """One rehearsed campaign. covered: share of its 90 % intervals that hold the truth, by what they are of; None where there are none.

    comparators: per plainer way, (answered, right, tests).
    """

    family: str
    number: int
    rigs: int
    kind: str
    answered: bool
    stated: float
    right: bool
    regret: float
    tests: int
    rounds: int
    visits: int
    changes: int
    person_minutes: float
    gigabytes: float
    days: float
    least: float
    covered_value: float | None
    covered_difference: float | None
    covered_met: float | None
    covered_margin: float | None
    equals_right: bool | None
    one_good: bool
    binding: str | None
    comparators: tuple[tuple[str, bool, bool, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRow:
    """One row of the table: a family, or several together. Shares are 0..1; None where nothing can be said."""

    name: str
    campaigns: int
    answered: float
    right: float | None
    stated: float | None
    good_pick: float
    regret: float
    tests: float
    tests_p90: float
    person_minutes: float
    gigabytes: float
    days: float
    over_bound: float | None  # median of tests over the least number, answered and not easy
    covered_value: float | None
    covered_difference: float | None
    covered_met: float | None
    covered_margin: float | None
    equals: int
    equals_right: float | None
    comparators: tuple[tuple[str, float, float | None, float], ...] = ()  # way, answered, right when answered, tests


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """The answer of a rehearsal. reliability: (stated from, to, verdicts, share right)."""

    rows: tuple[StudyRow, ...]
    reliability: tuple[tuple[float, float, int, float], ...]
    played: tuple[Played, ...] = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """So many campaigns of so many are done."""

    done: int
    of: int
    latest: Played


def rehearse(
    *, families: Sequence[str] | None = None, campaigns: int = 20, first: int = 0, executor: Executor | None = None, comparators: bool = True
) -> Iterator[Progress | Study]:
    """Rehearse campaigns on the twin's families; the last item is the study.

    families: their keys, all where None. first: number of the first case of each. The same numbers give the same study.
    Raises UsageError for a family that is not there.
    """
    from bandwright.twin.families import FAMILIES, family

    keys = [f.key for f in FAMILIES] if families is None else [family(k).key for k in families]
    jobs = [(key, first + i, comparators) for key in keys for i in range(campaigns)]
    played: list[Played] = []
    for _, one in answers(play_case, jobs, executor):
        played.append(one)
        yield Progress(done=len(played), of=len(jobs), latest=one)
    order = {key: i for i, key in enumerate(keys)}
    played.sort(key=lambda p: (order[p.family], p.number))
    yield Study(rows=study_rows(played), reliability=_reliability(played), played=tuple(played))


def play_case(family_key: str, number: int, comparators: bool = True) -> Played:
    """Rehearse one case of one of the twin's families, with one thread of linear algebra."""
    from bandwright.twin.families import family

    with one_thread():
        return play(_TwinPlace(family(family_key).case(number)), comparators=comparators)


def play(place: Place, *, comparators: bool = True) -> Played:
    """Rehearse one campaign on a place, and judge it by the truth."""
    design = place.design
    records = run(design, place.world())
    truth = place.truth()
    said = verdict(design, records)
    others = tuple((name, *_COMPARE[name](place, truth)) for name in COMPARATORS) if comparators else ()
    return _judged(place, truth, records, said, others)


def _judged(place: Place, truth: Truth, records: Sequence[CampaignEvent], said: Verdict, others: tuple[tuple[str, bool, bool, int], ...]) -> Played:
    design = place.design
    value, best = truth.value, truth.best
    lead = value[said.lead] if said.lead is not None else best
    good = [k for k, v in value.items() if v >= best - design.indifference]
    answers = [s for s in said.setups if s.attainable]
    spans = [(c, value[c.a] - value[c.b]) for c in said.comparisons]
    least = least_tests(list(value.values()), variance=truth.variance, indifference=design.indifference, risk=design.risk)
    return Played(
        family=place.family,
        number=place.number,
        rigs=len({s.rig for s in design.setups}),
        kind=said.kind,
        answered=said.kind in {"best", "no difference"},
        stated=said.certainty,
        right=lead >= best - design.indifference,
        regret=best - lead,
        tests=said.tests,
        rounds=said.rounds,
        visits=said.visits,
        changes=sum(isinstance(r, RigMounted) for r in records),
        person_minutes=sum(r.person_minutes for r in records if isinstance(r, RigMounted)),
        gigabytes=said.megabytes / 1000.0,
        days=said.days,
        least=least,
        covered_value=_share(s.value.low <= value[s.setup] <= s.value.high for s in answers),
        covered_difference=_share(c.difference.low <= d <= c.difference.high for c, d in spans),
        covered_met=_share(n.estimate.low <= truth.met[s.setup, n.need] <= n.estimate.high for s in answers for n in s.needs),
        covered_margin=_share(abs(d) <= c.margin for c, d in spans),
        equals_right=all(k in good for k in said.equals) if said.equals else None,
        one_good=len(good) == 1,
        binding=said.binding,
        comparators=others,
    )


def _share(hits: Iterator[bool]) -> float | None:
    found = list(hits)
    return mean(found) if found else None


class _TwinPlace:
    """A case of the twin's families, as a place to rehearse on."""

    def __init__(self, case: Case) -> None:
        from bandwright.twin.site import SimulatedSite

        self.family, self.number = case.family, case.seed
        needs = tuple(Need(key=n.key, kind=n.key, requirements=n.requirements, hours=parse_hours(n.hours), weight=n.weight) for n in case.needs)
        self.design = Design(
            key=f"{case.family} {case.seed}",
            setups=case.setups,
            needs=needs,
            start=case.start,
            timezone=case.timezone,
            seed=case.seed,
            allowance=case.allowance,
            mounted=case.mounted,
            megabytes_per_test=case.megabytes_per_test,
        )
        self._zone = ZoneInfo(case.timezone)
        self._site = SimulatedSite(case.plan, case.seed)

    def world(self) -> World:
        return _TwinWorld(self._site, self.design, self._zone)

    def truth(self) -> Truth:
        """Return values by fresh draws, in weekdays and hours drawn by the weights of the needs."""
        needs, rng = self.design.needs, np.random.default_rng([self.number, 77])
        cells = [(d, h) for d in range(7) for h in range(24)]
        weights = np.array(
            [sum(n.weight * max(0, min(b, 60 * h + 60) - max(a, 60 * h)) for n in needs for e, a, b in n.hours.spans if e == d) for d, h in cells], dtype=float
        )
        table = weights.reshape(7, 24)
        value: dict[str, float] = {}
        met: dict[tuple[str, str], float] = {}
        for setup in self.design.setups:
            found = self._site.sample_fresh(setup.key, FRESH_DRAWS, list(table.sum(axis=0)), rng)
            scores: list[float] = []
            outcomes: dict[str, list[bool]] = {n.key: [] for n in needs}
            for i in range(FRESH_DRAWS):
                column = table[:, int(found.hour[i])]
                weekday = int(np.searchsorted(np.cumsum(column), rng.random() * column.sum()))
                said = score_values(needs, _values(found, i), weekday=min(weekday, 6), minute=60.0 * float(found.hour[i]), failed=bool(found.failed[i]))
                scores.append(said.value if said.value is not None else 0.0)
                for r in said.results:
                    if r.met is not None:
                        outcomes[r.need].append(r.met)
            value[setup.key] = mean(scores)
            met.update({(setup.key, need): mean(hits) for need, hits in outcomes.items() if hits})
        return Truth(value=value, met=met, variance=self._variance())

    def _variance(self) -> float:
        """Return the mean square of what is left of scores, setups side by side at many times, once setup and time are taken out."""
        times = [
            t
            for day in range(20)
            for t in slots_of_day(self.design.needs, self.design.timezone, self.number + 1, 4, (self.design.start + timedelta(days=day)).date())
        ]
        world = self.world()
        keys = [s.key for s in self.design.setups]
        if len(keys) < 2:
            return 1.0
        table = np.array([[world.test(setup=k, visit=1, at=t, warmup_s=60.0).score or 0.0 for k in keys] for t in times])
        left = table - table.mean(axis=0) - table.mean(axis=1, keepdims=True) + table.mean()
        return float((left**2).sum() / max(1, (len(times) - 1) * (len(keys) - 1))) + 1e-4


def _values(found: Moment | FreshSample, at: int | None = None) -> dict[str, float | None]:
    """Return a simulated test's figures, or those of one draw of many, under the names of the table of quantities."""
    return {quantity: float(getattr(found, name) if at is None else getattr(found, name)[at]) for quantity, name in _QUANTITIES}


_QUANTITIES: Final = (
    ("goodput_down_mbps", "down_mbps"),
    ("goodput_up_mbps", "up_mbps"),
    ("delay_idle_ms", "delay_idle_ms"),
    ("delay_loaded_down_ms", "delay_loaded_down_ms"),
    ("delay_loaded_up_ms", "delay_loaded_up_ms"),
    ("loss_ratio", "loss_ratio"),
)


class _TwinWorld:
    """The twin's site behind the trial's idea of a world."""

    def __init__(self, site: SimulatedSite, design: Design, zone: ZoneInfo) -> None:
        self._site, self._design, self._zone = site, design, zone
        self._loaded: tuple[str, float] = ("", 0.0)

    def test(self, *, setup: str, visit: int, at: datetime, warmup_s: float) -> Sample:
        design = self._design
        before = self._loaded[1] if self._loaded[0] == setup and warmup_s == 0.0 else 0.0
        load_s = before + warmup_s
        self._loaded = (setup, load_s + design.seconds_per_test)
        moment = self._site.moment(setup, at, mounting=visit, load_s=load_s)
        local = at.astimezone(self._zone)
        found = score_values(
            design.needs,
            _values(moment),
            weekday=local.weekday(),
            minute=local.hour * 60 + local.minute + local.second / 60.0,
            failed=moment.failed is not None,
        )
        return Sample(
            score=found.value,
            outcome="failed" if moment.failed is not None else "ok",
            met=tuple((r.need, r.met) for r in found.results if r.met is not None),
            margins=tuple((r.need, r.margin) for r in found.results if r.margin is not None),
            seen=moment.moved_to or setup,
            moved=moment.moved_to is not None,
            ramping=moment.ramping and moment.failed is None,
            megabytes=design.megabytes_per_test,
        )


# Plainer ways, on the same place. Each returns whether it answers, whether it is right, and its tests.


def _tested(place: Place, times: Sequence[datetime], world: World, setup: str) -> list[float]:
    found = [world.test(setup=setup, visit=1, at=t, warmup_s=place.design.warmup_s) for t in times]
    return [s.score if s.score is not None else -1.0 for s in found]


def _in_a_row(place: Place, tests: int) -> dict[str, list[float]]:
    """Test each setup so many times in a row, one after the other, at the first time that a round would have had."""
    design = place.design
    day = next(d for d in (design.start.date() + timedelta(days=i) for i in range(14)) if slots_of_day(design.needs, design.timezone, design.seed, 4, d))
    at = slots_of_day(design.needs, design.timezone, design.seed, 4, day)[0]
    world, out = place.world(), {}
    for setup in design.setups:
        out[setup.key] = _tested(place, [at + timedelta(minutes=i) for i in range(tests)], world, setup.key)
        at += timedelta(minutes=tests)
    return out


def _picked(place: Place, truth: Truth, scores: Mapping[str, Sequence[float]], average: Callable[[Sequence[float]], float]) -> tuple[bool, bool, int]:
    pick = max(scores, key=lambda k: average(scores[k]))
    return True, truth.value[pick] >= truth.best - place.design.indifference, sum(len(s) for s in scores.values())


def _one_each(place: Place, truth: Truth) -> tuple[bool, bool, int]:
    return _picked(place, truth, _in_a_row(place, 1), mean)


def _three_each(place: Place, truth: Truth) -> tuple[bool, bool, int]:
    return _picked(place, truth, _in_a_row(place, 3), max)  # the usual habit: best of three


def _ten_each(place: Place, truth: Truth) -> tuple[bool, bool, int]:
    """Answer where the best mean beats the next by Welch's t-test, two-sided 5 %."""
    scores = _in_a_row(place, 10)
    answered, right, tests = _picked(place, truth, scores, mean)
    if len(scores) < 2:
        return answered, right, tests
    first, second = sorted(scores.values(), key=mean, reverse=True)[:2]
    spread = math.sqrt((float(np.var(first, ddof=1)) + float(np.var(second, ddof=1))) / 10.0) or 1e-9
    return (mean(first) - mean(second)) / spread > 2.101, right, tests  # t, 18 degrees of freedom, 0.975: tables of Student's t


def _twelve_rounds(place: Place, truth: Truth) -> tuple[bool, bool, int]:
    """Complete rounds spread as the trial spreads them, rigs side by side at no cost, plain means."""
    design, world = place.design, place.world()
    times = [
        t for i in range(30) for t in slots_of_day(design.needs, design.timezone, design.seed, design.rounds_per_day, design.start.date() + timedelta(days=i))
    ][:12]
    scores: dict[str, list[float]] = {s.key: [] for s in design.setups}
    for t in times:
        for i, setup in enumerate(design.setups):
            scores[setup.key] += _tested(place, [t + timedelta(minutes=i)], world, setup.key)
    return _picked(place, truth, scores, mean)


_COMPARE: Final[Mapping[str, Callable[[Place, Truth], tuple[bool, bool, int]]]] = dict(
    zip(COMPARATORS, (_one_each, _three_each, _ten_each, _twelve_rounds), strict=True)
)


def study_rows(played: Sequence[Played]) -> tuple[StudyRow, ...]:
    """Return the table: a row a family, then one rig, several rigs, one good setup only, easy sites, all."""
    groups: list[tuple[str, list[Played]]] = [(f, [p for p in played if p.family == f]) for f in dict.fromkeys(p.family for p in played)]
    groups += [
        ("one rig", [p for p in played if p.rigs == 1]),
        ("several rigs", [p for p in played if p.rigs > 1]),
        ("one good setup", [p for p in played if p.one_good]),
        ("easy", [p for p in played if p.least < EASY_TESTS]),
        ("all", list(played)),
    ]
    return tuple(_row(name, group) for name, group in groups if group)


def _row(name: str, group: Sequence[Played]) -> StudyRow:
    said = [p for p in group if p.answered]
    hard = [p.tests / p.least for p in said if p.least >= EASY_TESTS]
    equals = [p.equals_right for p in group if p.equals_right is not None]

    def known(values: Sequence[float | None]) -> float | None:
        present = [v for v in values if v is not None]
        return mean(present) if present else None

    ways = []
    for i, way in enumerate(COMPARATORS if group[0].comparators else ()):
        found = [p.comparators[i] for p in group]
        answered = [right for _, ok, right, _ in found if ok]
        ways.append((way, len(answered) / len(found), mean(answered) if answered else None, mean(n for *_, n in found)))
    return StudyRow(
        name=name,
        campaigns=len(group),
        answered=len(said) / len(group),
        right=known([p.right for p in said]),
        stated=known([p.stated for p in said]),
        good_pick=mean(p.right for p in group),
        regret=mean(p.regret for p in group),
        tests=mean(p.tests for p in group),
        tests_p90=float(np.quantile([p.tests for p in group], 0.9)),
        person_minutes=mean(p.person_minutes for p in group),
        gigabytes=mean(p.gigabytes for p in group),
        days=mean(p.days for p in group),
        over_bound=median(hard) if hard else None,
        covered_value=known([p.covered_value for p in group]),
        covered_difference=known([p.covered_difference for p in group]),
        covered_met=known([p.covered_met for p in group]),
        covered_margin=known([p.covered_margin for p in group]),
        equals=len(equals),
        equals_right=mean(equals) if equals else None,
        comparators=tuple(ways),
    )


def _reliability(played: Sequence[Played]) -> tuple[tuple[float, float, int, float], ...]:
    edges = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.97, 0.99, 1.0 + 1e-9)
    out = []
    for low, high in pairwise(edges):
        inside = [p.right for p in played if low <= p.stated < high]
        if inside:
            out.append((low, min(high, 1.0), len(inside), mean(inside)))
    return tuple(out)

"""What probably caused a change that the watch found: readings after it against readings before, weighed over a small table.

Each cause says what it does to the readings, in dB or ln and with its spread; what it does not touch stays within the null row. The
posterior is prior times normal densities times yes/no terms. Where a cause is a finding of the diagnosis, its sentence, remedy and the
tests that settle it are that finding's. Coefficients (ln rate .06 a dB, exponent .56 of bandwidth) are those of public traces and vary
by place, so spreads are wide; priors and spreads are common practice, no source, and are held to a simulated place (bench/watch_study.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from bandwright.advice.findings import FindingRow, finding_row

__all__ = ["CAUSES", "CauseAnswer", "CauseRow", "ChangeFacts", "HourRow", "ReadingShift", "named_cause", "reading_shifts", "weigh_causes"]

_BEFORE_H: Final = 14.0 * 24.0
_AFTER_H: Final = 7.0 * 24.0
_SE_FLOOR: Final = 0.15
_RAMP_STEP_H: Final = 6.0
_RAMP_INDEPENDENT: Final = 4.0  # neighbouring six-hour means are alike: so many count as one
_RAMP_MOST: Final = 4.0
NULL: Mapping[str, float] = {"rsrp": 0.8, "sinr": 0.6, "rsrq": 0.15, "nr_share": 0.03, "ln_bandwidth": 0.05, "ln_first_hop": 0.08}
NOT_VISIBLE: Final = "not visible"


@dataclass(frozen=True, slots=True, kw_only=True)
class HourRow:
    """One hour of readings: means by the keys of NULL, absent ones left out, and the cell that served most of it."""

    at_h: float
    values: Mapping[str, float]
    cell: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingShift:
    """After minus before of one reading, with its standard error."""

    change: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeFacts:
    """What is known of a change. size: of the ln rates, positive is better. limited: chance that it is limited to hours of the day.

    new_cell: share of the time after it on cells that were rare before, None where cells are not known. events: kinds of what the
    gateway told within the interval of its beginning (cap, firmware). ramp: ln likelihood ratio of a ramp against a step in RSRP.
    """

    size: float
    shifts: Mapping[str, ReadingShift]
    limited: float = 0.3
    new_cell: float | None = None
    events: tuple[str, ...] = ()
    ramp: float = 0.0


Expected = Callable[[float], tuple[float, float]]  # |size| -> mean, sd


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRow:
    """One cause. shows: reading -> what it does to it, by the size of the change in ln. finding: its row in the diagnosis, where it has one.

    event: the gateway tells it. worse, better: whether it can make things so.
    """

    key: str
    sentence: str
    prior: float
    shows: Mapping[str, Expected]
    finding: str | None = None
    event: str | None = None
    worse: bool = True
    better: bool = True
    hours: float = 0.1  # chance that such a change is limited to hours of the day
    new_cell: float = 0.02
    ramp: bool = False
    shared: bool = False  # common to all setups: a new trial would not help


def _about(mean: float, sd: float, *, per_ln: float = 0.0) -> Expected:
    return lambda size: (mean + per_ln * size, sd)


CAUSES: tuple[CauseRow, ...] = (
    CauseRow(key="cell change", sentence="another cell serves it", prior=0.12, shows={"rsrp": _about(0, 4), "sinr": _about(-1, 3), "rsrq": _about(0, 0.5)}, new_cell=0.9),
    CauseRow(key="carrier lost", sentence="the network no longer joins a carrier that it used to", prior=0.10, shows={"ln_bandwidth": _about(0, 0.4, per_ln=-1 / 0.56)}, finding="ca_not_aggregated", better=False),
    CauseRow(key="carrier added", sentence="the network joins a carrier more", prior=0.08, shows={"ln_bandwidth": _about(0, 0.4, per_ln=1 / 0.56)}, worse=False),
    CauseRow(key="interference", sentence="the signal is as strong as before, but more is mixed into it", prior=0.10, shows={"sinr": _about(0, 2.5, per_ln=-1 / 0.06), "rsrq": _about(0, 0.5, per_ln=-0.4)}, finding="interference_limited", better=False),
    CauseRow(key="obstruction", sentence="the signal fell: something stands in the way, the antenna moved, or water got in", prior=0.07, shows={"rsrp": _about(0, 3, per_ln=-1 / 0.06), "sinr": _about(0, 2, per_ln=-0.7 / 0.06), "rsrq": _about(0, 0.5, per_ln=-0.3)}, finding="misaim", better=False),
    CauseRow(key="leaves", sentence="the signal has been sinking slowly, as it does when leaves grow", prior=0.05, shows={"rsrp": _about(-3, 2), "sinr": _about(-2, 1.5), "rsrq": _about(-0.2, 0.4)}, better=False, ramp=True),
    CauseRow(key="load", sentence="the cell is busier than it was", prior=0.12, shows={"rsrq": _about(0, 0.4, per_ln=-0.4)}, finding="cell_load", hours=0.6, shared=True),
    CauseRow(key="throttle", sentence="the plan's volume is used up, and the network holds the rate down", prior=0.06, shows={}, finding="plan_throttle", event="cap", better=False, shared=True),
    CauseRow(key="first hop", sentence="the way from this computer to the gateway became slow", prior=0.06, shows={"ln_first_hop": _about(1.2, 0.6)}, finding="wifi_limit", better=False, shared=True),
    CauseRow(key="firmware", sentence="the gateway's firmware changed, or it restarted into other settings", prior=0.05, shows={}, event="firmware"),
    CauseRow(key="mode", sentence="the 5G leg is used less than before", prior=0.07, shows={"nr_share": _about(-0.6, 0.3), "ln_bandwidth": _about(-0.8, 0.9)}, finding="nr_leg_unstable", better=False),
    CauseRow(key=NOT_VISIBLE, sentence="nothing in the readings explains it: beyond the radio, such as load, core, route or shaping", prior=0.12, shows={}, shared=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseAnswer:
    """The likeliest cause with its chance, the runner-up, and all of them. told_apart_by: tests, where neither is sure enough (.6)."""

    key: str
    sentence: str
    chance: float
    second: str | None
    second_sentence: str | None
    second_chance: float
    chances: tuple[tuple[str, float], ...]
    told_apart_by: tuple[str, ...] = ()
    remedy: str = ""
    shared: bool = False

    @property
    def sure(self) -> bool:
        """Whether one cause may be named alone."""
        return self.chance >= 0.6


def weigh_causes(facts: ChangeFacts) -> tuple[tuple[CauseRow, float], ...]:
    """Return the causes with their chances, likeliest first."""
    size = abs(facts.size)
    better = facts.size > 0
    logs: list[tuple[CauseRow, float]] = []
    for row in CAUSES:
        if (better and not row.better) or (not better and not row.worse):
            continue
        ln = math.log(row.prior)
        for key, shift in facts.shifts.items():
            mean, sd = row.shows[key](size) if key in row.shows else (0.0, NULL[key])
            ln += _ln_normal(shift.change, mean, math.hypot(sd, shift.se))
        ln += math.log(row.hours * facts.limited / 0.3 + (1.0 - row.hours) * (1.0 - facts.limited) / 0.7)
        for kind in ("cap", "firmware"):
            chance = 0.97 if row.event == kind else 0.03
            ln += math.log(chance if kind in facts.events else 1.0 - chance)
        if facts.new_cell is not None:
            ln += math.log(row.new_cell if facts.new_cell > 0.7 else 1.0 - row.new_cell)
        ln += facts.ramp if row.ramp else 0.0
        logs.append((row, ln))
    top = max(ln for _, ln in logs)
    total = math.fsum(math.exp(ln - top) for _, ln in logs)
    return tuple(sorted(((row, math.exp(ln - top) / total) for row, ln in logs), key=lambda x: -x[1]))


def named_cause(facts: ChangeFacts) -> CauseAnswer:
    """Return the likeliest cause in words; below .6 with the runner-up and what would tell the two apart."""
    ranked = weigh_causes(facts)
    (row, chance), (second, second_chance) = ranked[0], ranked[1]
    found = _finding(row)
    settle: list[str] = list(found.settle_by) if found is not None else []
    other = _finding(second)
    if other is not None:
        settle += [t for t in other.settle_by if t not in settle]
    return CauseAnswer(
        key=row.key, sentence=row.sentence, chance=chance, second=second.key, second_sentence=second.sentence, second_chance=second_chance,
        chances=tuple((r.key, c) for r, c in ranked), told_apart_by=tuple(settle[:3]) if chance < 0.6 else (), remedy=found.remedy if found is not None else "", shared=row.shared,
    )  # fmt: skip


def _finding(row: CauseRow) -> FindingRow | None:
    return None if row.finding is None else finding_row(row.finding)


def _ln_normal(x: float, mean: float, sd: float) -> float:
    return -0.5 * ((x - mean) / sd) ** 2 - math.log(sd)


def reading_shifts(hours: Sequence[HourRow], *, since_h: float, now_h: float) -> tuple[dict[str, ReadingShift], float | None, float]:
    """Return (shift of each reading, share of the time after on new cells or None, ln ratio of a ramp against a step in RSRP).

    Standard errors come from daily means, with a floor; before is at most 14 days, after at most 7.
    """
    before = [r for r in hours if since_h - _BEFORE_H <= r.at_h < since_h - 1.0]
    after = [r for r in hours if since_h <= r.at_h <= min(now_h, since_h + _AFTER_H)]
    shifts: dict[str, ReadingShift] = {}
    for key, null_sd in NULL.items():
        a, b = _daily(before, key), _daily(after, key)
        if len(a) < 2 or not b:
            continue
        spread = math.sqrt(math.fsum((x - math.fsum(a) / len(a)) ** 2 for x in a) / (len(a) - 1))
        se = math.hypot(spread * math.sqrt(1.0 / len(a) + 1.0 / len(b)), _SE_FLOOR * null_sd)
        shifts[key] = ReadingShift(change=math.fsum(b) / len(b) - math.fsum(a) / len(a), se=se)
    with_cell = [r.cell for r in after if r.cell is not None]
    known = [r.cell for r in before if r.cell is not None]
    usual = {c for c in set(known) if known.count(c) >= 0.03 * len(known)}
    new_cell = sum(c not in usual for c in with_cell) / len(with_cell) if with_cell and known else None
    return shifts, new_cell, _ramp(before[-7 * 24 :] + after, since_h)


def _daily(rows: Sequence[HourRow], key: str) -> list[float]:
    days: dict[int, list[float]] = {}
    for r in rows:
        if key in r.values:
            days.setdefault(int(r.at_h // 24), []).append(r.values[key])
    return [math.fsum(v) / len(v) for v in days.values()]


def _ramp(rows: Sequence[HourRow], since_h: float) -> float:
    """Return how much likelier a straight line is than a step, from six-hour means of RSRP."""
    blocks: dict[int, list[float]] = {}
    for r in rows:
        if "rsrp" in r.values:
            blocks.setdefault(int(r.at_h // _RAMP_STEP_H), []).append(r.values["rsrp"])
    points = [((k + 0.5) * _RAMP_STEP_H, math.fsum(v) / len(v)) for k, v in sorted(blocks.items())]
    n = len(points)
    if n < 8:
        return 0.0
    step = _left_over([(1.0 if t >= since_h else 0.0, y) for t, y in points])
    line = _left_over(points)
    ratio = math.log(max(step, 1e-9) / max(line, 1e-9)) * n / (2.0 * _RAMP_INDEPENDENT)
    return max(-_RAMP_MOST, min(_RAMP_MOST, ratio))


def _left_over(points: Sequence[tuple[float, float]]) -> float:
    """Return the residual sum of squares of a straight line through points."""
    n = len(points)
    mx, my = math.fsum(x for x, _ in points) / n, math.fsum(y for _, y in points) / n
    sxx, sxy = math.fsum((x - mx) ** 2 for x, _ in points), math.fsum((x - mx) * (y - my) for x, y in points)
    slope = sxy / sxx if sxx > 0 else 0.0
    return math.fsum((y - my - slope * (x - mx)) ** 2 for x, y in points)

"""When the watch tests, and how much it may take: light tests at hours that matter, within a share of the plan's volume.

Everything here is a function of the declaration, the date and what is on record, so a restart plans the same day the same way.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from bandwright.words.measurement import Measurement
from bandwright.words.site import Need

__all__ = ["Budget", "budget_of", "extra_times", "planned_times", "spent_mb", "tests_of_day"]

_MOST_TESTS = 8.0  # more buy little but at calm places
_WITHOUT_CAP = 6.0
_MONTH_DAYS = 30.0
_RESERVE = 0.30  # of the allowance, for tests on suspicion


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """What the watch may take. month_mb: None where the plan has no cap. tests_a_day: planned ones.

    Three tenths of the month are kept for tests on suspicion.
    """

    month_mb: float | None
    per_test_mb: float
    tests_a_day: float

    def left_mb(self, spent_mb: float) -> float:
        """Return what is left of the month; without a cap there is no end."""
        return math.inf if self.month_mb is None else self.month_mb - spent_mb

    def extra_left_mb(self, extra_mb: float, *, day: int) -> float:
        """Return what tests on suspicion may still take on a day of the month: the reserve so far, and four days of it ahead."""
        if self.month_mb is None:
            return max(0.0, _WITHOUT_CAP * self.per_test_mb * (day + 4) - extra_mb)
        return _RESERVE * self.month_mb * min(1.0, (day + 4) / _MONTH_DAYS) - extra_mb


def budget_of(*, cap_gb: float | None, share: float, per_test_mb: float, look_mb_a_month: float = 0.0) -> Budget:
    """Return the budget of a plan. look_mb_a_month: what looking at the path takes anyway; it comes out of the same share."""
    if cap_gb is None:
        return Budget(month_mb=None, per_test_mb=per_test_mb, tests_a_day=_WITHOUT_CAP)
    month_mb = max(0.0, share * cap_gb * 1000.0 - look_mb_a_month)
    a_day = month_mb / _MONTH_DAYS / max(per_test_mb, 1e-6)
    return Budget(month_mb=month_mb, per_test_mb=per_test_mb, tests_a_day=min(_MOST_TESTS, (1.0 - _RESERVE) * a_day))


def spent_mb(measurements: Iterable[Measurement], *, month: date, zone: tzinfo) -> float:
    """Return what the watch's own tests took in the calendar month of a local date."""
    total = 0.0
    for m in measurements:
        local = m.at.astimezone(zone)
        if m.fact("watch") is not None and (local.year, local.month) == (month.year, month.month):
            total += m.megabytes
    return total


def tests_of_day(day: date, tests_a_day: float) -> int:
    """Return how many tests a day has: fractions carry over, so that 1.6 a day is 8 in five days."""
    n = day.toordinal()
    return math.floor((n + 1) * tests_a_day) - math.floor(n * tests_a_day)


def planned_times(day: date, tests: int, needs: Sequence[Need], *, zone: tzinfo, seed: int) -> tuple[datetime, ...]:
    """Return the day's test times, UTC: the hours that matter cut into as many equal parts, a random moment in each.

    A day in which no hour matters takes the whole day: a change there is a change too.
    """
    spans = sorted({(a, b) for n in needs for d, a, b in n.hours.spans if d == day.weekday()}) or [(0, 1440)]
    merged: list[list[int]] = []
    for a, b in spans:
        if merged and a <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], b)
        else:
            merged.append([a, b])
    total = sum(b - a for a, b in merged)
    draw = random.Random(f"watch {seed} {day.isoformat()} {tests}")
    out = []
    for i in range(tests):
        left = total * (i + draw.random()) / tests
        for a, b in merged:
            if left < b - a:
                out.append(datetime.combine(day, time.min, zone) + timedelta(minutes=a + left))
                break
            left -= b - a
    return tuple(sorted(t.astimezone(UTC) for t in out))


def extra_times(begin: datetime, tests: int) -> tuple[datetime, ...]:
    """Return times of extra tests after something changed: one an hour."""
    return tuple(begin + timedelta(hours=i, minutes=5) for i in range(tests))


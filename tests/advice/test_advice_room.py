"""Is it the room or the radio: quantiles, rates and the decision, by case."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from bandwright.advice.room import ENOUGH_TIMES, LARGE_RISE_MS, judge_room, quantile, rate_mbps
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.words.room import RoomMeasured

AT = datetime(2026, 11, 3, 18, 0, tzinfo=UTC)


def transfer(mbps: float, *, seconds: float = 3.0, step_ms: float = 25.0) -> tuple[tuple[float, float], ...]:
    return tuple((step_ms * k, 125.0 * mbps * step_ms * k) for k in range(round(1000 * seconds / step_ms) + 1))


def line(down: float = 40.0, up: float = 8.0) -> Measurement:
    return Measurement(key="m", at=AT, method=Method.NEAR_FAR, values=(Value(quantity="goodput_down_mbps", value=down), Value(quantity="goodput_up_mbps", value=up)))


ROOM = RoomMeasured(
    key="r", at=AT, room="kitchen", idle_ms=(40.0, *(3.0 + 0.1 * (k % 7) for k in range(20))), down_ms=tuple(9.0 + k % 5 for k in range(30)), up_ms=tuple(8.0 + k % 4 for k in range(30)),
    down=transfer(120.0), up=transfer(90.0), clock_step_ms=0.1,
)  # fmt: skip


@pytest.mark.parametrize("share", [0.5, 0.95])
@pytest.mark.parametrize("count", [1, 2, 7, 40])
def test_a_quantile_is_numpys(share: float, count: int) -> None:
    values = [random.Random(count).expovariate(1.0) for _ in range(count)]
    found = quantile(values, share)
    assert found is not None
    assert math.isclose(found.value, float(np.quantile(values, share)), rel_tol=1e-12)  # an independent implementation
    assert found.count == count


def test_the_interval_of_a_median_is_that_of_the_sign_test() -> None:
    """Source: the sign test's critical values at 5 % two-sided, 2 for n = 12, 5 for n = 20 (tables of the sign test, from memory)."""
    twelve, twenty = quantile(range(1, 13)), quantile(range(1, 21))
    assert twelve is not None
    assert twenty is not None
    assert (twelve.low, twelve.high) == (3, 10)
    assert (twenty.low, twenty.high) == (6, 15)


def test_few_values_bound_nothing() -> None:
    five, six = quantile([1, 2, 3, 4, 5]), quantile([1, 2, 3, 4, 5, 6])
    assert five is not None
    assert six is not None
    assert (five.low, five.high) == (None, None)  # 2/32 > 5 %
    assert (six.low, six.high) == (1, 6)  # 2/64 < 5 %
    tail = quantile(range(20), 0.95)
    assert tail is not None
    assert tail.low is not None
    assert tail.high is None  # .95^20 = .36: the largest of 20 bounds no 95th percentile
    assert quantile([]) is None


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = random.Random(20261103)
    held = sum((q := quantile([rng.lognormvariate(0, 1) for _ in range(20)])) is not None and q.low is not None and q.high is not None and q.low <= 1.0 <= q.high for _ in range(1000))
    assert held >= 935  # the exact coverage at n = 20 is .9586: 935 is 3.7 sd below


@pytest.mark.parametrize("mbps", [0.8, 24.0, 600.0])
def test_a_steady_transfer_has_its_rate(mbps: float) -> None:
    found = rate_mbps(transfer(mbps))
    assert found is not None
    assert found.count == 10
    assert math.isclose(found.value, mbps, rel_tol=1e-9)
    assert found.low is not None
    assert math.isclose(found.low, mbps, rel_tol=1e-9)


def test_a_slow_start_does_not_count() -> None:
    slow = [(25.0 * k, 0.0) for k in range(20)] + [(500.0 + 25.0 * k, 125.0 * 50 * 25 * k) for k in range(101)]
    found = rate_mbps(slow)
    assert found is not None
    assert math.isclose(found.value, 50.0, rel_tol=1e-6)


@pytest.mark.parametrize("points", [(), ((0.0, 0.0),), ((0.0, 0.0), (3000.0, 0.0)), ((5.0, 0.0), (5.0, 9.0))])
def test_nothing_carried_is_no_rate(points: tuple[tuple[float, float], ...]) -> None:
    assert rate_mbps(points) is None


def test_a_fast_quiet_room_is_not_the_limit() -> None:
    answer = judge_room(ROOM, line())
    assert (answer.kind, answer.narrow, answer.unsure) == ("clear", (), ())
    assert answer.idle_ms is not None
    assert answer.idle_ms.count == 20  # the first fetch opens the connection
    assert answer.idle_ms.value < 4


@pytest.mark.parametrize(("down", "kind"), [(10.0, "limits"), (ENOUGH_TIMES * 40 - 0.5, "limits"), (ENOUGH_TIMES * 40 + 0.5, "clear")])
def test_both_sides_of_the_rate(down: float, kind: str) -> None:
    answer = judge_room(replace(ROOM, down=transfer(down)), line(down=40.0))
    assert answer.kind == kind
    assert answer.narrow == (("down",) if kind == "limits" else ())


@pytest.mark.parametrize(("rise", "kind"), [(LARGE_RISE_MS - 1, "clear"), (LARGE_RISE_MS + 1, "limits")])
def test_both_sides_of_the_delay(rise: float, kind: str) -> None:
    answer = judge_room(replace(ROOM, idle_ms=(4.0,) * 21, up_ms=(4.0 + rise,) * 20), line())
    assert answer.kind == kind
    assert answer.narrow == (("delay_up",) if kind == "limits" else ())


def test_the_upload_alone_can_show_it() -> None:
    assert judge_room(replace(ROOM, up=transfer(6.0)), line(up=8.0)).narrow == ("up",)


def test_a_swinging_rate_across_the_limit_is_left_open() -> None:
    points, octets = [(0.0, 0.0)], 0.0
    for k in range(120):
        octets += 125.0 * 25 * (30.0 if (k // 10) % 2 else 110.0)
        points.append((25.0 * (k + 1), octets))
    answer = judge_room(replace(ROOM, down=tuple(points)), line(down=40.0))
    assert (answer.kind, answer.unsure) == ("may limit", ("down",))


def test_without_a_line_only_the_delay_speaks() -> None:
    assert judge_room(ROOM, None).kind == "no line"
    assert judge_room(replace(ROOM, down_ms=(90.0,) * 30), None).kind == "limits"


def test_what_was_not_measured_speaks_for_nothing() -> None:
    answer = judge_room(RoomMeasured(key="r", at=AT, room="attic"), line())
    assert (answer.kind, answer.down_mbps, answer.idle_ms) == ("too little", None, None)
    few = judge_room(replace(ROOM, down_ms=(500.0,) * 3), line())
    assert few.kind == "clear"  # three round trips bound nothing
    assert few.loaded_down_ms is not None
    assert few.loaded_down_ms.value == 500


def test_a_busy_near_end_is_not_the_rooms_fault() -> None:
    slow = replace(ROOM, down=transfer(10.0), up_ms=(200.0,) * 20)
    assert judge_room(replace(slow, near_end_busy_ratio=0.49), line()).narrow == ("down", "delay_up")
    busy = judge_room(replace(slow, near_end_busy_ratio=0.5), line())
    assert (busy.kind, busy.narrow, busy.unsure) == ("may limit", (), ("down", "delay_up"))


def test_the_computer_itself_and_a_lost_phone_come_first() -> None:
    slow = replace(ROOM, down=transfer(1.0))
    assert judge_room(replace(slow, here=True), line()).kind == "here"
    assert judge_room(replace(slow, ended="down"), line()).kind == "broken"

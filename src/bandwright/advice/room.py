"""Is it the room or the radio: a phone's run against the near end, held against what the line carried.

Quantiles have distribution-free intervals from order statistics (H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed., 7.1; from
memory). They take values as independent, which stretches of one transfer are not quite: so few of them are made of a transfer that
neighbours share little. The two limits below are common practice, no source.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

from bandwright.words.measurement import Measurement
from bandwright.words.room import Quantile, RoomAnswer, RoomKind, RoomMeasured

__all__ = ["BUSY_RATIO", "ENOUGH_TIMES", "LARGE_RISE_MS", "judge_room", "quantile", "rate_mbps"]

ENOUGH_TIMES = 1.5  # a room that carries less than this times the line shows beside it: common practice, no source
LARGE_RISE_MS = 50.0  # a queue of this much inside the house is felt in a call: common practice, no source
BUSY_RATIO = 0.5  # of a core, from which the near end may be the limit itself: common practice, no source
_TAIL = 0.025
_STRETCHES = 10
_RAMP_MS, _RAMP_SHARE = 500.0, 0.2
_State = Literal["narrow", "unsure", "clear"]


def quantile(values: Sequence[float], share: float = 0.5) -> Quantile | None:
    """Return a quantile with its 95 % interval, or None of no values. share: 0..1; an end that no order statistic bounds is None."""
    if not values:
        return None
    ordered, n = sorted(values), len(values)
    at = share * (n - 1)
    below = math.floor(at)
    value = ordered[below] + (at - below) * (ordered[min(below + 1, n - 1)] - ordered[below])
    chances = [math.comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(n + 1)]
    up_to = [math.fsum(chances[: k + 1]) for k in range(n + 1)]
    low = next((ordered[i] for i in range(n - 1, -1, -1) if up_to[i] <= _TAIL), None)
    high = next((ordered[i] for i in range(n) if up_to[i] >= 1 - _TAIL), None)
    return Quantile(value=value, low=low, high=high, count=n)


def rate_mbps(points: Sequence[tuple[float, float]]) -> Quantile | None:
    """Return the rate of a transfer, Mbit/s: the median of up to ten equal stretches after its start-up. points: (ms, octets so far), in order.

    None where nothing was carried, or it was over at once.
    """
    if len(points) < 2 or points[-1][0] <= points[0][0] or points[-1][1] <= points[0][1]:
        return None
    first, last = points[0][0], points[-1][0]
    begin = first + min(_RAMP_MS, _RAMP_SHARE * (last - first))
    seen = sum(t > begin for t, _ in points)
    count = max(1, min(_STRETCHES, seen // 2))
    edges = [begin + (last - begin) * k / count for k in range(count + 1)]
    octets = [_octets(points, t) for t in edges]
    rates = [8e-3 * (b - a) / (last - begin) * count for a, b in pairwise(octets)]
    return quantile(rates)


def judge_room(measured: RoomMeasured, line: Measurement | None) -> RoomAnswer:
    """Return what a run says of the room, held against a measurement of the internet path; None where none is kept."""
    down, up = rate_mbps(measured.down), rate_mbps(measured.up)
    idle = quantile(measured.idle_ms[1:])  # the first opens the connection
    loaded_down, loaded_up = quantile(measured.down_ms), quantile(measured.up_ms)
    states: dict[str, _State | None] = {
        "down": _rate_state(down, line, "goodput_down_mbps"),
        "up": _rate_state(up, line, "goodput_up_mbps"),
        "delay_down": _rise_state(idle, loaded_down),
        "delay_up": _rise_state(idle, loaded_up),
    }
    narrow, unsure = (tuple(key for key, state in states.items() if state == wanted) for wanted in ("narrow", "unsure"))
    if (measured.near_end_busy_ratio or 0.0) >= BUSY_RATIO:  # the near end may have been the narrow place: the room is not blamed for it
        narrow, unsure = (), tuple(key for key in states if key in {*narrow, *unsure})
    compared = states["down"] is not None
    return RoomAnswer(
        measured=measured, kind=_kind(measured, line, narrow=narrow, unsure=unsure, compared=compared), down_mbps=down, up_mbps=up, idle_ms=idle, idle_p95_ms=quantile(measured.idle_ms[1:], 0.95),
        loaded_down_ms=loaded_down, loaded_up_ms=loaded_up, line=line, narrow=narrow, unsure=unsure,
    )  # fmt: skip


def _kind(measured: RoomMeasured, line: Measurement | None, *, narrow: tuple[str, ...], unsure: tuple[str, ...], compared: bool) -> RoomKind:
    if measured.here:
        return "here"
    if measured.ended:
        return "broken"
    if narrow:
        return "limits"
    if line is None:
        return "no line"
    if not compared:
        return "too little"
    return "may limit" if unsure else "clear"


def _rate_state(room: Quantile | None, line: Measurement | None, key: str) -> _State | None:
    carried = line.number(key) if line is not None else None
    if room is None or carried is None:
        return None
    wanted = ENOUGH_TIMES * carried
    if room.high is not None and room.high < wanted:
        return "narrow"
    return "clear" if room.low is not None and room.low >= wanted else "unsure"


def _rise_state(idle: Quantile | None, loaded: Quantile | None) -> _State | None:
    """Too few round trips to bound anything speak neither for nor against."""
    if idle is None or loaded is None or None in {idle.low, idle.high, loaded.low, loaded.high}:
        return None
    least = (loaded.low or 0.0) - (idle.high or 0.0)
    most = (loaded.high or 0.0) - (idle.low or 0.0)
    return "narrow" if least >= LARGE_RISE_MS else "clear" if most < LARGE_RISE_MS else "unsure"


def _octets(points: Sequence[tuple[float, float]], at: float) -> float:
    """Return the octets carried by a moment, on the straight line between what was noted before and after it."""
    k = bisect_right(points, at, key=lambda p: p[0])
    if k == 0:
        return points[0][1]
    if k == len(points):
        return points[-1][1]
    (t0, o0), (t1, o1) = points[k - 1], points[k]
    return o0 + (o1 - o0) * (at - t0) / (t1 - t0)

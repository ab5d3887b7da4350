"""The search for a path's capacity with UDP: what to send next, from what the receiver says each 50 ms. Pure.

The rate is ramped up by 1.6 for each feedback until the path is full: the smallest delay of an interval stands more than 8 ms
above the lowest ever seen, twice running; or, behind a shallow buffer or a policer, what arrives stopped growing while loss rose
by more than 25 points. Then a standing queue of 30 ms is held, and only intervals that had one count. Loss alone never stops the
ramp: a lossy radio is not a full one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import fmean, stdev

from bandwright.probe.wire import Feedback

__all__ = [
    "AHEAD",
    "ENOUGH_S",
    "FULL_MS",
    "GAIN",
    "HIGHEST",
    "LOWEST",
    "RAMP",
    "STANDING_MS",
    "TARGET_MS",
    "CapacityFigures",
    "Interval",
    "Search",
    "capacity_of",
    "maximum_over",
    "start_rate_mbps",
]

RAMP, AHEAD = 1.6, 2.0
FULL_MS, STANDING_MS, TARGET_MS = 8.0, 2.0, 30.0
GAIN, LOWEST, HIGHEST = 0.35, 0.65, 1.25
ENOUGH_S = 0.45
_Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """What passed between two feedbacks. at_s: since the start, at the sender. rate: of IP octets by the receiver's stamps.

    queue_ms: smallest delay above the lowest ever seen. loss: None where too few packets were due to tell.
    full: the path was full. counted: with a standing queue (or, behind a shallow buffer, with its loss).
    """

    at_s: float
    seconds: float
    octets: int
    sent_mbps: float
    rate_mbps: float
    queue_ms: float
    spread_ms: float
    loss: float | None
    full: bool
    counted: bool


@dataclass(slots=True)
class Search:
    """Decides the rate of the sender. `take` each feedback; `rate_mbps` is what to send at; `is_done` when enough was seen."""

    rate_mbps: float
    max_mbps: float
    enough_s: float = ENOUGH_S
    trace: list[Interval] = field(default_factory=list)
    by_loss: bool = False
    _last: Feedback | None = None
    _lowest_ns: int | None = None
    _full: bool = False
    _standing: int = 0
    _empty: int = 0
    _wasted: int = 0
    _baseline: float = 0.0
    _best_mbps: float = 0.0
    _losses: list[float] = field(default_factory=list)
    _counted_s: float = 0.0

    @property
    def is_done(self) -> bool:
        """Whether the path was seen full for long enough."""
        return self._counted_s >= self.enough_s

    def take(self, feedback: Feedback, *, at_s: float) -> None:
        """Take a feedback and decide the next rate. One that is older than the last is dropped."""
        last = self._last
        if last is not None and feedback.seq <= last.seq:
            return
        if feedback.fresh == 0 or feedback.packets == 0:
            return
        self._last = feedback
        self._lowest_ns = feedback.min_delay_ns if self._lowest_ns is None else min(self._lowest_ns, feedback.min_delay_ns)
        if last is None or feedback.last_ns <= last.last_ns:
            self._next_rate(rate=None, queue_ms=0.0, may_be_full=False)
            return
        self._judge(last, feedback, at_s)

    def _judge(self, last: Feedback, now: Feedback, at_s: float) -> None:
        seconds = (now.last_ns - last.last_ns) * 1e-9
        octets, due, came = now.octets - last.octets, now.highest_seq - last.highest_seq, now.packets - last.packets
        rate = octets * 8 / seconds / 1e6
        queue_ms = (now.min_delay_ns - (self._lowest_ns or 0)) * 1e-6
        loss = max(0.0, 1 - came / due) if due >= 10 else None
        baseline = self._baseline = min(self._losses[:4], default=0.0)
        stopped_growing = loss is not None and due >= 20 and loss > 0.25 and rate < 1.1 * self._best_mbps
        self._wasted = self._wasted + 1 if stopped_growing else 0
        lossy = loss is not None and stopped_growing and (loss > baseline + 0.25 or (loss > 0.5 and self._wasted >= 2))
        self._standing = self._standing + 1 if queue_ms > FULL_MS else 0
        became_full = not self._full and (self._standing >= 2 or lossy)
        if became_full:
            self._full, self.by_loss, self._empty = True, lossy and self._standing < 2, 0
        elif not self._full and loss is not None:
            self._losses.append(loss)
        holds = queue_ms > STANDING_MS or (self.by_loss and loss is not None and loss > baseline + 0.03)
        counted = self._full and not became_full and holds
        self._counted_s += seconds if counted else 0.0
        self._best_mbps = max(self._best_mbps, rate)
        self.trace.append(
            Interval(
                at_s=at_s,
                seconds=seconds,
                octets=octets,
                sent_mbps=self.rate_mbps,
                rate_mbps=rate,
                queue_ms=queue_ms,
                spread_ms=(now.max_delay_ns - now.min_delay_ns) * 1e-6,
                loss=loss,
                full=self._full,
                counted=counted,
            )
        )
        self._next_rate(rate=rate, queue_ms=queue_ms, may_be_full=self._standing > 0 or stopped_growing)
        if self._full and not holds:
            self._empty += 1
            if self._empty >= 4:  # it was not full after all, or it became faster
                self._full, self._standing, self._counted_s = False, 0, 0.0
        else:
            self._empty = 0

    def _next_rate(self, *, rate: float | None, queue_ms: float, may_be_full: bool) -> None:
        if rate is None or not self._full:
            if not may_be_full:  # else: wait for the second sign, and do not pour more in meanwhile
                faster = self.rate_mbps * RAMP
                # feedback is a round trip old: what arrives tells how far the ramp may run ahead of it
                self.rate_mbps = min(self.max_mbps, faster if rate is None else max(self.rate_mbps, min(faster, AHEAD * rate / (1 - min(0.9, self._baseline)))))
            return
        factor = min(HIGHEST, max(LOWEST, 1 + GAIN * (TARGET_MS - queue_ms) / TARGET_MS))
        self.rate_mbps = min(self.max_mbps, rate / (1 - min(0.9, self._baseline)) * factor)


def start_rate_mbps(*, train_mbps: float | None, stated_mbps: float | None, floor_mbps: float = 0.3) -> float:
    """Return where the ramp begins: half of what a train of packets suggests, never above half of what is stated or expected.

    Where nothing is stated, never above 30 Mbit/s, and 1 where the train told nothing either.

    A train is a hint and no result: behind a policer or burst credit it can be wrong a hundred times over.
    """
    guesses = [g / 2 for g in (train_mbps, stated_mbps) if g is not None and g > 0]
    return max(floor_mbps, min([*guesses, *([] if stated_mbps else [30.0 if train_mbps else 1.0])]))


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityFigures:
    """Capacity of the IP layer as the mean over the counted intervals, with its 95 % interval, and the loss in them."""

    mbps: float
    low: float
    high: float
    seconds: float
    loss: float
    queue_ms: float


def capacity_of(trace: Sequence[Interval]) -> CapacityFigures | None:
    """Return the capacity that a search found, or None where the path was never held full for two intervals.

    The intervals since the path was last found full count.
    """
    begin = max((i for i, x in enumerate(trace) if not x.full), default=-1) + 1
    counted = [x for x in trace[begin:] if x.counted]
    if len(counted) < 2:
        return None
    seconds = sum(x.seconds for x in counted)
    mean = sum(x.octets for x in counted) * 8 / seconds / 1e6
    half = _Z95 * stdev(x.rate_mbps for x in counted) / len(counted) ** 0.5
    losses = [x.loss for x in counted if x.loss is not None]
    return CapacityFigures(
        mbps=mean,
        low=max(0.0, mean - half),
        high=mean + half,
        seconds=seconds,
        loss=fmean(losses) if losses else 0.0,
        queue_ms=fmean(x.queue_ms for x in counted),
    )


def maximum_over(trace: Sequence[Interval], *, sub_interval_s: float) -> float | None:
    """Return the greatest IP-layer rate over any run of intervals that lasts sub_interval_s or a little more.

    This is the metric of RFC 9097 where the sub-interval is 1 s; None where the trace is shorter.
    """
    best: float | None = None
    for i in range(len(trace)):
        seconds = octets = 0.0
        for x in trace[i:]:
            seconds += x.seconds
            octets += x.octets
            if seconds >= sub_interval_s:
                rate = octets * 8 / seconds / 1e6
                best = rate if best is None else max(best, rate)
                break
    return best

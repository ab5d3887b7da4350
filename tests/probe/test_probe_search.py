"""The UDP search against a simulated link: what it finds, what it costs, and what it must never report."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, field

import pytest

from bandwright.probe.search import Search, capacity_of, maximum_over, start_rate_mbps
from bandwright.probe.wire import Feedback

PACKET = 1228  # IP octets


@dataclass
class _Link:
    """A link of known rate with a drop-tail queue, and a receiver that feeds back each 50 ms. Time in s, rate in Mbit/s."""

    rate: float
    round_trip: float
    buffer: float
    loss: float = 0.0
    police: bool = False
    peak: float = 0.0
    credit_mb: float = 0.0
    rng: random.Random = field(default_factory=lambda: random.Random(1))
    free: float = 0.0
    sequence: int = 0
    arrivals: list[tuple[float, int, float]] = field(default_factory=list)

    def send(self, now: float) -> None:
        sequence, self.sequence = self.sequence, self.sequence + 1
        if self.rng.random() < self.loss:
            return
        rate = self.peak if len(self.arrivals) * PACKET < self.credit_mb * 1e6 else self.rate
        start = max(now, self.free)
        if start - now + PACKET * 8e-6 / rate > max(0.010 if self.police else self.buffer, 3 * PACKET * 8e-6 / rate):
            return
        self.free = start + PACKET * 8e-6 / rate
        self.arrivals.append(((now if self.police else self.free) + self.round_trip / 2, sequence, now))


def _search(link: _Link, *, stated: float | None = None, seconds: float = 1.6, dead_after: float = 9.0) -> tuple[Search, float, float]:
    """Run a search over a link; return it, the time it took, and MB sent per Mbit/s of the link."""
    for _ in range(10):
        link.send(0.0)
    search: Search | None = None
    feedbacks: deque[tuple[float, Feedback]] = deque()
    now = last = credit = 0.0
    next_say, taken, octets, highest, said = link.round_trip / 2 + 0.05, 0, 0, -1, 0
    while now < seconds:
        now += 0.001
        if next_say <= now:
            fresh = [a for a in link.arrivals[taken:] if a[0] <= next_say]
            if fresh and now < dead_after:
                taken, said, octets = taken + len(fresh), said + 1, octets + len(fresh) * PACKET
                highest = max(highest, *(a[1] for a in fresh))
                delays = [round((a[0] - a[2]) * 1e9) for a in fresh]
                said_now = Feedback(
                    seq=said,
                    packets=taken,
                    octets=octets,
                    highest_seq=highest,
                    min_delay_ns=min(delays),
                    max_delay_ns=max(delays),
                    last_ns=round(fresh[-1][0] * 1e9),
                    fresh=len(fresh),
                )
                feedbacks.append((next_say + link.round_trip / 2, said_now))
            next_say += 0.05
        while feedbacks and feedbacks[0][0] <= now:
            feedback = feedbacks.popleft()[1]
            if search is None:
                spread = feedback.max_delay_ns - feedback.min_delay_ns
                train = (feedback.packets - 1) * PACKET * 8e3 / spread if feedback.packets >= 3 and spread else None
                search = Search(rate_mbps=start_rate_mbps(train_mbps=train, stated_mbps=stated), max_mbps=10_000)
                last = now
            search.take(feedback, at_s=now)
        if search is not None:
            if search.is_done:
                break
            credit, last = credit + search.rate_mbps * 1e6 / 8 * (now - last), now
            while credit >= PACKET:
                link.send(now)
                credit -= PACKET
    assert search is not None
    return search, now, link.sequence * PACKET / 1e6 / link.rate


@pytest.mark.parametrize(
    ("rate", "round_trip_ms", "buffer_ms"), [(0.5, 40, 200), (3, 100, 500), (10, 60, 100), (20, 10, 50), (50, 40, 10), (100, 80, 300), (300, 20, 50)]
)
@pytest.mark.parametrize("knows", [False, True])
def test_a_plain_link_is_found_within_half_a_per_cent(rate: float, round_trip_ms: float, buffer_ms: float, knows: bool) -> None:
    search, seconds, cost = _search(_Link(rate, round_trip_ms / 1e3, buffer_ms / 1e3), stated=rate if knows else None)
    figures = capacity_of(search.trace)
    assert figures is not None
    assert figures.mbps == pytest.approx(rate, rel=0.005)  # one packet in 0.4 s at 0.5 Mbit/s is 0.6 %; elsewhere far less
    assert seconds < 1.3
    assert cost < 0.14  # MB per Mbit/s


@pytest.mark.parametrize("loss", [0.01, 0.05, 0.3])
def test_loss_alone_does_not_stop_the_ramp(loss: float) -> None:
    search, _, _ = _search(_Link(50, 0.04, 0.2, loss=loss))
    figures = capacity_of(search.trace)
    assert figures is not None
    assert figures.mbps == pytest.approx(50, rel=0.01)
    assert not search.by_loss


@pytest.mark.parametrize("rate", [3.0, 10.0, 50.0])
def test_a_policer_is_found_by_its_loss_and_not_flooded(rate: float) -> None:
    search, _, cost = _search(_Link(rate, 0.04, 0.0, police=True))
    figures = capacity_of(search.trace)
    assert figures is not None
    assert figures.mbps == pytest.approx(rate, rel=0.01)
    assert cost < 0.5


def test_burst_credit_shows_as_a_trace_that_falls() -> None:
    from bandwright.probe.series import late_drop

    link = _Link(20, 0.04, 0.1, peak=200, credit_mb=6)
    search, _, _ = _search(link, seconds=2.5)
    rates = [x.rate_mbps for x in search.trace if x.full]
    figures = capacity_of(search.trace)
    # Either the search went on past the credit and says the shaper's rate, or it ended within it: then the plan's stated rate is the only witness.
    assert figures is not None
    assert figures.mbps == pytest.approx(20, rel=0.03) or figures.mbps == pytest.approx(200, rel=0.03) or late_drop(rates) is not None


def test_a_line_never_seen_full_gives_no_capacity() -> None:
    search, _, _ = _search(_Link(300, 0.04, 0.2), seconds=0.4)
    assert capacity_of(search.trace) is None


def test_old_and_empty_feedback_changes_nothing() -> None:
    search = Search(rate_mbps=1.0, max_mbps=10.0)
    one = Feedback(seq=5, packets=10, octets=12280, highest_seq=9, min_delay_ns=0, max_delay_ns=1, last_ns=1, fresh=10)
    search.take(one, at_s=0.1)
    rate = search.rate_mbps
    search.take(one, at_s=0.2)
    search.take(Feedback(seq=6, packets=10, octets=12280, highest_seq=9, min_delay_ns=0, max_delay_ns=0, last_ns=1, fresh=0), at_s=0.2)
    assert (search.rate_mbps, search.trace) == (rate, [])


def test_the_start_is_half_of_a_hint_and_never_a_flood() -> None:
    assert start_rate_mbps(train_mbps=40, stated_mbps=None) == 20
    assert start_rate_mbps(train_mbps=5300, stated_mbps=None) == 30  # a train behind a policer
    assert start_rate_mbps(train_mbps=5300, stated_mbps=50) == 25
    assert start_rate_mbps(train_mbps=None, stated_mbps=None) == 1
    assert start_rate_mbps(train_mbps=0.1, stated_mbps=0) == 0.3


def test_the_greatest_rate_over_a_sub_interval() -> None:
    # RFC 9097, 5.3: the maximum over the sub-intervals; here each interval is 50 ms
    search, _, _ = _search(_Link(50, 0.04, 0.2))
    assert maximum_over(search.trace, sub_interval_s=0.4) == pytest.approx(50, rel=0.01)
    assert maximum_over(search.trace, sub_interval_s=5.0) is None

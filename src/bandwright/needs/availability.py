"""Outages and availability: from polls of the service to outages with start, end and phase, and from outages to a share with its interval.

A poll says whether there was service, and if not, in which phase it failed. An outage begins and ends midway between the polls that
differ. Time in which nobody looked (the watcher slept, or was off) is not observed: neither up nor down. The interval takes outages
less than six hours apart as one episode, because they come in clusters, and draws how often episodes come and how long they last;
taking minutes as independent covers the truth in one case of seven where it should in nine of ten (tests/needs, bench/watch_outages.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

from bandwright.errors import UsageError
from bandwright.words.site import Hours

__all__ = ["FEW_EPISODES", "PHASES", "Availability", "HourAvailability", "Observed", "Outage", "OutageFold", "Poll", "availability", "availability_by_hour", "outages_of", "unavailability_interval"]

PHASES: Final = ("gateway", "radio", "registration", "address", "names", "far end")  # the first that fails is named
FEW_EPISODES: Final = 5
_TOGETHER: Final = timedelta(hours=6)
_PRIOR_WEIGHT, _PRIOR_SD, _MOST_SD = 6.0, 1.5, 2.5  # of ln lengths of episodes
_UPPER_EPISODES, _UPPER_MINUTES = 3.0, 10.0  # with fewer than two episodes: the usual "rule of three", of a usual length
_DRAWS: Final = 20_000


@dataclass(frozen=True, slots=True)
class Poll:
    """One look at the service. at: wall time, UTC. phase: the first of PHASES that failed, or None for service. elapsed_s: on a clock that never steps."""

    at: datetime
    phase: str | None
    elapsed_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A time without service. give_or_take_s: start and end each lie within so much. end: None while it lasts.

    open_start, open_end: nobody looked just before or after, so it may have been longer. polls: how many looks it failed.
    """

    start: datetime
    end: datetime | None
    phase: str
    start_give_or_take_s: float
    end_give_or_take_s: float | None = None
    polls: int = 1
    open_start: bool = False
    open_end: bool = False

    @property
    def seconds(self) -> float | None:
        """How long it lasted, or None while it lasts."""
        return None if self.end is None else (self.end - self.start).total_seconds()


@dataclass(frozen=True, slots=True)
class Observed:
    """A stretch of time in which the service was looked at."""

    start: datetime
    end: datetime


class OutageFold:
    """Polls in, outages and observed stretches out; it keeps no more than the last poll and the open outage.

    gap_s: a longer silence between polls is time in which nobody looked. Lengths are taken from the clock that never steps, and stretches
    are laid on wall time from their beginning, so that a clock set an hour back makes no outage and hides none.
    """

    def __init__(self, *, gap_s: float = 150.0) -> None:
        self.gap_s = gap_s
        self._last: Poll | None = None
        self._began: Poll | None = None  # of the observed stretch
        self._down: Poll | None = None  # first failed poll of the open outage
        self._down_from: tuple[datetime, float, bool] | None = None  # start, give or take, open
        self._polls = 0

    @property
    def is_down(self) -> bool:
        """Whether the last poll failed."""
        return self._down is not None

    def _time(self, elapsed_s: float) -> datetime:
        """Return the wall time of the stretch's own scale."""
        began = self._began
        if began is None:
            raise UsageError("a time before the first poll")
        return began.at + timedelta(seconds=elapsed_s - began.elapsed_s)

    def poll(self, poll: Poll) -> tuple[Outage | Observed, ...]:
        """Take a poll; returns an outage that ended, and a stretch that ended where nobody looked since."""
        last = self._last
        out: list[Outage | Observed] = []
        if last is not None and poll.elapsed_s - last.elapsed_s > self.gap_s:
            out += self.close()
            last = None
        if last is None:
            self._began = poll
        if poll.phase is not None:
            if self._down is None:
                half = (poll.elapsed_s - last.elapsed_s) / 2.0 if last is not None else 0.0
                self._down, self._down_from, self._polls = poll, (self._time(poll.elapsed_s - half), half, last is None), 0
            self._polls += 1
        elif self._down is not None and last is not None:
            half = (poll.elapsed_s - last.elapsed_s) / 2.0
            out.append(self._ended(self._time(poll.elapsed_s - half), half, open_end=False))
        self._last = poll
        return tuple(out)

    def close(self) -> tuple[Outage | Observed, ...]:
        """End the stretch at the last poll: the watcher stops, or nobody looked since. An open outage ends there too, open-ended."""
        out: list[Outage | Observed] = []
        if self._last is not None and self._began is not None:
            end = self._time(self._last.elapsed_s)
            if self._down is not None:
                out.append(self._ended(end, 0.0, open_end=True))
            if end > self._began.at:
                out.append(Observed(self._began.at, end))
        self._last = self._began = None
        return tuple(out)

    def so_far(self) -> tuple[Outage | None, Observed | None]:
        """Return the open outage and the open stretch."""
        if self._last is None or self._began is None:
            return None, None
        open_outage = None
        if self._down is not None and self._down_from is not None:
            start, half, open_start = self._down_from
            open_outage = Outage(start=start, end=None, phase=self._down.phase or "radio", start_give_or_take_s=half, polls=self._polls, open_start=open_start)
        return open_outage, Observed(self._began.at, self._time(self._last.elapsed_s))

    def _ended(self, end: datetime, half: float, *, open_end: bool) -> Outage:
        down, begun = self._down, self._down_from
        if down is None or begun is None:
            raise UsageError("an outage that has not begun")
        start, start_half, open_start = begun
        self._down = self._down_from = None
        return Outage(
            start=start, end=end, phase=down.phase or "radio", start_give_or_take_s=start_half, end_give_or_take_s=half, polls=self._polls, open_start=open_start, open_end=open_end
        )  # fmt: skip


def outages_of(polls: Sequence[Poll], *, gap_s: float = 150.0) -> tuple[tuple[Outage, ...], tuple[Observed, ...]]:
    """Return the outages and the observed stretches of polls in order of elapsed time; the last stretch ends at the last poll."""
    fold = OutageFold(gap_s=gap_s)
    found: list[Outage | Observed] = []
    for poll in polls:
        found += fold.poll(poll)
    found += fold.close()
    return tuple(f for f in found if isinstance(f, Outage)), tuple(f for f in found if isinstance(f, Observed))


@dataclass(frozen=True, slots=True, kw_only=True)
class Availability:
    """The share of observed time with service, in certain hours, and its 90 % interval (of the long run, not of these days).

    few: fewer than five episodes, so too short a watch to say more than "about". Values are ratios 0..1.
    """

    label: str
    share: float
    low: float
    high: float
    observed_h: float
    down_s: float
    outages: int
    episodes: int
    few: bool
    level: float = 0.90


@dataclass(frozen=True, slots=True, kw_only=True)
class HourAvailability:
    """One hour of the day: observed hours, seconds without service, share (None where it was never observed)."""

    hour: int
    observed_h: float
    down_s: float
    share: float | None


def availability(outages: Sequence[Outage], observed: Sequence[Observed], *, hours: Hours | None, zone: tzinfo, label: str, now: datetime | None = None, seed: int = 0) -> Availability:
    """Return the availability in the hours of a need (None: all hours). now: end of an outage that lasts; it may then not be None.

    The interval: rate of episodes ~ Gamma(K + 1/2) / T; ln of their length normal with the sample's mean and its variance drawn with a
    prior of six episodes of sd 1.5; unavailability = rate x mean length, its 5 and 95 %. Raises UsageError where nothing was observed.
    """
    total_s = math.fsum(_overlap_s(o.start, o.end, hours, zone) for o in observed)
    if total_s <= 0.0:
        raise UsageError("availability", given=f"no observed time in {label}", allowed="some observed time")
    spans = [(o.start, end) for o in outages if (end := o.end or now) is not None]
    down = [(start, end, s) for start, end in spans if (s := _overlap_s(start, end, hours, zone)) > 0.0]
    down_s = min(total_s, math.fsum(s for _, _, s in down))
    lengths = _episode_seconds(down)
    low_u, high_u = unavailability_interval(lengths, observed_s=total_s, seed=seed)
    share = 1.0 - down_s / total_s
    return Availability(
        label=label, share=share, low=min(share, 1.0 - high_u), high=max(share, 1.0 - low_u), observed_h=total_s / 3600.0, down_s=down_s, outages=len(down),
        episodes=len(lengths), few=len(lengths) < FEW_EPISODES,
    )  # fmt: skip


def _episode_seconds(down: Sequence[tuple[datetime, datetime, float]]) -> list[float]:
    out: list[float] = []
    last: datetime | None = None
    for start, end, seconds in sorted(down):
        if last is not None and start - last < _TOGETHER:
            out[-1] += seconds
        else:
            out.append(seconds)
        last = end if last is None else max(last, end)
    return out


def unavailability_interval(lengths: Sequence[float], *, observed_s: float, seed: int = 0, draws: int = _DRAWS) -> tuple[float, float]:
    """Return the 5 and 95 % of the long-run share of time without service, given the lengths of episodes (s) in a time observed (s)."""
    k = len(lengths)
    if k < 2:
        upper = _UPPER_EPISODES * max(60.0 * _UPPER_MINUTES, *lengths, 0.0) / observed_s
        return 0.0, min(1.0, upper)
    import numpy as np

    rng = np.random.default_rng([seed, 6007])
    ln = np.log(np.maximum(np.asarray(lengths, dtype=float), 1.0))
    freedom = k + _PRIOR_WEIGHT
    s2 = (float(((ln - ln.mean()) ** 2).sum()) + _PRIOR_WEIGHT * _PRIOR_SD**2) / freedom
    sd = np.minimum(np.sqrt(s2 * freedom / rng.chisquare(freedom, draws)), _MOST_SD)
    mean = ln.mean() + sd / math.sqrt(k) * rng.standard_normal(draws)
    rate = rng.gamma(k + 0.5, size=draws) / observed_s
    low, high = np.quantile(rate * np.exp(mean + sd**2 / 2.0), (0.05, 0.95))
    return min(1.0, float(low)), min(1.0, float(high))


def availability_by_hour(outages: Sequence[Outage], observed: Sequence[Observed], *, zone: tzinfo, now: datetime | None = None) -> tuple[HourAvailability, ...]:
    """Return the availability in each hour of the local day."""
    seen, down = [0.0] * 24, [0.0] * 24
    for o in observed:
        _by_hour(seen, o.start, o.end, zone)
    for outage in outages:
        end = outage.end or now
        if end is not None:
            _by_hour(down, outage.start, end, zone)
    return tuple(HourAvailability(hour=h, observed_h=seen[h] / 3600.0, down_s=down[h], share=None if seen[h] <= 0.0 else max(0.0, 1.0 - down[h] / seen[h])) for h in range(24))


def _pieces(start: datetime, end: datetime, zone: tzinfo, take: Callable[[datetime, float], None]) -> None:
    """Cut a stretch at the full local hours and hand over each piece with its local time."""
    at = start
    while at < end:
        local = at.astimezone(zone)
        left_s = 3600.0 - local.minute * 60.0 - local.second - local.microsecond / 1e6
        upto = min(end, at + timedelta(seconds=max(left_s, 1e-3)))
        take(local, (upto - at).total_seconds())
        at = upto


def _by_hour(into: list[float], start: datetime, end: datetime, zone: tzinfo) -> None:
    def take(local: datetime, seconds: float) -> None:
        into[local.hour] += seconds

    _pieces(start, end, zone, take)


def _overlap_s(start: datetime, end: datetime, hours: Hours | None, zone: tzinfo) -> float:
    """Return how many seconds of a stretch lie in the hours that matter."""
    if hours is None:
        return (end - start).total_seconds()
    total = 0.0

    def take(local: datetime, seconds: float) -> None:
        nonlocal total
        low = local.hour * 60.0 + local.minute + (local.second + local.microsecond / 1e6) / 60.0
        high = low + seconds / 60.0
        total += math.fsum(max(0.0, min(high, b) - max(low, a)) * 60.0 for d, a, b in hours.spans if d == local.weekday())

    _pieces(start, end, zone, take)
    return total

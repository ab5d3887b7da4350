"""From raw series to figures: pure functions of numbers, tested on recorded series.

A load's samples are (time in ns, octets so far); a delay stream's rows are (sequence, sent ns, round trip ns, there ns, back ns,
reflector's sequence). Rates are in Mbit/s, delays in ms, windows in ns of the monotonic clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median, stdev

__all__ = [
    "BIN_NS",
    "DelayFigures",
    "RateFigures",
    "Row",
    "Sample",
    "bursts",
    "delay_figures",
    "figures_of_rate",
    "late_drop",
    "percentile",
    "ramp_end",
    "rates_per_bin",
    "round_trips_per_minute",
    "seconds_worth",
    "still_rising",
    "trimmed_mean",
    "variation_above_minimum_ms",
    "wilson",
]

BIN_NS = 100_000_000
_Z95 = 1.959963984540054

Sample = tuple[int, int]
Row = tuple[int, int, int, int, int, int]


def wilson(*, events: int, of: int) -> tuple[float, float]:
    """Return the 95 % Wilson score interval of a share. of: how many there were, > 0.

    Source: Wilson, JASA 22 (1927), 209.
    """
    if of <= 0 or not 0 <= events <= of:
        raise ValueError(f"events={events} of={of}")
    p, z2 = events / of, _Z95**2
    middle = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z95 / (1 + z2 / of) * math.sqrt(p * (1 - p) / of + z2 / (4 * of * of))
    return (middle - half if events else 0.0), (middle + half if events < of else 1.0)


def percentile(values: Sequence[float], share: float) -> float:
    """Return the percentile by linear interpolation between order statistics. share: 0..1; values: not empty."""
    ordered = sorted(values)
    at = share * (len(ordered) - 1)
    low = math.floor(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (at - low)


def rates_per_bin(samples: Sequence[Sample], *, bin_ns: int = BIN_NS) -> list[float]:
    """Return the rate in each whole bin from the first sample on, octets interpolated at the bins' edges."""
    if len(samples) < 2:
        return []
    start, end = samples[0][0], samples[-1][0]
    edges = range(start, end + 1, bin_ns)
    octets, i = [], 0
    for edge in edges:
        while samples[i + 1][0] < edge and i + 2 < len(samples):
            i += 1
        (t0, o0), (t1, o1) = samples[i], samples[i + 1]
        octets.append(o0 + (o1 - o0) * (edge - t0) / (t1 - t0) if t1 > t0 else float(o0))
    return [(b - a) * 8e3 / bin_ns for a, b in pairwise(octets)]


def ramp_end(rates: Sequence[float]) -> int:
    """Return how many bins at the start belong to the ramp.

    The reference is the median of the later half; the ramp ends with the first bin of at least 0.9 of it, and takes one bin more.
    A falling end is never cut: a burst credit shows there. At least one bin is left.
    """
    if not rates:
        return 0
    reference = median(rates[len(rates) // 2 :])
    first = next((i for i, r in enumerate(rates) if r >= 0.9 * reference), 0)
    return min(first + 1, len(rates) - 1)


def still_rising(rates: Sequence[float]) -> bool:
    """Whether a load ended before its ramp did: by its end no bin fell, and its last quarter had more than the quarter before.

    A quarter more is asked for, half as much more of a load so short that chance could order its bins. Below four bins nothing is claimed.
    """
    quarter = max(2, len(rates) // 4)
    end = rates[-2 * quarter :]
    if len(end) < 4 or min(end) < 0:
        return False
    if quarter == 2 and end[-1] < 1.2 * end[-3]:
        return False  # the first bins waited for the first round trip; the later ones held
    more = 1.25 if quarter > 2 else 1.5
    return all(b >= 0.98 * a for a, b in pairwise(end)) and fmean(end[quarter:]) > more * fmean(end[:quarter])


def seconds_worth(samples: Sequence[Sample], octets_sent: float) -> float:
    """Return how many seconds of the line's own rate so many octets are, from what was delivered so far.

    The rate is the median of the later half of the bins or the last one, whichever is more: while a ramp doubles it each round trip, all
    that was sent is worth little of it. 0 until two bins after the ramp were seen.
    """
    rates = rates_per_bin(samples)
    if len(rates) - ramp_end(rates) < 2:
        return 0.0
    rate = max(median(rates[len(rates) // 2 :]), rates[-1])
    return octets_sent * 8e-6 / rate if rate > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RateFigures:
    """A rate with its 95 % interval as the mean of that moment, and the time it is the mean of."""

    mbps: float
    low: float
    high: float
    from_ns: int
    to_ns: int
    variation: float  # standard deviation of its 100 ms bins over their mean
    bins: int


def figures_of_rate(samples: Sequence[Sample]) -> RateFigures | None:
    """Return the mean rate after the ramp, or None where fewer than two whole bins were seen."""
    rates = rates_per_bin(samples)
    if len(rates) < 2:
        return None
    cut = ramp_end(rates)
    kept = rates[cut:]
    mean = fmean(kept)
    spread = stdev(kept) if len(kept) > 1 else 0.0
    half = _Z95 * spread / math.sqrt(_effective_count(kept))
    start = samples[0][0]
    return RateFigures(
        mbps=mean,
        low=max(0.0, mean - half),
        high=mean + half,
        from_ns=start + cut * BIN_NS,
        to_ns=start + len(rates) * BIN_NS,
        variation=spread / mean if mean > 0 else 0.0,
        bins=len(kept),
    )


def _effective_count(values: Sequence[float]) -> float:
    """Return how many independent values so many correlated ones are worth (first-order autocorrelation, kept within 0..0.9)."""
    n = len(values)
    if n < 4:
        return float(n)
    mean = fmean(values)
    power = sum((v - mean) ** 2 for v in values)
    if power <= 0:
        return float(n)
    r = sum((a - mean) * (b - mean) for a, b in pairwise(values)) / power
    r = min(0.9, max(0.0, r))
    return max(1.0, n * (1 - r) / (1 + r))


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayFigures:
    """Delay and loss of the packets sent in one window."""

    sent: int
    lost: int
    lost_there: int | None  # between near end and reflector; None where that cannot be told
    median_ms: float
    mean_ms: float
    low_ms: float
    high_ms: float
    p95_ms: float
    p99_ms: float
    minimum_ms: float
    variation_there_ms: float  # 95th percentile above its own minimum (RFC 5481, PDV)
    variation_back_ms: float
    longest_burst: int


def delay_figures(sent: Sequence[int], rows: Sequence[Row], *, from_ns: int, to_ns: int, unknown: frozenset[int] = frozenset()) -> DelayFigures | None:
    """Return the figures of packets sent in [from_ns, to_ns), or None where none was answered.

    sent: send times by sequence; unknown: sequences whose delay and fate cannot be told (a step of the clock).
    """
    asked = [s for s, at in enumerate(sent) if from_ns <= at < to_ns and s not in unknown]
    here = {r[0]: r for r in rows}
    got = [here[s] for s in asked if s in here]
    if not got:
        return None
    trips = [r[2] * 1e-6 for r in got]
    half = _Z95 * stdev(trips) / math.sqrt(_effective_count(trips)) if len(trips) > 1 else 0.0
    mean = fmean(trips)
    return DelayFigures(
        sent=len(asked),
        lost=len(asked) - len(got),
        lost_there=_lost_there(asked, here),
        median_ms=median(trips),
        mean_ms=mean,
        low_ms=mean - half,
        high_ms=mean + half,
        p95_ms=percentile(trips, 0.95),
        p99_ms=percentile(trips, 0.99),
        minimum_ms=min(trips),
        variation_there_ms=percentile(variation_above_minimum_ms([(r[1], r[3]) for r in got]), 0.95),
        variation_back_ms=percentile(variation_above_minimum_ms([(r[1], r[4]) for r in got]), 0.95),
        longest_burst=max(bursts([s not in here for s in asked]), default=0),
    )


def _lost_there(asked: Sequence[int], here: dict[int, Row]) -> int | None:
    """Return how many of the asked packets never reached the reflector, from its own numbering of what it answered.

    Between two answers that came back, the reflector's numbers tell how many it sent; what the near end sent between them and
    the reflector did not number was lost on the way there. Packets before the first and after the last answer are left out.
    """
    back = [s for s in asked if s in here]
    if len(back) < 2:
        return None
    first, last = back[0], back[-1]
    sent_between = last - first
    answered_between = here[last][5] - here[first][5]
    return max(0, sent_between - answered_between)


def bursts(lost: Sequence[bool]) -> list[int]:
    """Return the lengths of the runs of lost packets."""
    out, run = [], 0
    for is_lost in [*lost, False]:
        if is_lost:
            run += 1
        elif run:
            out.append(run)
            run = 0
    return out


def variation_above_minimum_ms(points: Sequence[tuple[int, int]]) -> list[float]:
    """Return each one-way delay above the least of them, in ms. points: (time ns, delay ns of two unset clocks).

    Where the points span more than 20 s the clocks' drift (50 ppm is 3 ms a minute) is first taken out along the lower
    envelope: a line through the least delay of the first and of the last third. Source: RFC 5481 (PDV).
    """
    if not points:
        return []
    delays = [float(d) for _, d in points]
    start, span = points[0][0], points[-1][0] - points[0][0]
    if span > 20_000_000_000:
        early = min((p for p in points if p[0] - start <= span / 3), key=lambda p: p[1])
        late = min((p for p in points if p[0] - start >= 2 * span / 3), key=lambda p: p[1])
        slope = (late[1] - early[1]) / (late[0] - early[0])
        delays = [d - slope * (t - start) for t, d in points]
    least = min(delays)
    return [(d - least) * 1e-6 for d in delays]


def late_drop(rates: Sequence[float]) -> tuple[float, float] | None:
    """Return (rate before, rate after) where a load fell for good to less than 0.7 of what it had, else None.

    A burst credit or a policer's bucket runs out like this. rates: 100 ms bins. Both parts must be at least 3 bins long, the
    fall must be seen in every later bin, and be the best split by squares.
    """
    best: tuple[float, int] | None = None
    for cut in range(3, len(rates) - 2):
        before, after = rates[:cut], rates[cut:]
        a, b = fmean(before), fmean(after)
        rest = sum((r - a) ** 2 for r in before) + sum((r - b) ** 2 for r in after)
        if b < 0.7 * a and (best is None or rest < best[0]):
            best = (rest, cut)
    if best is None:
        return None
    high, low = median(rates[: best[1]]), median(rates[best[1] :])
    if rates[best[1] - 1] < (high + low) / 2 or low >= 0.7 * high or max(rates[best[1] + 1 :]) > 0.8 * high:
        return None
    return high, low


def trimmed_mean(values: Sequence[float], share: float = 0.95) -> float:
    """Return the mean of the best `share` of the values (the worst are dropped). Source: draft-ietf-ippm-responsiveness-09."""
    ordered = sorted(values)
    return fmean(ordered[: max(1, math.floor(share * len(ordered) + 0.5))])


def round_trips_per_minute(*, tcp_ms: float, http_ms: float, loaded_ms: float, tls_ms: float | None = None) -> float:
    """Return the responsiveness of an interval from its trimmed means. Source: draft-ietf-ippm-responsiveness-09, 4.3.1."""
    parts = [tcp_ms, http_ms] if tls_ms is None else [tcp_ms, tls_ms, http_ms]
    return (60_000 / fmean(parts) + 60_000 / loaded_ms) / 2

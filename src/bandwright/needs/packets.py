"""From single packets to figures: delay, its variation, loss with its interval, bursts, and what TCP makes of them.

Delays are sequences in the order of sending; a lost packet is None there and is never a number. Definitions follow the IETF's
metrics; each function names its own. Two figures that both go by "jitter" in common use have different names here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

from bandwright.errors import RangeError
from bandwright.units import Interval

__all__ = [
    "LossPattern",
    "bandwidth_delay_product_octets",
    "buffer_delay_percent",
    "burst_ratio",
    "cubic_rate_mbps",
    "interarrival_jitter_ms",
    "ipdv_ms",
    "loss_in_series",
    "loss_limited_rate_mbps",
    "loss_pattern",
    "pdv_ms",
    "percentile",
    "port_goodput_mbps",
    "reno_rate_mbps",
    "responsiveness_rpm",
    "round_trip_ms",
    "tcp_efficiency_percent",
    "transfer_time_ratio",
    "wilson_interval",
    "window_limit_mbps",
]

_EVERY_SEGMENT = math.sqrt(1.5)
_DELAYED_ACKS = math.sqrt(0.75)
_CUBIC_WINDOW = 1.054  # as RFC 8312 prints it; exactly (0.4 * 3.7/1.2)^(1/4) = 1.0538
_TIMEOUTS_RULE_ABOVE = 0.05


@dataclass(frozen=True, slots=True)
class LossPattern:
    """How packets were lost. bursts: number of runs of lost packets; mean_burst: packets a run; longest in packets."""

    sent: int
    lost: int
    bursts: int
    longest: int

    @property
    def ratio(self) -> float | None:
        """Share of packets lost, None where none was sent."""
        return self.lost / self.sent if self.sent else None

    @property
    def mean_burst(self) -> float | None:
        """Mean length of a run of lost packets, None where none was lost."""
        return self.lost / self.bursts if self.bursts else None


def round_trip_ms(*, t1_s: float, t2_s: float, t3_s: float, t4_s: float) -> float:
    """Return the round trip without the reflector's stay: (T4 - T1) - (T3 - T2), in ms. Clocks need not agree. Source: RFC 8762."""
    return ((t4_s - t1_s) - (t3_s - t2_s)) * 1000


def ipdv_ms(delays_ms: Sequence[float | None]) -> tuple[float, ...]:
    """Return the differences of the delays of consecutive packets, D(i) - D(i-1); pairs with a lost packet have none.

    Its mean is near zero; it does not size a buffer. Source: RFC 3393, RFC 5481.
    """
    return tuple(b - a for a, b in pairwise(delays_ms) if a is not None and b is not None)


def pdv_ms(delays_ms: Sequence[float | None]) -> tuple[float, ...]:
    """Return each delay above the least one, D(i) - D_min; its high percentiles size a de-jitter buffer. Source: RFC 5481."""
    known = [d for d in delays_ms if d is not None]
    least = min(known, default=0.0)
    return tuple(d - least for d in known)


def interarrival_jitter_ms(delays_ms: Sequence[float | None]) -> float:
    """Return the smoothed jitter after the last packet: J += (|D| - J)/16. It is neither IPDV nor PDV. Source: RFC 3550, 6.4.1."""
    jitter = 0.0
    for difference in ipdv_ms(delays_ms):
        jitter += (abs(difference) - jitter) / 16
    return jitter


def percentile(values: Sequence[float], share: float) -> float:
    """Return the smallest value x such that at least that share of the values is <= x. No value is interpolated.

    share: above 0, at most 1. Raises RangeError for another share, or no values. Source: RFC 2330, 11.3.
    """
    if not values:
        raise RangeError("percentile of no values", given=0, allowed="1 or more values")
    if not 0 < share <= 1:
        raise RangeError("share", given=share, allowed="above 0, at most 1")
    ordered = sorted(values)
    rank = math.ceil(share * len(ordered) - 1e-9)
    return ordered[max(rank, 1) - 1]


def wilson_interval(*, lost: int, sent: int, level: float = 0.95) -> Interval:
    """Return the interval for a share from counts: 13 of 600 gives 0.0127 to 0.0367.

    Raises RangeError where lost is not within 0..sent, or nothing was sent. Source: Wilson, J. Am. Stat. Assoc. 22 (1927).
    """
    if sent < 1 or not 0 <= lost <= sent:
        raise RangeError("lost packets", given=lost, allowed=f"0..{sent} of at least 1 sent")
    if not 0 < level < 1:
        raise RangeError("level", given=level, allowed="between 0 and 1")
    z = NormalDist().inv_cdf((1 + level) / 2)
    share = lost / sent
    centre = (share + z * z / (2 * sent)) / (1 + z * z / sent)
    reach = z / (1 + z * z / sent) * math.sqrt(share * (1 - share) / sent + z * z / (4 * sent * sent))
    return Interval(0.0 if lost == 0 else max(0.0, centre - reach), 1.0 if lost == sent else min(1.0, centre + reach))


def loss_pattern(arrived: Sequence[bool]) -> LossPattern:
    """Return how packets were lost, from whether each arrived, in order of sending. Source: RFC 7680, RFC 3357 (loss periods)."""
    bursts = longest = run = lost = 0
    for came in arrived:
        if came:
            run = 0
            continue
        lost += 1
        run += 1
        bursts += run == 1
        longest = max(longest, run)
    return LossPattern(sent=len(arrived), lost=lost, bursts=bursts, longest=longest)


def burst_ratio(pattern: LossPattern) -> float:
    """Return BurstR: mean burst length over that of the same share lost at random, 1/(1 - p); 1 where nothing tells.

    Source: ITU-T G.107, 3.5.
    """
    if pattern.mean_burst is None or pattern.ratio is None or pattern.ratio >= 1:
        return 1.0
    return pattern.mean_burst * (1 - pattern.ratio)


def loss_in_series(*ratios: float) -> float:
    """Return the loss of sections one after another: 1 - product of (1 - loss). Source: ITU-T Y.1541, clause 8."""
    return 1 - math.prod(1 - r for r in ratios)


def bandwidth_delay_product_octets(*, rate_mbps: float, round_trip_ms: float) -> float:
    """Return what a path holds, in octets; a window below it cannot fill the path. Source: RFC 6349, 3.3."""
    return rate_mbps * 1e6 * round_trip_ms / 1000 / 8


def transfer_time_ratio(*, actual_s: float, ideal_s: float) -> float:
    """Return actual over ideal transfer time. Source: RFC 6349, 4.1."""
    return actual_s / ideal_s


def tcp_efficiency_percent(*, sent_octets: float, retransmitted_octets: float) -> float:
    """Return the share of what was sent that was not sent again, in per cent; sent includes retransmissions. Source: RFC 6349, 4.2."""
    return (sent_octets - retransmitted_octets) / sent_octets * 100


def buffer_delay_percent(*, baseline_ms: float, loaded_ms: float) -> float:
    """Return how much the mean round trip grows during a transfer, in per cent of the baseline. Source: RFC 6349, 4.3."""
    return (loaded_ms - baseline_ms) / baseline_ms * 100


def port_goodput_mbps(port_mbps: float, *, payload_octets: int = 1448, wire_octets: int = 1538) -> float:
    """Return what TCP gets through an Ethernet port: payload over all octets on the wire; 94.148 Mbit/s at 100.

    Source: RFC 6349, 4.1.1, with 12 octets of TCP timestamps.
    """
    return port_mbps * payload_octets / wire_octets


def window_limit_mbps(*, window_octets: float, round_trip_ms: float) -> float:
    """Return the most a window passes: window * 8 / RTT. Source: RFC 6349, 3.3."""
    return window_octets * 8 / (round_trip_ms / 1000) / 1e6


def reno_rate_mbps(*, loss_ratio: float, round_trip_ms: float, segment_octets: int = 1448, delayed_acks: bool = False) -> float:
    """Return the rate of one loss-limited stream: MSS * 8 * C/(RTT sqrt p). Infinite at no loss.

    C is sqrt(3/2), or sqrt(3/4) with delayed acknowledgements. Source: Mathis, Semke, Mahdavi, Ott, CCR 27 (1997).
    """
    if loss_ratio <= 0:
        return math.inf
    constant = _DELAYED_ACKS if delayed_acks else _EVERY_SEGMENT
    return segment_octets * 8 * constant / (round_trip_ms / 1000 * math.sqrt(loss_ratio)) / 1e6


def cubic_rate_mbps(*, loss_ratio: float, round_trip_ms: float, segment_octets: int = 1448) -> float:
    """Return the rate of one CUBIC stream in its own region: a window of 1.054 (RTT/p)^(3/4) segments. Source: RFC 8312, eq. 6, C 0.4."""
    if loss_ratio <= 0:
        return math.inf
    round_trip_s = round_trip_ms / 1000
    window: float = _CUBIC_WINDOW * (round_trip_s / loss_ratio) ** 0.75
    return window * segment_octets * 8 / round_trip_s / 1e6


def loss_limited_rate_mbps(*, loss_ratio: float, round_trip_ms: float, segment_octets: int = 1448, cubic: bool = True) -> float:
    """Return what one stream reaches under random loss: CUBIC gets the larger of both forms. Above 5 % loss timeouts rule: half of it.

    Source: RFC 8312, 4.2 (the Reno region) and eq. 6; the half is common practice, no source.
    """
    rate = reno_rate_mbps(loss_ratio=loss_ratio, round_trip_ms=round_trip_ms, segment_octets=segment_octets)
    if cubic:
        rate = max(rate, cubic_rate_mbps(loss_ratio=loss_ratio, round_trip_ms=round_trip_ms, segment_octets=segment_octets))
    return rate / 2 if loss_ratio > _TIMEOUTS_RULE_ABOVE else rate


def responsiveness_rpm(*, tcp_ms: float, tls_ms: float | None, http_ms: float, loaded_http_ms: float) -> float:
    """Return round trips per minute under load: the mean of the foreign and the loaded rate. Each is a trimmed mean of probes, in ms.

    tls_ms: None where no TLS was set up. Source: draft-ietf-ippm-responsiveness-09 (others differ; keep the number with the result).
    """
    phases = [tcp_ms, http_ms] if tls_ms is None else [tcp_ms, tls_ms, http_ms]
    foreign = 60_000 / (sum(phases) / len(phases))
    return (foreign + 60_000 / loaded_http_ms) / 2

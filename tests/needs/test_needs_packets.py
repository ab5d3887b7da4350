"""Packet statistics against the figures their sources print."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import RangeError
from bandwright.needs.packets import (
    LossPattern,
    bandwidth_delay_product_octets,
    buffer_delay_percent,
    burst_ratio,
    cubic_rate_mbps,
    interarrival_jitter_ms,
    ipdv_ms,
    loss_in_series,
    loss_limited_rate_mbps,
    loss_pattern,
    pdv_ms,
    percentile,
    port_goodput_mbps,
    reno_rate_mbps,
    responsiveness_rpm,
    round_trip_ms,
    tcp_efficiency_percent,
    transfer_time_ratio,
    wilson_interval,
    window_limit_mbps,
)


def test_delay_variation_by_its_three_names() -> None:
    delays = [20.0, 24.0, 22.0, 30.0]
    assert ipdv_ms(delays) == (4, -2, 8)  # RFC 5481
    assert pdv_ms(delays) == (0, 4, 2, 10)
    assert [round(interarrival_jitter_ms(delays[:n]), 3) for n in (2, 3, 4)] == [0.25, 0.359, 0.837]  # RFC 3550, 6.4.1


def test_a_lost_packet_is_no_delay() -> None:
    assert ipdv_ms([20.0, None, 22.0, 23.0]) == (1.0,)
    assert pdv_ms([None, 21.0, 20.0]) == (1.0, 0.0)
    assert pdv_ms([None]) == ()
    assert interarrival_jitter_ms([]) == 0


def test_round_trip_leaves_out_the_stay_and_the_clocks() -> None:
    # RFC 8762: (T4 - T1) - (T3 - T2); the far clock runs an hour ahead
    assert round_trip_ms(t1_s=10.0, t2_s=3610.020, t3_s=3610.025, t4_s=10.045) == pytest.approx(40.0)


def test_percentile_is_a_value_that_occurred() -> None:
    values = [float(x) for x in range(1, 1001)]
    assert percentile(values, 0.999) == 999  # the second largest of 1000; RFC 2330, 11.3
    assert percentile(values, 0.5) == 500
    assert percentile(values, 1.0) == 1000
    assert percentile([7.0], 0.01) == 7
    for wrong in (0, 1.01):
        with pytest.raises(RangeError):
            percentile(values, wrong)
    with pytest.raises(RangeError):
        percentile([], 0.5)


@settings(deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.floats(0.01, 1))
def test_percentile_holds_its_definition(values: list[float], share: float) -> None:
    x = percentile(values, share)
    assert x in values
    assert sum(v <= x for v in values) >= share * len(values) - 1e-6
    assert sum(v < x for v in values) < share * len(values)


def test_wilson_interval() -> None:
    # Wilson 1927, two-sided 95 %
    found = wilson_interval(lost=13, sent=600)
    assert found.low == pytest.approx(0.0127, abs=5e-5)
    assert found.high == pytest.approx(0.0367, abs=5e-5)
    none = wilson_interval(lost=0, sent=600)
    assert none.low == 0
    assert none.high == pytest.approx(0.0064, abs=5e-5)
    assert wilson_interval(lost=600, sent=600).high == 1
    for lost, sent in ((1, 0), (-1, 5), (6, 5)):
        with pytest.raises(RangeError):
            wilson_interval(lost=lost, sent=sent)


@settings(deadline=None)
@given(st.integers(1, 2000), st.data())
def test_wilson_agrees_with_statsmodels(sent: int, data: st.DataObject) -> None:
    from statsmodels.stats.proportion import proportion_confint

    lost = data.draw(st.integers(0, sent))
    found = wilson_interval(lost=lost, sent=sent)
    low, high = proportion_confint(lost, sent, alpha=0.05, method="wilson")
    assert found.low == pytest.approx(low, abs=1e-9)
    assert found.high == pytest.approx(high, abs=1e-9)


def test_loss_comes_in_bursts() -> None:
    found = loss_pattern([True, False, False, True, False, True, True, False, False, False])
    assert (found.sent, found.lost, found.bursts, found.longest) == (10, 6, 3, 3)
    assert found.mean_burst == 2
    assert loss_pattern([]).ratio is None
    assert loss_pattern([True]).mean_burst is None


def test_burst_ratio_is_one_for_random_loss() -> None:
    # ITU-T G.107: mean burst over 1/(1 - p). At p 0.1 random loss has bursts of 1.111 packets
    assert burst_ratio(LossPattern(sent=1000, lost=100, bursts=90, longest=3)) == pytest.approx(1.0)
    assert burst_ratio(LossPattern(sent=1000, lost=100, bursts=45, longest=9)) == pytest.approx(2.0)
    assert burst_ratio(LossPattern(sent=10, lost=0, bursts=0, longest=0)) == 1
    assert burst_ratio(LossPattern(sent=10, lost=10, bursts=1, longest=10)) == 1


def test_sections_in_series() -> None:
    assert loss_in_series(1e-3, 1e-3, 1e-3) == pytest.approx(2.997e-3, abs=5e-7)  # ITU-T Y.1541


def test_tcp_throughput_frame() -> None:
    # RFC 6349
    assert bandwidth_delay_product_octets(rate_mbps=100, round_trip_ms=50) == 625_000
    assert bandwidth_delay_product_octets(rate_mbps=400, round_trip_ms=60) == 3_000_000
    assert transfer_time_ratio(actual_s=12, ideal_s=8) == 1.5
    assert abs(tcp_efficiency_percent(sent_octets=102_000, retransmitted_octets=2_000) - 98.04) < 5e-3
    assert abs(buffer_delay_percent(baseline_ms=25, loaded_ms=32) - 28) < 1e-9
    assert abs(buffer_delay_percent(baseline_ms=40, loaded_ms=180) - 350) < 1e-9
    assert abs(port_goodput_mbps(100) - 94.148) < 5e-4
    assert abs(port_goodput_mbps(100, payload_octets=1460) - 94.928) < 5e-4
    assert window_limit_mbps(window_octets=65_536, round_trip_ms=50) == pytest.approx(10.48576)


@pytest.mark.parametrize(
    ("loss", "rtt", "reno", "delayed", "cubic"),
    # Mathis and others 1997; RFC 8312 equation 6 with C 0.4; MSS 1448
    [(1e-4, 50, 28.375, 20.064, 25.820), (1e-3, 50, 8.973, 6.345, 4.592), (1e-2, 50, 2.837, 2.006, 0.817), (1e-4, 100, 14.187, None, 21.712)],
)
def test_loss_limited_streams(loss: float, rtt: float, reno: float, delayed: float | None, cubic: float) -> None:
    assert abs(reno_rate_mbps(loss_ratio=loss, round_trip_ms=rtt) - reno) < 1.1e-3
    if delayed is not None:
        assert abs(reno_rate_mbps(loss_ratio=loss, round_trip_ms=rtt, delayed_acks=True) - delayed) < 1.1e-3
    assert abs(cubic_rate_mbps(loss_ratio=loss, round_trip_ms=rtt) - cubic) < 1.1e-3
    assert loss_limited_rate_mbps(loss_ratio=loss, round_trip_ms=rtt) == pytest.approx(max(reno, cubic), abs=1.1e-3)


def test_loss_limit_at_the_ends() -> None:
    assert loss_limited_rate_mbps(loss_ratio=0, round_trip_ms=50) == math.inf
    below = loss_limited_rate_mbps(loss_ratio=0.05, round_trip_ms=50)
    above = loss_limited_rate_mbps(loss_ratio=0.0501, round_trip_ms=50)
    assert above < 0.51 * below


@pytest.mark.parametrize(
    ("tcp", "tls", "http", "loaded", "rpm"),
    [(50, 60, 70, 200, 650), (100, 110, 120, 600, 322.73), (20, 20, 20, 20, 3000), (50, None, 70, 200, 650)],
)
def test_responsiveness(tcp: float, tls: float | None, http: float, loaded: float, rpm: float) -> None:
    assert abs(responsiveness_rpm(tcp_ms=tcp, tls_ms=tls, http_ms=http, loaded_http_ms=loaded) - rpm) < 5e-3  # draft-ietf-ippm-responsiveness-09

"""The estimators, on series written here: published values, another library, both sides of each boundary."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.probe import series


def _samples(rates_mbps: list[float], bin_ms: int = 100) -> list[tuple[int, int]]:
    """Samples each 20 ms of a load that ran at these rates, one a bin."""
    out, octets, t = [(5_000_000_000, 0)], 0.0, 5_000_000_000
    for rate in rates_mbps:
        for _ in range(bin_ms // 20):
            octets += rate * 1e6 / 8 * 0.02
            t += 20_000_000
            out.append((t, round(octets)))
    return out


def test_wilson_intervals_of_published_counts() -> None:
    # 13 of 600 and 0 of 600: Wilson (JASA 22, 1927), worked by hand to four digits
    assert series.wilson(events=13, of=600) == pytest.approx((0.0127, 0.0367), abs=5e-5)
    low, high = series.wilson(events=0, of=600)
    assert low == 0.0
    assert high == pytest.approx(0.0064, abs=5e-5)


@settings(deadline=None, max_examples=60)  # the library takes a second to load
@given(st.integers(1, 5000), st.data())
def test_wilson_agrees_with_another_library(of: int, data) -> None:
    from statsmodels.stats.proportion import proportion_confint

    events = data.draw(st.integers(0, of))
    assert series.wilson(events=events, of=of) == pytest.approx(proportion_confint(events, of, method="wilson"), abs=1e-9)


def test_wilson_refuses_what_cannot_be() -> None:
    for events, of in ((0, 0), (3, 2), (-1, 5)):
        with pytest.raises(ValueError):
            series.wilson(events=events, of=of)


@settings(deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.floats(0, 1))
def test_percentile_agrees_with_another_library(values: list[float], share: float) -> None:
    import numpy as np

    assert series.percentile(values, share) == pytest.approx(float(np.quantile(values, share)), rel=1e-9, abs=1e-6)


def test_rates_per_bin_are_the_rates_that_were_run() -> None:
    assert series.rates_per_bin(_samples([1.0, 20.0, 48.0])) == pytest.approx([1.0, 20.0, 48.0], rel=1e-4)
    assert series.rates_per_bin([(0, 0)]) == []
    # a bin's edge between two samples: octets are interpolated
    assert series.rates_per_bin([(0, 0), (150_000_000, 15_000), (300_000_000, 30_000)]) == pytest.approx([0.8, 0.8, 0.8])


def test_the_ramp_is_cut_with_one_bin_more() -> None:
    assert series.ramp_end([5, 20, 40, 44, 48, 48, 48, 48]) == 4  # 44 >= 0.9 x 48 is the first, and one bin more
    assert series.ramp_end([5, 20, 40, 43, 48, 48, 48, 48]) == 5  # 43 < 43.2
    assert series.ramp_end([48, 48, 48, 48]) == 1
    assert series.ramp_end([7.0]) == 0
    assert series.ramp_end([]) == 0


def test_a_falling_end_is_kept() -> None:
    figures = series.figures_of_rate(_samples([90, 90, 90, 90, 90, 20, 20, 20, 20, 20, 20, 20]))
    assert figures is not None
    assert 30 < figures.mbps < 60  # neither the credit's rate nor the shaper's: `late_drop` tells them apart


def test_a_rate_comes_with_its_window_and_its_interval() -> None:
    figures = series.figures_of_rate(_samples([5, 20, 48, 50, 46, 50, 46, 50, 46, 50]))
    assert figures is not None
    assert figures.mbps == pytest.approx(48.0, rel=0.01)
    assert figures.low < 48.0 < figures.high
    assert figures.to_ns - figures.from_ns == figures.bins * series.BIN_NS
    assert series.figures_of_rate(_samples([5])) is None


def test_variation_is_above_the_least_delay() -> None:
    # RFC 5481 PDV of 20, 24, 22, 30 ms: 0, 4, 2, 10
    points = [(i * 20_000_000, d * 1_000_000) for i, d in enumerate((20, 24, 22, 30))]
    assert series.variation_above_minimum_ms(points) == pytest.approx([0, 4, 2, 10])
    assert series.variation_above_minimum_ms([]) == []


def test_a_clock_that_drifts_is_followed_over_long_runs() -> None:
    drift = 50e-6  # 50 ppm: 3 ms a minute
    points = [(t * 100_000_000, int(7e6 + drift * t * 100_000_000)) for t in range(600)]
    assert max(series.variation_above_minimum_ms(points)) < 0.01
    assert max(series.variation_above_minimum_ms(points[:100])) == pytest.approx(0.495, abs=0.01)  # 10 s are too short to tell drift


def _stream(lost: set[int], lost_back: set[int] = frozenset(), count: int = 50) -> tuple[list[int], list[tuple[int, int, int, int, int, int]]]:
    sent, rows, answered = [], [], 0
    for s in range(count):
        at = s * 20_000_000
        sent.append(at)
        if s in lost:
            continue
        if s not in lost_back:
            rows.append((s, at, 30_000_000 + (s % 3) * 1_000_000, 10_000_000, 20_000_000, answered))
        answered += 1
    return sent, rows


def test_loss_is_split_by_direction_from_the_reflectors_numbers() -> None:
    sent, rows = _stream({3, 4, 5, 20}, {30, 31})
    figures = series.delay_figures(sent, rows, from_ns=0, to_ns=10**12)
    assert figures is not None
    assert (figures.sent, figures.lost, figures.lost_there, figures.longest_burst) == (50, 6, 4, 3)
    assert figures.minimum_ms == pytest.approx(30.0)
    assert 30.0 <= figures.median_ms <= 32.0


def test_what_a_clock_step_hides_is_neither_lost_nor_measured() -> None:
    sent, rows = _stream({7, 8})
    figures = series.delay_figures(sent, rows, from_ns=0, to_ns=10**12, unknown=frozenset({7, 8}))
    assert figures is not None
    assert (figures.sent, figures.lost) == (48, 0)
    assert series.delay_figures(sent, [], from_ns=0, to_ns=10**12) is None


def test_bursts() -> None:
    assert series.bursts([False, True, True, False, True]) == [2, 1]
    assert series.bursts([]) == []


@pytest.mark.parametrize(
    ("rates", "expected"),
    [
        ([100] * 6 + [20] * 10, (100, 20)),  # a burst credit ran out
        ([100] * 6 + [72] * 10, None),  # a fall by less than three tenths is the radio's own
        ([100, 100] + [20] * 10, None),  # too short a start to call it one
        ([100] * 6 + [20] * 5 + [95] * 5, None),  # it came back: a dip
        ([20] * 6 + [100] * 10, None),  # a late start
        ([48] * 20, None),
    ],
)
def test_a_rate_that_falls_for_good_is_seen(rates: list[float], expected: tuple[float, float] | None) -> None:
    assert series.late_drop(rates) == expected


@pytest.mark.parametrize(
    ("tcp", "tls", "http", "loaded", "expected"),
    [(50, 60, 70, 200, 650), (100, 110, 120, 600, 322.73), (20, 20, 20, 20, 3000), (50, None, 70, 200, 650)],
)
def test_responsiveness_of_the_draft(tcp: float, tls: float | None, http: float, loaded: float, expected: float) -> None:
    # draft-ietf-ippm-responsiveness-09, formulas of its section 4.3.1, worked by hand
    assert series.round_trips_per_minute(tcp_ms=tcp, tls_ms=tls, http_ms=http, loaded_ms=loaded) == pytest.approx(expected, abs=0.01)


def test_the_trimmed_mean_drops_the_worst_twentieth() -> None:
    assert series.trimmed_mean([10.0] * 19 + [1000.0]) == 10.0
    assert series.trimmed_mean([5.0]) == 5.0


def test_a_load_cut_in_its_ramp_is_told_from_one_that_varies_or_settled() -> None:
    doubling = [1.5 * 1.5**n for n in range(12)]
    assert series.still_rising(doubling)
    assert not series.still_rising([*doubling, *[doubling[-1]] * 6])  # the ramp ended, and the line held
    assert not series.still_rising([50, 20, 60, 45, 30, 55, 40, 70, 35, 60, 52, 80])
    assert series.still_rising(doubling[:6])
    assert not series.still_rising([0.0, 2.8196, 2.7723, 2.8708])  # a slow line, full from the first round trip on
    assert not series.still_rising([0.3, 2.8, 2.8, 2.85])
    assert not series.still_rising([30, 31, 36, 38])  # so short, and so little more
    assert not series.still_rising(doubling[:3])  # too few bins to tell

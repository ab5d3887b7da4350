"""How numbers are put. Expected strings follow the house's rules for words and charts, written down beside each."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from bandwright.telling import numbers as n
from bandwright.words.answers import Estimate
from bandwright.words.radio import Field, FieldState


def share(low: float, high: float) -> Estimate:
    return Estimate(value=(low + high) / 2, low=low, high=high)


def test_minus_is_a_true_minus_and_never_stands_before_zero() -> None:
    assert n.number(-94) == "−94"
    assert n.number(-0.04, 1) == "0.0"
    assert n.number(-0.06, 1) == "−0.1"
    assert n.number(1234567) == "1\u00a0234\u00a0567"


def test_number_and_unit_are_joined_by_a_no_break_space() -> None:
    assert n.with_unit(-94, "dBm") == "−94\u00a0dBm"


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(85, 98, "85 to 98\u00a0dB"), (85, 85, "85\u00a0dB"), (None, -140, "below −140\u00a0dB"), (-44, None, "−44\u00a0dB or more"), (None, None, "not known")],
)
def test_a_range_reads_a_to_b_and_an_open_end_says_so(low: float | None, high: float | None, expected: str) -> None:
    assert n.ranged(low, high, "dB") == expected


def test_shares_are_rounded_outwards_so_that_rounding_never_narrows_a_range() -> None:
    assert n.of_hundred_range(share(0.851, 0.979)) == "85 to 98"
    assert n.of_hundred_range(share(0.859, 0.971)) == "85 to 98"
    assert n.of_hundred_range(share(-0.1, 1.2)) == "0 to 100"


@pytest.mark.parametrize(("chance", "expected"), [(0.979, "97\u00a0in\u00a0100"), (0.97, "97\u00a0in\u00a0100"), (0.995, "more than 99\u00a0in\u00a0100"), (1.0, "more than 99\u00a0in\u00a0100"), (0.0, "less than 1\u00a0in\u00a0100"), (0.29, "29\u00a0in\u00a0100")])
def test_a_chance_is_rounded_down_and_never_certain(chance: float, expected: str) -> None:
    assert n.certainty(chance) == expected


def test_factors_of_ln_differences() -> None:
    assert n.factor(0.6575) == "×1.93"  # e^0.6575 = 1.930
    assert n.factor_range(Estimate(value=0.66, low=0.438, high=0.875)) == "1.5 to 2.4 times"  # e^0.438 = 1.550, e^0.875 = 2.399
    assert n.more_or_less(0.1133) == "12\u00a0% more"  # e^0.1133 = 1.120
    assert n.more_or_less(-0.1054) == "10\u00a0% less"  # e^-0.1054 = 0.900


@pytest.mark.parametrize(("mb", "expected"), [(0, "0\u00a0MB"), (0.4, "less than 1\u00a0MB"), (80, "80\u00a0MB"), (9100, "9.1\u00a0GB"), (20_000, "20\u00a0GB"), (40_400, "40\u00a0GB")])
def test_volumes(mb: float, expected: str) -> None:
    assert n.gigabytes(mb) == expected


@pytest.mark.parametrize(("seconds", "expected"), [(8, "8\u00a0s"), (720, "12\u00a0minutes"), (12_000, "3\u00a0h 20\u00a0min"), (6 * 86400, "6\u00a0days")])
def test_lengths_of_time(seconds: float, expected: str) -> None:
    assert n.span_of_time(seconds) == expected


def test_times_are_those_of_the_site() -> None:
    at = datetime(2026, 7, 1, 12, 5, tzinfo=UTC)
    assert n.clock(at, "Europe/London") == "13:05"  # summer time
    assert n.day_and_time(at, "Europe/London") == "Wednesday 1\u00a0July 2026, 13:05"
    assert n.day_short(datetime(2026, 7, 1, 23, 30, tzinfo=UTC), "Europe/London") == "Thu 2"


def test_measured_values_carry_unit_range_and_reason() -> None:
    assert n.measured_text("goodput_down_mbps", 78.2, 71.3, 84.1) == "78.2\u00a0Mbit/s (71.3 to 84.1)"
    assert n.measured_text("delay_idle_ms", 148.3) == "148\u00a0ms"
    assert n.measured_text("loss_ratio", 0.0012) == "0.12\u00a0%"
    assert n.measured_text("path_mtu", None, reason="not asked for") == "not known: not asked for"
    assert n.measured_text("path_mtu", None) == "not measured"


def test_fields_of_a_reading_keep_their_interval_and_say_why_they_are_absent() -> None:
    assert n.field_text(None) == "not printed"
    assert n.field_text(Field(name="sinr", low=12.0, high=14.0, unit="dB")) == "12 to 14\u00a0dB"
    assert n.field_text(Field(name="rsrp", low=None, high=-140.0, unit="dBm")) == "below −140\u00a0dBm"
    assert n.field_text(Field(name="rsrp", value=-94, unit="dBm")) == "−94\u00a0dBm"
    assert n.field_text(Field(name="arfcn", value=642668)) == "642668"
    assert n.field_text(Field(name="tx_power", state=FieldState.UNKNOWN)) == "printed as not known"
    assert n.field_text(Field(name="rsrp_per_port", value=(-94.0, None), unit="dBm")) == "−94, none\u00a0dBm"


def test_counts_and_lists_in_words() -> None:
    assert n.counted(1, "test") == "1\u00a0test"
    assert n.counted(31, "test") == "31\u00a0tests"
    assert n.in_words(3, "carrier") == "three carriers"
    assert n.in_words(14, "carrier") == "14 carriers"
    assert n.joined(["a", "b", "c"], "or") == "a, b or c"
    assert n.joined([]) == ""

"""Evidence from rates: against what the radio would carry, against the hour, against one figure, against the plan and its cap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from statistics import fmean, median, pstdev

from bandwright.advice.case import Case
from bandwright.advice.evidence_base import (
    EVENING_HOURS,
    NIGHT_HOURS,
    ONE_SECOND_BINS,
    EvidenceRow,
    cap_now,
    cap_state,
    carrier_state,
    goodput,
    is_mmwave,
    like_now,
    loaded_carriers,
    main_carrier,
    row_rate,
    steady_values,
)
from bandwright.errors import RangeError
from bandwright.radio.rates import carrier_rate_mbps

__all__ = ["ROWS", "expected_down_mbps", "hour_likelihood_ratio", "hour_swing", "rate_ratio"]

_LOAD_SHIFT, _LOAD_SPREAD_SQUARED = 0.8, 0.25  # ln of night over evening rate where load is the cause
_PRIOR_SPREAD, _PRIOR_WEIGHT = 0.37, 4
_FLAT = 0.05
_STEADY_TENTHS = 0.10


def expected_down_mbps(case: Case) -> float | None:
    """Return what the carriers seen under load would carry for one user alone, or None where width or SINR of one is missing."""
    total, loaded = 0.0, loaded_carriers(case)
    for carrier in loaded:
        state = carrier_state(carrier)
        if state is None:
            return None
        try:
            total += carrier_rate_mbps(state)
        except RangeError:
            return None
    return total or None


def _rates_now(case: Case, symptom: str) -> list[tuple[float, float]]:
    """Return (hours since an arbitrary start, rate) of all tests that may be compared with the present, this one last."""
    found = [(_hours(r.at), rate) for r in like_now(case) if r.at is not None and (rate := row_rate(r, symptom)) is not None and rate > 0]
    test, rate = case.measurement, goodput(case, symptom)
    if test is not None and test.at is not None and rate is not None and rate > 0:
        found.append((_hours(test.at), rate))
    return found


def _hours(at: datetime) -> float:
    return at.toordinal() * 24 + at.hour + at.minute / 60


def _rate_at_this_hour(case: Case) -> float | None:
    """Return the median of three or more tests within two hours of this hour of the day, else this test alone."""
    rate = goodput(case, "down")
    test = case.measurement
    if rate is None or test is None or test.at is None:
        return rate
    hour = test.at.hour + test.at.minute / 60
    near = [rate]
    for row in like_now(case):
        if row.at is not None and row.down_mbps is not None:
            apart = abs(row.at.hour + row.at.minute / 60 - hour)
            if min(apart, 24 - apart) <= 2:
                near.append(row.down_mbps)
    return median(near) if len(near) >= 3 else rate


def hour_swing(case: Case, symptom: str) -> tuple[float, float, int, int] | None:
    """Return (ln of night over evening rate, sum of squares, night tests, evening tests), or None below two of either."""
    night: list[float] = []
    evening: list[float] = []
    for row in like_now(case):
        rate = row_rate(row, symptom)
        if row.at is not None and rate is not None and rate > 0:
            _sort_hour(row.at.hour, math.log(rate), night, evening)
    test, rate = case.measurement, goodput(case, symptom)
    if test is not None and test.at is not None and rate is not None and rate > 0:
        _sort_hour(test.at.hour, math.log(rate), night, evening)
    if len(night) < 2 or len(evening) < 2:
        return None
    a, b = fmean(night), fmean(evening)
    squares = sum((x - a) ** 2 for x in night) + sum((x - b) ** 2 for x in evening)
    return a - b, squares, len(night), len(evening)


def _sort_hour(hour: int, value: float, night: list[float], evening: list[float]) -> None:
    if hour in NIGHT_HOURS:
        night.append(value)
    elif hour in EVENING_HOURS:
        evening.append(value)


def hour_likelihood_ratio(*, ln_ratio: float, squares: float, nights: int, evenings: int) -> float:
    """Return how much likelier a night-over-evening ratio is under load than without: two normal densities, within 0.1 and 10.

    squares: about the two means. A spread of 0.37 counts like four tests. Source: measured at one cell's middle site.
    """
    variance = (_PRIOR_WEIGHT * _PRIOR_SPREAD**2 + squares) / (_PRIOR_WEIGHT + nights + evenings - 2)
    error_squared = variance * (1 / nights + 1 / evenings)
    loaded = error_squared + _LOAD_SPREAD_SQUARED
    ln = -((ln_ratio - _LOAD_SHIFT) ** 2) / (2 * loaded) - math.log(loaded) / 2 + ln_ratio**2 / (2 * error_squared) + math.log(error_squared) / 2
    return math.exp(min(max(ln, math.log(0.1)), math.log(10)))


def rate_ratio(case: Case, symptom: str) -> float | None:
    """Return the rate at this hour over what the carriers would carry for one user alone; downlink only."""
    expected, rate = expected_down_mbps(case), _rate_at_this_hour(case)
    return rate / expected if symptom == "down" and expected is not None and rate is not None else None


def _hour_ratio(case: Case, symptom: str) -> float | None:
    swing = hour_swing(case, symptom)
    return None if swing is None else math.exp(swing[0])


def _hour_lr(case: Case, symptom: str) -> float | None:
    """The hour's likelihood ratio; a swing explains no more than itself of a shortfall, and nothing of a radio that changed with it."""
    swing = hour_swing(case, symptom)
    if swing is None or symptom not in {"down", "up"}:
        return None
    found = hour_likelihood_ratio(ln_ratio=swing[0], squares=swing[1], nights=swing[2], evenings=swing[3])
    ratio = rate_ratio(case, symptom)
    if ratio is not None and ratio >= 0.4:
        found = min(found, 4.0 if ratio < 0.55 else 1.5)
    if not _same_radio_by_hour(case):
        found = min(found, 1.5)
    return found


def _same_radio_by_hour(case: Case) -> bool:
    """Whether signal and quality did not move with the hour, as far as it was recorded."""
    for field, most in (("rsrp_dbm", 4.0), ("sinr_db", 4.0)):
        night = [x for r in case.history if r.at is not None and r.at.hour in NIGHT_HOURS and (x := getattr(r, field)) is not None]
        evening = [x for r in case.history if r.at is not None and r.at.hour in EVENING_HOURS and (x := getattr(r, field)) is not None]
        if night and evening and median(night) - median(evening) > most:
            return False
    return True


def _cv(case: Case, symptom: str) -> float | None:
    """Spread of one-second means after the ramp, of five or more; None at mmWave, where flat says nothing.

    Five seconds can agree by chance while the radio still scatters within them: such a test is not called flat.
    """
    if case.measurement is None or symptom not in {"down", "up"}:
        return None
    series = case.measurement.series_up_mbps if symptom == "up" else case.measurement.series_down_mbps
    steady, carrier = steady_values(series), main_carrier(case)
    if len(steady) < 5 or fmean(steady) <= 0 or (carrier is not None and is_mmwave(carrier)):
        return None
    tenths = series[-ONE_SECOND_BINS * len(steady) :]
    cv = pstdev(steady) / fmean(steady)
    return cv if pstdev(tenths) < _STEADY_TENTHS * fmean(tenths) else max(cv, _FLAT)


def _flat_seen_before(case: Case, symptom: str) -> float | None:
    """The same as cv, only where earlier tests show one figure too: a flat test with a history."""
    spread, cv = _figure_spread(case, symptom), _cv(case, symptom)
    return cv if cv is not None and spread is not None and spread < 1.05 else None


def _apart(rates: Sequence[tuple[float, float]]) -> list[float]:
    """Return the rates of tests two hours or more apart."""
    kept: list[tuple[float, float]] = []
    for at, rate in sorted(rates):
        if not kept or at - kept[-1][0] >= 2:
            kept.append((at, rate))
    return [rate for _, rate in kept]


def _figure_spread(case: Case, symptom: str) -> float | None:
    rates = _apart(_rates_now(case, symptom))
    return max(rates) / min(rates) if len(rates) >= 3 and symptom in {"down", "up"} else None


def _same_figure(case: Case, symptom: str) -> float | None:
    rates, spread = _apart(_rates_now(case, symptom)), _figure_spread(case, symptom)
    return None if spread is None else float(spread < (1.05 if len(rates) >= 5 else 1.03))


def _plan_gap(case: Case, symptom: str) -> float | None:
    rate = goodput(case, symptom)
    if case.plan is None or rate is None or symptom not in {"down", "up"}:
        return None
    figure = case.plan.rate_up_mbps if symptom == "up" else case.plan.rate_down_mbps
    if cap_now(case) and case.plan.after_cap_mbps is not None:
        figure = case.plan.after_cap_mbps
    return rate / figure - 1 if figure else None


def _cap_passed(case: Case, _symptom: str) -> float | None:
    now = cap_now(case)
    return None if now is None else float(now)


def _since_cap(case: Case, symptom: str, hours: range) -> float | None:
    """Median rate before the cap was passed over the median since, at those hours; None below two tests of either."""
    if symptom not in {"down", "up"}:
        return None
    before: list[float] = []
    after: list[float] = []
    for row in case.history:
        rate, state = row_rate(row, symptom), cap_state(row, case)
        if row.at is not None and rate and state is not None and row.at.hour in hours:
            (after if state else before).append(rate)
    return median(before) / median(after) if len(before) >= 2 and len(after) >= 2 else None


def _evenings_since_cap(case: Case, symptom: str) -> float | None:
    evening, night = _since_cap(case, symptom, EVENING_HOURS), _since_cap(case, symptom, NIGHT_HOURS)
    return None if evening is None or night is None else float(evening > 1.6 and night < 1.4)


def _all_since_cap(case: Case, symptom: str) -> float | None:
    ratio, spread = _since_cap(case, symptom, range(24)), _figure_spread(case, symptom)
    return None if ratio is None or spread is None else float(ratio > 1.6 and spread < 1.15)


def _capacity_unused(case: Case, symptom: str) -> float | None:
    """Whether the line carries over half of what the radio would, and twice what the test got: then nobody took it away."""
    expected, rate = expected_down_mbps(case), goodput(case, symptom)
    capacity = None if case.measurement is None else case.measurement.get("capacity_down_mbps")
    if symptom != "down" or expected is None or not rate or capacity is None:
        return None
    return float(capacity > 0.55 * expected and capacity >= 2 * rate)


def _idle_cell_load(case: Case, _symptom: str) -> float | None:
    """Share of the cell in use by others, from the idle LTE RSRQ at a SINR above 10 dB; None otherwise. Two ports assumed."""
    idle = case.reading("idle")
    cell = None if idle is None else idle.primary
    if cell is None or cell.rat != "lte" or cell.rsrq_db is None or cell.sinr_db is None or cell.sinr_db <= 10:
        return None
    load = (10 ** (-cell.rsrq_db / 10) - 4 - 12 / 10 ** (cell.sinr_db / 10)) / 16
    return min(max(load, 0.0), 1.0)


_OURS = "our algebra"
ROWS: tuple[EvidenceRow, ...] = (
    EvidenceRow("rate_ratio", "share of what the carriers would carry alone", "", rate_ratio, "TR 36.942 annex A; measured on 547 runs of a minute"),
    EvidenceRow("hour_ratio", "night rate over evening rate", "", _hour_ratio, "measured at one cell"),
    EvidenceRow("hour_lr", "weight of the night and evening rates for load", "", _hour_lr, "measured at one cell; hours 0-5 and 18-22"),
    EvidenceRow("cv", "spread of one-second rates", "", _cv, "measured: below 0.05 in none of 612 fixed LTE tests"),
    EvidenceRow("cv_with_history", "spread of one-second rates, the figure being the same before", "", _flat_seen_before, "measured"),
    EvidenceRow("figure_spread", "highest over lowest rate of tests two hours apart", "", _figure_spread, "derived"),
    EvidenceRow("same_figure", "the same figure at all hours", "yes/no", _same_figure, "derived"),
    EvidenceRow("plan_gap", "rate against the plan's figure", "", _plan_gap),
    EvidenceRow("cap_passed", "the data cap is passed", "yes/no", _cap_passed),
    EvidenceRow("evenings_since_cap", "evenings slower since the cap, nights not", "yes/no", _evenings_since_cap),
    EvidenceRow("all_since_cap", "one lower figure since the cap", "yes/no", _all_since_cap),
    EvidenceRow("capacity_unused", "the line carries twice what the test got", "yes/no", _capacity_unused, "RFC 9097"),
    EvidenceRow("cell_load_idle", "share of the cell others use, from idle RSRQ", "", _idle_cell_load, _OURS),
)

"""Evidence: pure functions from a case to one number each, or None where what it needs was not seen.

A number is 1.0 or 0.0 where the answer is yes or no. Nothing is drawn from the absence of a reading: a function answers only from
what is there. What the numbers weigh stands in the table of findings, not here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import fmean, median, pstdev

from bandwright.advice.case import Case, Compared, HistoryRow, SeenCarrier, SeenReading, SeenTest
from bandwright.errors import RangeError
from bandwright.needs.packets import loss_limited_rate_mbps, port_goodput_mbps, wilson_interval
from bandwright.radio.bands import duplex_of, is_known_band, split_band
from bandwright.radio.identities import neighbouring_cells
from bandwright.radio.levels import noise_gap_db as noise_gap_of
from bandwright.radio.rates import CarrierState, carrier_rate_mbps

__all__ = [
    "EVIDENCE",
    "EvidenceRow",
    "expected_down_mbps",
    "gather",
    "hour_likelihood_ratio",
    "hour_swing",
    "loaded_carriers",
    "main_carrier",
    "steady_values",
]

_NIGHT_HOURS = range(6)
_EVENING_HOURS = range(18, 23)
_LOAD_SHIFT, _LOAD_SPREAD_SQUARED = 0.8, 0.25  # ln of night over evening rate where load is the cause
_PRIOR_SPREAD, _PRIOR_WEIGHT = 0.37, 4
_ONE_SECOND = 10  # bins of 100 ms
_LOWEST_HEARD_DBM = -105.0
_FLAT = 0.05
_ACT_ON_LOSS = 0.003
_STEADY_TENTHS = 0.10


@dataclass(frozen=True, slots=True)
class EvidenceRow:
    """One row: key, what it is in words, the unit it is shown in, the function, and where the rule comes from."""

    key: str
    label: str
    unit: str
    find: Callable[[Case, str], float | None]
    source: str = "common practice, no source"


# --- what several functions share --------------------------------------------------------------------------------------------


def loaded_carriers(case: Case, state: str = "load_down") -> tuple[SeenCarrier, ...]:
    """Return the carriers that worked under load: those in use whose state is not "inactive"; () without such a reading."""
    reading = case.reading(state)
    return tuple(c for c in reading.serving if c.active is not False) if reading is not None else ()


def main_carrier(case: Case) -> SeenCarrier | None:
    """Return the carrier that brings most of the downlink under load, else the idle reading's primary carrier."""
    loaded = loaded_carriers(case)
    if loaded:
        return max(loaded, key=lambda c: (c.width_mhz or 0.0) * _share_down(c))
    idle = case.reading("idle") or case.reading("load_up")
    return None if idle is None else idle.primary


def expected_down_mbps(case: Case) -> float | None:
    """Return what the carriers seen under load would carry for one user alone, or None where width or SINR of one is missing."""
    total, loaded = 0.0, loaded_carriers(case)
    for carrier in loaded:
        state = _carrier_state(carrier)
        if state is None:
            return None
        try:
            total += carrier_rate_mbps(state)
        except RangeError:
            return None
    return total or None


def _carrier_state(c: SeenCarrier) -> CarrierState | None:
    if c.width_mhz is None or c.sinr_db is None or c.rat not in {"lte", "nr"}:
        return None
    known = c.band if c.band is not None and is_known_band(c.band) else None
    rank = c.rank if c.rank is not None and 1 <= c.rank <= 8 else None
    return CarrierState(rat=c.rat, bandwidth_mhz=c.width_mhz, sinr_db=c.sinr_db, layers=rank, scs_khz=c.scs_khz if c.rat == "nr" else None, duplex=_duplex(c) or "FDD", band=known)


def _duplex(c: SeenCarrier) -> str | None:
    if c.duplex is not None:
        return c.duplex.upper()
    return duplex_of(c.band) if c.band is not None and is_known_band(c.band) else None


def _share_down(c: SeenCarrier) -> float:
    return 0.75 if _duplex(c) == "TDD" else 1.0


def _scs_khz(c: SeenCarrier) -> int:
    if c.rat == "lte":
        return 15
    return c.scs_khz or (30 if _duplex(c) == "TDD" else 15)


def _is_fr2(c: SeenCarrier) -> bool:
    return c.rat == "nr" and c.band is not None and is_known_band(c.band) and split_band(c.band)[1] >= 257


def _goodput(case: Case, symptom: str) -> float | None:
    return None if case.measurement is None else case.measurement.get("goodput_up_mbps" if symptom == "up" else "goodput_down_mbps")


def _row_rate(row: HistoryRow, symptom: str) -> float | None:
    return row.up_mbps if symptom == "up" else row.down_mbps


def _cap_state(row: HistoryRow, case: Case) -> bool | None:
    """Return whether the cap was passed at a row's time, or None where that is not known."""
    if row.cap_passed is not None:
        return row.cap_passed
    cap = None if case.plan is None else case.plan.cap_gb
    return None if cap is None or row.used_gb is None else row.used_gb >= cap


def _cap_now(case: Case) -> bool | None:
    if case.plan is None:
        return None
    if case.plan.cap_gb is None:
        return False
    return None if case.plan.used_gb is None else case.plan.used_gb >= case.plan.cap_gb


def _like_now(case: Case) -> tuple[HistoryRow, ...]:
    """Return the rows that may be compared with the present: not before a cap was passed."""
    now = _cap_now(case)
    return tuple(r for r in case.history if _cap_state(r, case) in {None, now} or now is None)


def _rates_now(case: Case, symptom: str) -> list[tuple[float, float]]:
    """Return (hours since an arbitrary start, rate) of all tests that may be compared with the present, this one last."""
    found = [(r.at.timestamp() / 3600, rate) for r in _like_now(case) if r.at is not None and (rate := _row_rate(r, symptom)) is not None and rate > 0]
    test, rate = case.measurement, _goodput(case, symptom)
    if test is not None and test.at is not None and rate is not None and rate > 0:
        found.append((test.at.timestamp() / 3600, rate))
    return found


def _rate_at_this_hour(case: Case) -> float | None:
    """Return the median of three or more tests within two hours of this hour of the day, else this test alone."""
    rate = _goodput(case, "down")
    test = case.measurement
    if rate is None or test is None or test.at is None:
        return rate
    hour = test.at.hour + test.at.minute / 60
    near = [rate]
    for row in _like_now(case):
        if row.at is not None and row.down_mbps is not None:
            apart = abs(row.at.hour + row.at.minute / 60 - hour)
            if min(apart, 24 - apart) <= 2:
                near.append(row.down_mbps)
    return median(near) if len(near) >= 3 else rate


def steady_values(series: Sequence[float]) -> tuple[float, ...]:
    """Return one-second means of a series of 100 ms bins without its ramp: the first second, and a first burst, are left off."""
    rest = list(series[_ONE_SECOND:])
    seconds = [fmean(rest[i : i + _ONE_SECOND]) for i in range(0, len(rest) - _ONE_SECOND + 1, _ONE_SECOND)]
    while len(seconds) > 5 and seconds[0] > 1.3 * median(seconds[1:]):
        seconds.pop(0)
    return tuple(seconds)


def hour_swing(case: Case, symptom: str) -> tuple[float, float, int, int] | None:
    """Return (ln of night over evening rate, sum of squares, night tests, evening tests), or None below two of either."""
    night: list[float] = []
    evening: list[float] = []
    for row in _like_now(case):
        rate = _row_rate(row, symptom)
        if row.at is not None and rate is not None and rate > 0:
            _sort_hour(row.at.hour, math.log(rate), night, evening)
    test, rate = case.measurement, _goodput(case, symptom)
    if test is not None and test.at is not None and rate is not None and rate > 0:
        _sort_hour(test.at.hour, math.log(rate), night, evening)
    if len(night) < 2 or len(evening) < 2:
        return None
    a, b = fmean(night), fmean(evening)
    squares = sum((x - a) ** 2 for x in night) + sum((x - b) ** 2 for x in evening)
    return a - b, squares, len(night), len(evening)


def _sort_hour(hour: int, value: float, night: list[float], evening: list[float]) -> None:
    if hour in _NIGHT_HOURS:
        night.append(value)
    elif hour in _EVENING_HOURS:
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


# --- rates -------------------------------------------------------------------------------------------------------------------


def _rate_ratio(case: Case, symptom: str) -> float | None:
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
    ratio = _rate_ratio(case, symptom)
    if ratio is not None and ratio >= 0.4:
        found = min(found, 4.0 if ratio < 0.55 else 1.5)
    if not _same_radio_by_hour(case):
        found = min(found, 1.5)
    return found


def _same_radio_by_hour(case: Case) -> bool:
    """Whether signal and quality did not move with the hour, as far as it was recorded."""
    for field, most in (("rsrp_dbm", 4.0), ("sinr_db", 4.0)):
        night = [x for r in case.history if r.at is not None and r.at.hour in _NIGHT_HOURS and (x := getattr(r, field)) is not None]
        evening = [x for r in case.history if r.at is not None and r.at.hour in _EVENING_HOURS and (x := getattr(r, field)) is not None]
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
    if len(steady) < 5 or fmean(steady) <= 0 or (carrier is not None and _is_fr2(carrier)):
        return None
    tenths = series[-_ONE_SECOND * len(steady) :]
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
    rate = _goodput(case, symptom)
    if case.plan is None or rate is None or symptom not in {"down", "up"}:
        return None
    figure = case.plan.rate_up_mbps if symptom == "up" else case.plan.rate_down_mbps
    if _cap_now(case) and case.plan.after_cap_mbps is not None:
        figure = case.plan.after_cap_mbps
    return rate / figure - 1 if figure else None


def _cap_passed(case: Case, _symptom: str) -> float | None:
    now = _cap_now(case)
    return None if now is None else float(now)


def _since_cap(case: Case, symptom: str, hours: range) -> float | None:
    """Median rate before the cap was passed over the median since, at those hours; None below two tests of either."""
    if symptom not in {"down", "up"}:
        return None
    before: list[float] = []
    after: list[float] = []
    for row in case.history:
        rate, state = _row_rate(row, symptom), _cap_state(row, case)
        if row.at is not None and rate and state is not None and row.at.hour in hours:
            (after if state else before).append(rate)
    return median(before) / median(after) if len(before) >= 2 and len(after) >= 2 else None


def _evenings_since_cap(case: Case, symptom: str) -> float | None:
    evening, night = _since_cap(case, symptom, _EVENING_HOURS), _since_cap(case, symptom, _NIGHT_HOURS)
    return None if evening is None or night is None else float(evening > 1.6 and night < 1.4)


def _all_since_cap(case: Case, symptom: str) -> float | None:
    ratio, spread = _since_cap(case, symptom, range(24)), _figure_spread(case, symptom)
    return None if ratio is None or spread is None else float(ratio > 1.6 and spread < 1.15)


# --- near end, far end, house ------------------------------------------------------------------------------------------------


def _rises(test: SeenTest) -> dict[str, float]:
    idle = test.get("delay_idle_ms")
    return {d: loaded - idle for d in ("down", "up") if idle is not None and (loaded := test.get(f"delay_loaded_{d}_ms")) is not None}


def _direction(case: Case, symptom: str) -> str | None:
    """Return the direction whose delay is meant: the symptom's own, else the one that rises most."""
    if case.measurement is None:
        return None
    rises = _rises(case.measurement)
    if symptom in {"down", "up"}:
        return symptom if symptom in rises else None
    return max(rises, key=rises.__getitem__) if rises else None


def _rise_ms(case: Case, symptom: str) -> float | None:
    direction = _direction(case, symptom)
    return None if direction is None or case.measurement is None else _rises(case.measurement)[direction]


def _hop_share(case: Case, symptom: str) -> float | None:
    """Share of the loaded delay's rise that stands before the gateway. Below 20 ms of rise there is nothing to share."""
    direction, test = _direction(case, symptom), case.measurement
    if direction is None or test is None:
        return None
    idle, loaded, rise = test.get("first_hop_idle_ms"), test.get(f"first_hop_loaded_{direction}_ms"), _rises(test)[direction]
    return (loaded - idle) / rise if idle is not None and loaded is not None and rise >= 20 else None


def _is_wifi(case: Case, _symptom: str) -> float | None:
    return None if case.near_end is None or case.near_end.wifi is None else float(case.near_end.wifi)


def _wifi_hop_share(case: Case, symptom: str) -> float | None:
    return _hop_share(case, symptom) if case.near_end is not None and case.near_end.wifi else None


def _cable_hop_share(case: Case, symptom: str) -> float | None:
    return _hop_share(case, symptom) if case.near_end is not None and case.near_end.wifi is False else None


def _port_gap(case: Case, symptom: str) -> float | None:
    rate, port = _goodput(case, symptom), None if case.near_end is None else case.near_end.port_mbps
    return rate / port_goodput_mbps(port) - 1 if rate is not None and port and symptom in {"down", "up"} else None


def _far_port_gap(case: Case, symptom: str) -> float | None:
    rate, port = _goodput(case, symptom), None if case.far_end is None else case.far_end.port_mbps
    return rate / port_goodput_mbps(port) - 1 if rate is not None and port and symptom in {"down", "up"} else None


def _near_busy(case: Case, _symptom: str) -> float | None:
    near = case.near_end
    if near is None or (near.cpu_share is None and near.rwnd_limited_share is None):
        return None
    return float((near.rwnd_limited_share or 0.0) > 0.1 or (near.cpu_share or 0.0) > 0.8)


def _far_busy(case: Case, _symptom: str) -> float | None:
    return None if case.far_end is None or case.far_end.cpu_share is None else float(case.far_end.cpu_share > 0.8)


def _other_share(case: Case, symptom: str) -> float | None:
    other = None if case.near_end is None else case.near_end.other_traffic_mbps
    rate = _goodput(case, "up" if symptom == "up" else "down")
    return other / (other + rate) if other is not None and rate is not None and other + rate > 0 else None


def _first_wake(case: Case, _symptom: str) -> float | None:
    test = case.measurement
    if test is None:
        return None
    first, idle, p95 = (test.get(k) for k in ("delay_first_ms", "delay_idle_ms", "delay_idle_p95_ms"))
    if first is None or idle is None or p95 is None or idle <= 0:
        return None
    return float(first / idle > 2.5 and first - idle > 300 and p95 < 3 * idle)


def _single_match(case: Case, symptom: str) -> float | None:
    """Ln of one stream's rate over what its loss and delay allow; None where there is no loss to limit it."""
    test = case.measurement
    if test is None or symptom != "down":
        return None
    single, rtt, loss = test.get("goodput_down_single_mbps"), test.get("delay_idle_ms"), test.get("loss_down_ratio")
    if not single or not rtt or not loss:
        return None
    cubic = test.texts.get("congestion_control", "cubic") != "reno"
    return abs(math.log(single / loss_limited_rate_mbps(loss_ratio=loss, round_trip_ms=rtt, cubic=cubic)))


def _capacity_over_single(case: Case, symptom: str) -> float | None:
    test = case.measurement
    if test is None or symptom != "down":
        return None
    single, capacity = test.get("goodput_down_single_mbps") or _goodput(case, "down"), test.get("capacity_down_mbps")
    return capacity / single if single and capacity else None


def _single_flow(case: Case, symptom: str) -> float | None:
    match, room = _single_match(case, symptom), _capacity_over_single(case, symptom)
    return None if match is None or room is None else float(match < 0.6 and room > 2)


def _is_bbr(case: Case, _symptom: str) -> float | None:
    cc = None if case.measurement is None else case.measurement.texts.get("congestion_control")
    return None if cc is None else float(cc.startswith("bbr"))


# --- radio -------------------------------------------------------------------------------------------------------------------


def _main_rows(case: Case) -> list[SeenCarrier]:
    """Return the main carrier in every reading where it shows."""
    main = main_carrier(case)
    if main is None:
        return []
    return [c for r in case.readings for c in r.serving if (c.rat, c.band, c.pci) == (main.rat, main.band, main.pci)]


def _mean_of(case: Case, field: str) -> float | None:
    values = [x for c in _main_rows(case) if (x := getattr(c, field)) is not None]
    return fmean(values) if values else None


def _sinr(case: Case, _symptom: str) -> float | None:
    return _mean_of(case, "sinr_db")


def _rsrp(case: Case, _symptom: str) -> float | None:
    return _mean_of(case, "rsrp_dbm")


def _noise_gap(case: Case, _symptom: str) -> float | None:
    gaps = [noise_gap_of(rsrp_dbm=c.rsrp_dbm, sinr_db=c.sinr_db, scs_khz=_scs_khz(c)) for c in _main_rows(case) if c.rsrp_dbm is not None and c.sinr_db is not None]
    return fmean(gaps) if gaps else None


def _poor(case: Case, *, low: float, high: float) -> float | None:
    sinr, gap = _sinr(case, ""), _noise_gap(case, "")
    return None if sinr is None or gap is None else float(sinr < 10 and low < gap < high)


def _poor_by_noise(case: Case, _symptom: str) -> float | None:
    return _poor(case, low=-math.inf, high=4)


def _poor_by_others(case: Case, _symptom: str) -> float | None:
    return _poor(case, low=8, high=math.inf)


def _neighbour_gap(case: Case, _symptom: str) -> float | None:
    """Serving RSRP above the strongest neighbour on the same channel, of one reading; the least one. None where none was listed."""
    gaps = []
    for reading in case.readings:
        serving = reading.primary
        if serving is None or serving.rsrp_dbm is None:
            continue
        gaps += [serving.rsrp_dbm - n.rsrp_dbm for n in _same_channel(reading, serving) if n.rsrp_dbm is not None]
    return min(gaps) if gaps else None


def _same_channel(reading: SeenReading, serving: SeenCarrier) -> list[SeenCarrier]:
    found = []
    for other in reading.carriers:
        if other.in_use or other.rat != serving.rat or other.pci == serving.pci:
            continue
        same = other.arfcn == serving.arfcn if other.arfcn is not None and serving.arfcn is not None else other.band is not None and other.band == serving.band
        if same:
            found.append(other)
    return found


def _on_the_seam(case: Case, symptom: str) -> float | None:
    gap, sinr = _neighbour_gap(case, symptom), _sinr(case, symptom)
    return None if gap is None or sinr is None else float(gap <= 3 and sinr < 10)


def _same_mast_neighbour(case: Case, _symptom: str) -> float | None:
    for reading in case.readings:
        serving = reading.primary
        if serving is not None and serving.pci is not None:
            for other in _same_channel(reading, serving):
                if other.pci is not None and neighbouring_cells(serving.pci, other.pci):
                    return 1.0
    return None


def _overdriven(case: Case, symptom: str) -> float | None:
    rsrp, sinr = _rsrp(case, symptom), _sinr(case, symptom)
    return None if rsrp is None or sinr is None else float(rsrp > -55 and sinr < 13)


def _step_down(case: Case, _symptom: str) -> float | None:
    """The largest lasting fall of RSRP between two stretches of the same cell that end now, in dB; None below 3 + 2 rows.

    A fall counts only as a step: what lies on each side must be steady, and the two rows about it must show most of it. Where the
    months show a fall already, a short history says nothing of how it came.
    """
    if _winter_gain(case) is not None and _leaves_returned(case, "") == 0 and _fell_once(case, "") == 1:
        return None
    rows = [(r.at, r.rsrp_dbm, r.pci, r.band) for r in case.history if r.at is not None and r.rsrp_dbm is not None]
    rows.sort(key=lambda r: r[0])
    levels = [level for _, level, pci, band in rows if (pci, band) == (rows[-1][2], rows[-1][3])]
    if len(levels) != len(rows) or len(levels) < 5:
        return None
    best = 0.0
    for cut in range(3, len(levels) - 1):
        before, after = levels[:cut], levels[cut:]
        fall = fmean(before) - fmean(after)
        if max(pstdev(before), pstdev(after)) < fall / 3 and before[-1] - after[0] > fall / 2:
            best = max(best, fall)
    return best


def _cell_changes(case: Case, _symptom: str) -> float | None:
    values = [r.cell_changes_per_hour for r in case.history if r.cell_changes_per_hour is not None]
    now = None if case.measurement is None else case.measurement.get("cell_changes_per_hour")
    if now is not None:
        values.append(now)
    return fmean(values) if values else _cell_changes_named(case)


def _cell_changes_named(case: Case) -> float | None:
    """Cell changes an hour from a list of events, where two or more of them name one."""
    times = sorted(at for at, what in case.events if at is not None and "cell" in what.lower() and ("chang" in what.lower() or "reselect" in what.lower()))
    hours = (times[-1] - times[0]).total_seconds() / 3600 if len(times) >= 3 else 0.0
    return (len(times) - 1) / hours if hours > 0 else None


def _port_spread(case: Case, _symptom: str) -> float | None:
    spreads = [max(c.ports) - min(c.ports) for r in case.readings for c in r.serving if len(c.ports) >= 2]
    return median(spreads) if spreads else None


def _ranks(case: Case) -> list[int]:
    loaded = loaded_carriers(case) or loaded_carriers(case, "load_up")
    return [c.rank for c in loaded if c.rank is not None]


def _rank_one(case: Case, symptom: str) -> float | None:
    ranks, sinr = _ranks(case), _sinr(case, symptom)
    return None if not ranks or sinr is None else float(max(ranks) == 1 and sinr > 15)


def _rank_two_seen(case: Case, _symptom: str) -> float | None:
    ranks = _ranks(case)
    return float(max(ranks) >= 2) if ranks else None


def _same_stream(case: Case, symptom: str) -> float | None:
    one, spread = _rank_one(case, symptom), _port_spread(case, symptom)
    return None if one is None or spread is None else float(bool(one) and spread <= 5)


def _fewer_at_idle(case: Case, _symptom: str) -> float | None:
    idle, loaded = case.reading("idle"), loaded_carriers(case)
    return float(len(idle.serving) < len(loaded)) if idle is not None and loaded else None


def _one_carrier_complaint(case: Case, symptom: str) -> float | None:
    """Fewer carriers at rest than under load, and that was the complaint."""
    fewer = _fewer_at_idle(case, symptom)
    asked = "carrier" in case.complaint.lower() or "aggregat" in case.complaint.lower()
    return None if fewer is None or not case.complaint else float(bool(fewer) and asked)


def _load_was_read(case: Case, _symptom: str) -> float | None:
    """Whether the radio was read under load and its number of carriers is not what the user asks about."""
    if case.reading("load_down") is None:
        return None
    return float("carrier" not in case.complaint.lower())


def _heard_elsewhere(case: Case) -> list[SeenCarrier]:
    """Return cells on bands that carry nothing under load, heard above -105 dBm."""
    used = {c.band for c in loaded_carriers(case)}
    heard = [c for r in case.readings for c in r.carriers if not c.in_use]
    return [c for c in heard if c.band is not None and c.band not in used and c.rsrp_dbm is not None and c.rsrp_dbm > _LOWEST_HEARD_DBM]


def _joined_none(case: Case, _symptom: str) -> float | None:
    loaded, capability = loaded_carriers(case), case.capability
    if not loaded or capability is None or capability.max_dl_carriers is None:
        return None
    usable = [c for c in _heard_elsewhere(case) if not capability.bands or c.band in capability.bands]
    return float(len(loaded) == 1 and capability.max_dl_carriers > 1 and bool(usable))


def _all_in_use(case: Case, _symptom: str) -> float | None:
    loaded, capability = loaded_carriers(case), case.capability
    if not loaded or capability is None or capability.max_dl_carriers is None:
        return None
    return float(len(loaded) >= capability.max_dl_carriers)


def _at_capability(case: Case, symptom: str) -> float | None:
    capability, loaded, ratio = case.capability, loaded_carriers(case), _rate_ratio(case, symptom)
    if capability is None or not loaded or ratio is None:
        return None
    ranks, widths = _ranks(case), [c.width_mhz for c in loaded if c.width_mhz is not None]
    full = [
        capability.max_dl_carriers is not None and len(loaded) >= capability.max_dl_carriers,
        capability.max_layers is not None and bool(ranks) and min(ranks) >= capability.max_layers and capability.max_layers < 4,
        capability.max_width_mhz is not None and bool(widths) and max(widths) >= capability.max_width_mhz,
    ]
    return float(any(full) and ratio > 0.6)


def _scell_inactive(case: Case, _symptom: str) -> float | None:
    states = [c.active for s in ("load_down", "load_up") if (r := case.reading(s)) is not None for c in r.serving if c.role == "scell" and c.active is not None]
    return float(False in states) if states else None


def _counts_vary(case: Case, _symptom: str) -> float | None:
    if any(c.rat == "nr" for r in case.readings for c in r.serving) or any(r.seen_mode not in {None, "lte"} for r in case.history):
        return None  # it may be the 5G leg that comes and goes
    counts = [r.carriers_under_load for r in case.history if r.carriers_under_load is not None]
    return float(max(counts) > min(counts)) if len(counts) >= 3 else None


def _is_sa(reading: SeenReading) -> bool:
    return reading.mode in {"nr-sa", "sa"} or (reading.mode is None and bool(reading.serving) and all(c.rat == "nr" for c in reading.serving))


def _band_number(c: SeenCarrier) -> int | None:
    return split_band(c.band)[1] if c.band is not None and is_known_band(c.band) else None


def _is_low_nr(c: SeenCarrier) -> bool:
    """Below 1 GHz."""
    return c.rat == "nr" and _band_number(c) in {5, 8, 12, 13, 14, 18, 20, 26, 28, 29, 67, 68, 71, 85, 105, 106}


def _is_wide_nr(c: SeenCarrier) -> bool:
    """A mid-band with wide carriers."""
    return c.rat == "nr" and _band_number(c) in {38, 40, 41, 48, 77, 78, 79, 90, 104}


def _low_although_wide(case: Case, _symptom: str) -> float | None:
    reading = case.reading("load_down")
    if reading is None or not _is_sa(reading):
        return None
    loaded = loaded_carriers(case)
    return float(len(loaded) == 1 and _is_low_nr(loaded[0]) and any(_is_wide_nr(c) for c in _heard_elsewhere(case)))


def _mode_of(reading: SeenReading) -> str | None:
    if reading.mode in {"endc", "nr-sa", "lte"}:
        return reading.mode
    rats = {c.rat for c in reading.serving}
    return "endc" if rats == {"lte", "nr"} else None


def _nr_seen(case: Case) -> list[bool]:
    seen = [r.seen_mode in {"endc", "nr-sa", "nsa", "sa", "nr"} for r in case.history if r.seen_mode is not None]
    whole = max((len(r.serving) for r in case.readings if {c.rat for c in r.serving} == {"lte", "nr"}), default=0)
    if not seen and whole:  # with 4G and 5G together, a carrier less under load is the 5G leg
        seen = [r.carriers_under_load >= whole for r in case.history if r.carriers_under_load is not None]
    return seen + [any(c.rat == "nr" for c in r.serving) for r in case.readings if r.state in {"load_down", "load_up"} and r.serving]


def _plateaus(case: Case) -> float | None:
    """The upper over the lower level of a test that has two, each of at least two seconds; None for a short series."""
    test = case.measurement
    seconds = sorted(steady_values(test.series_down_mbps)) if test is not None else []
    if len(seconds) < 5:
        return None
    best = 1.0
    for cut in range(2, len(seconds) - 1):
        low, high = seconds[:cut], seconds[cut:]
        if low[-1] > 0 and fmean(low) > 0 and high[0] / low[-1] > 2:
            best = max(best, fmean(high) / fmean(low))
    return best


def _nr_leg(case: Case, _symptom: str) -> float | None:
    """Whether NR was there in 10-80 % of five or more looks under load, or a test shows two plateaus four times apart."""
    seen, plateaus = _nr_seen(case), _plateaus(case)
    if len(seen) < 5 and (plateaus is None or not any(seen)):
        return None
    share = sum(seen) / len(seen)
    comes_and_goes = len(seen) >= 5 and 0.1 <= share <= 0.8
    return float(comes_and_goes or (any(seen) and plateaus is not None and plateaus > 4))


def _band_fits(band: str | None, rat: str, asked: tuple[str, ...]) -> bool:
    """Whether a band is one of those asked for; where no band of its technology was asked for, that technology is not limited."""
    own = [b for b in asked if b.startswith("n") == (rat == "nr")]
    return band is None or not own or band in own


def _not_in_force(case: Case, _symptom: str) -> float | None:
    """How many readings show a band or mode outside what was asked, where one under load is among them; 0 where all fit."""
    asked = case.asked
    if asked is None or (asked.bands is None and asked.mode in {None, "auto", "automatic", "any"}):
        return 0.0 if asked is not None and case.readings else None
    outside, loaded = 0, False
    for reading in case.readings:
        primary = reading.primary
        if primary is None:
            continue
        wrong = _wrong_mode(asked.mode, reading) or (asked.bands is not None and not _band_fits(primary.band, primary.rat, asked.bands))
        outside += wrong
        loaded = loaded or (wrong and reading.state in {"load_down", "load_up"})
    if not any(r.primary for r in case.readings):
        return None
    return float(outside) if loaded or not outside else 1.0


def _wrong_mode(asked: str | None, reading: SeenReading) -> bool:
    """Whether a reading shows another mode. EN-DC at rest may show only its anchor, so that alone is not wrong."""
    rats = {c.rat for c in reading.serving}
    if asked == "lte":
        return "nr" in rats
    if asked in {"nr-sa", "sa"}:
        return "lte" in rats
    if asked in {"endc", "nsa", "nr-nsa"}:
        return rats == {"nr"}
    return False


# --- before and after, weather, season ----------------------------------------------------------------------------------------


def _split(case: Case, field: str, *, low: float, high: float) -> tuple[list[HistoryRow], list[HistoryRow]]:
    """Return the rows at or below low and those at or above high of a recorded quantity."""
    known = [r for r in case.history if getattr(r, field) is not None]
    return [r for r in known if getattr(r, field) <= low], [r for r in known if getattr(r, field) >= high]


def _middle(rows: Sequence[HistoryRow], field: str) -> float | None:
    values = [x for r in rows if (x := getattr(r, field)) is not None]
    return median(values) if values else None


def _hot_step(case: Case, _symptom: str) -> float | None:
    """Whether hot tests (75 °C and more) ran at less than 0.6 of cool ones (65 °C and less) with carriers dropped and SINR the same."""
    cool, hot = _split(case, "temperature_c", low=65, high=75)
    if not cool or not hot:
        return _hot_in_comparison(case)
    rates = _middle(cool, "down_mbps"), _middle(hot, "down_mbps")
    sinrs = _middle(cool, "sinr_db"), _middle(hot, "sinr_db")
    counts = _middle(cool, "carriers_under_load"), _middle(hot, "carriers_under_load")
    if None in rates or None in sinrs:
        return None
    slower = (rates[1] or 0) < 0.6 * (rates[0] or 0)
    dropped = None in counts or (counts[1] or 0) < (counts[0] or 0)
    return float(slower and dropped and abs((sinrs[0] or 0) - (sinrs[1] or 0)) < 4)


def _hot_in_comparison(case: Case) -> float | None:
    """The same of two rows measured side by side, one cool and one hot."""
    rows = [c for c in case.comparison if "temperature_c" in c.numbers and "goodput_down_mbps" in c.numbers]
    cool, hot = [c for c in rows if c.numbers["temperature_c"] <= 65], [c for c in rows if c.numbers["temperature_c"] >= 75]
    if not cool or not hot:
        return None
    return float(hot[0].numbers["goodput_down_mbps"] < 0.6 * cool[0].numbers["goodput_down_mbps"])


def _rain_fall(case: Case, _symptom: str) -> float | None:
    """RSRP in dry hours minus RSRP in hours of more than 5 mm, in dB."""
    dry, wet = _split(case, "rain_mm_h", low=0.5, high=5.0)
    levels = _middle(dry, "rsrp_dbm"), _middle(wet, "rsrp_dbm")
    return None if levels[0] is None or levels[1] is None or len(dry) < 2 else levels[0] - levels[1]


def _rain_on_mmwave(case: Case, symptom: str) -> float | None:
    fall, carrier = _rain_fall(case, symptom), main_carrier(case)
    bands = [carrier] if carrier is not None else []
    in_fr2 = any(_is_fr2(c) for c in bands) or any(r.band is not None and is_known_band(r.band) and r.band.startswith("n") and split_band(r.band)[1] >= 257 for r in case.history)
    return None if fall is None or not in_fr2 else float(fall > 4)


_WINTER = frozenset({11, 12, 1, 2, 3})
_SUMMER = frozenset({6, 7, 8, 9})


def _seasons(case: Case) -> list[tuple[str, float]]:
    """Return the run of seasons in order: ("winter" or "summer", mean level), joining months of one season."""
    ordered = sorted(case.months, key=lambda m: (m.year or 0, m.number)) if all(m.year for m in case.months) else list(case.months)
    runs: list[tuple[str, list[float]]] = []
    for month in ordered:
        season = "winter" if month.number in _WINTER else "summer" if month.number in _SUMMER else ""
        if season and runs and runs[-1][0] == season:
            runs[-1][1].append(month.rsrp_dbm)
        elif season:
            runs.append((season, [month.rsrp_dbm]))
    return [(season, fmean(levels)) for season, levels in runs]


def _winter_gain(case: Case) -> tuple[float, int] | None:
    """Return (winter minus summer, number of changes of season that show it)."""
    seasons = _seasons(case)
    winter, summer = [v for s, v in seasons if s == "winter"], [v for s, v in seasons if s == "summer"]
    if not winter or not summer:
        return None
    falls = sum(1 for a, b in pairwise(seasons) if a[0] != b[0] and abs(a[1] - b[1]) >= 3)
    return fmean(winter) - fmean(summer), falls


def _leaves_returned(case: Case, _symptom: str) -> float | None:
    gain = _winter_gain(case)
    return None if gain is None else float(gain[0] >= 4 and gain[1] >= 2)


def _fell_once(case: Case, _symptom: str) -> float | None:
    gain = _winter_gain(case)
    return None if gain is None else float(gain[0] >= 4 and gain[1] < 2)


def _feeder_loss(case: Case, _symptom: str) -> float | None:
    return case.feeder_loss_db


def _labelled(case: Case, *words: str) -> Compared | None:
    return next((c for c in case.comparison if any(w in c.label for w in words)), None)


def _number_of(row: Compared | None, *keys: str) -> float | None:
    return None if row is None else next((row.numbers[k] for k in keys if k in row.numbers), None)


def _outdoor_gain(case: Case, _symptom: str) -> float | None:
    """RSRP with the outside antenna minus that with the built-in one, in dB, of a comparison at the same spot."""
    inside = _number_of(_labelled(case, "built-in", "built_in", "builtin", "own"), "rsrp", "rsrp_dbm")
    outside = _number_of(_labelled(case, "outdoor", "outside", "external", "panel", "roof", "mast", "directional"), "rsrp", "rsrp_dbm")
    return None if inside is None or outside is None else outside - inside


def _by_mode(case: Case, *modes: str) -> tuple[float, int] | None:
    """Return (median upload, tests) of a mode, from the comparison or the history."""
    row = next((c for c in case.comparison if any(m in c.label.replace("_", "-") for m in modes)), None)
    found = _number_of(row, "goodput_up_mbps", "up_mbps", "up")
    if row is not None and found is not None:
        return found, int(row.tests or 3)
    rates = [r.up_mbps for r in case.history if r.up_mbps is not None and (r.seen_mode or r.asked_mode) in modes]
    return (median(rates), len(rates)) if rates else None


def _lte_only_gain(case: Case, _symptom: str) -> float | None:
    """Upload in LTE alone over upload in EN-DC, of three tests or more each."""
    alone, both = _by_mode(case, "lte", "lte-only", "lte only"), _by_mode(case, "endc", "nsa", "en-dc")
    if alone is None or both is None or min(alone[1], both[1]) < 3 or both[0] <= 0:
        return None
    return alone[0] / both[0]


def _kinds_apart(case: Case, symptom: str) -> float | None:
    """The fastest over the slowest of several sources or protocols measured within minutes; setups and modes do not count."""
    key = "goodput_up_mbps" if symptom == "up" else "goodput_down_mbps"
    other = ("built", "outdoor", "outside", "lte", "nsa", "endc", "sa", "antenna", "plan", "gateway", "band")
    rates = [c.numbers[key] for c in case.comparison if c.numbers.get(key) and not any(w in c.label for w in other)]
    return max(rates) / min(rates) if len(rates) >= 2 and symptom in {"down", "up"} else None


def _restarts(case: Case, _symptom: str) -> float | None:
    """Share of outages after which the gateway had just started; from its uptime then, or from the next recorded one."""
    said = [o.uptime_after_h < 0.25 for o in case.outages if o.uptime_after_h is not None]
    if not said:
        said = [s for o in case.outages if o.at is not None and (s := _started_since(case, o.at)) is not None]
    if not said and case.events:
        named = sum(any(w in what.lower() for w in ("restart", "reboot")) for _, what in case.events)
        return 1.0 if named >= 2 else None
    return sum(said) / len(said) if said else None


def _started_since(case: Case, outage: datetime) -> bool | None:
    """Whether the next uptime on record is shorter than the time since an outage."""
    later = [(r.at, r.uptime_h) for r in case.history if r.at is not None and r.at > outage and r.uptime_h is not None]
    if not later:
        return None
    at, uptime = min(later)
    return uptime < (at - outage).total_seconds() / 3600 + 0.1


# --- uplink ------------------------------------------------------------------------------------------------------------------


def _sending(case: Case) -> SeenCarrier | None:
    """Return the carrier whose power was read under upload; where several were, the one that sends loudest."""
    reading = case.reading("load_up")
    powered = [c for c in reading.serving if c.tx_power_dbm is not None] if reading is not None else []
    return max(powered, key=lambda c: c.tx_power_dbm or -99) if powered else None


def _headroom(case: Case, _symptom: str) -> float | None:
    sender = _sending(case)
    if sender is None or sender.tx_power_dbm is None:
        return None
    most = case.capability.power_class_dbm if case.capability is not None and case.capability.power_class_dbm is not None else 23.0
    return most - sender.tx_power_dbm


def _upload_carrier(case: Case) -> SeenCarrier | None:
    """Return the carrier that carries the upload: the one whose power was read, else the only one in use, else None."""
    sender = _sending(case)
    if sender is not None:
        return sender
    reading = case.reading("load_up")
    return reading.serving[0] if reading is not None and len(reading.serving) == 1 else None


def _unread_power_rsrp(case: Case, symptom: str) -> float | None:
    """RSRP of the primary carrier where the transmit power was not read."""
    reading = case.reading("load_up") or case.reading("idle")
    if reading is None or _headroom(case, symptom) is not None or reading.primary is None or reading.primary.rat != "lte":
        return None
    return reading.primary.rsrp_dbm


def _on_tdd(case: Case, _symptom: str) -> float | None:
    sender = _upload_carrier(case)
    duplex = None if sender is None else _duplex(sender)
    return None if duplex is None else float(duplex == "TDD")


def _tdd_with_room(case: Case, symptom: str) -> float | None:
    tdd, room = _on_tdd(case, symptom), _headroom(case, symptom)
    return None if tdd is None or room is None else float(bool(tdd) and room > 2.5)


def _weak_anchor(case: Case, symptom: str) -> float | None:
    """Whether, in EN-DC, the upload goes over LTE at the limit while NR is more than 10 dB stronger."""
    reading, sender, room = case.reading("load_up"), _sending(case), _headroom(case, symptom)
    if reading is None or sender is None or room is None or _mode_of(reading) != "endc":
        return None
    nr = [c.rsrp_dbm for c in reading.serving if c.rat == "nr" and c.rsrp_dbm is not None]
    if not nr or sender.rsrp_dbm is None:
        return None
    return float(sender.rat == "lte" and room <= 1.5 and max(nr) > sender.rsrp_dbm + 10)


def _sa_at_limit(case: Case, symptom: str) -> float | None:
    reading, tdd, room = case.reading("load_up"), _on_tdd(case, symptom), _headroom(case, symptom)
    if reading is None or tdd is None or room is None or not _is_sa(reading):
        return None
    return float(bool(tdd) and room <= 1.5)


# --- loss and failures ---------------------------------------------------------------------------------------------------------


def _counts(case: Case) -> tuple[float, float] | None:
    test = case.measurement
    if test is None:
        return None
    sent, lost = test.get("probes_sent"), test.get("probes_lost")
    return (sent, lost) if sent and lost is not None and 0 <= lost <= sent else None


def _loss_low(case: Case, _symptom: str) -> float | None:
    """The lower end of the loss's 95 % interval, both ways and end to end."""
    counts = _counts(case)
    return None if counts is None else wilson_interval(lost=int(counts[1]), sent=int(counts[0])).low


def _loss_before_gateway(case: Case, symptom: str) -> float | None:
    """Share of the lost probes that were lost before the gateway; None unless loss is proved."""
    test, counts, low = case.measurement, _counts(case), _loss_low(case, symptom)
    if test is None or counts is None or low is None or low <= _ACT_ON_LOSS:
        return None
    hop_sent, hop_lost = test.get("first_hop_probes_sent"), test.get("first_hop_probes_lost")
    return min(1.0, hop_lost / hop_sent / (counts[1] / counts[0])) if hop_sent and hop_lost is not None else None


def _far_ends_alike(case: Case, _symptom: str) -> float | None:
    """1 where loss to two far ends is alike and proved, 0 where one has it and another none; None with a single far end."""
    if case.measurement is None or len(case.measurement.far_ends) < 2:
        return None
    shares = [(wilson_interval(lost=int(lost), sent=int(sent)), lost / sent) for _, sent, lost in case.measurement.far_ends if 0 <= lost <= sent]
    lossy = [s for i, s in shares if i.low is not None and i.low > _ACT_ON_LOSS]
    if not lossy:
        return None
    return float(len(lossy) == len(shares) and max(lossy) < 3 * min(lossy))


def _beyond_and_alike(case: Case, symptom: str) -> float | None:
    before, alike, test = _loss_before_gateway(case, symptom), _far_ends_alike(case, symptom), case.measurement
    if before is None or alike is None or test is None:
        return None
    sent, lost = test.get("first_hop_probes_sent"), test.get("first_hop_probes_lost")
    if sent and lost and (wilson_interval(lost=int(min(lost, sent)), sent=int(sent)).low or 0.0) > _ACT_ON_LOSS:
        return None  # some is lost before the gateway too, so what is lost beyond it is not known
    return float(before < 0.5 and bool(alike))


def _one_far_end_only(case: Case, symptom: str) -> float | None:
    alike, before = _far_ends_alike(case, symptom), _loss_before_gateway(case, symptom)
    return None if alike is None else float(not alike and (before is None or before < 0.5))


def _failed(case: Case, phase: str) -> float | None:
    test = case.measurement
    return None if test is None or not test.failures else test.failures.get(phase, 0.0)


def _names_fail(case: Case, _symptom: str) -> float | None:
    """Whether names fail while the line itself connects."""
    names, connect = _failed(case, "name_lookup"), _failed(case, "connect")
    if names is None or connect is None or case.measurement is None:
        return None
    cached = case.measurement.get("connect_by_cached_address_ok")
    return float(names > 0 and connect == 0 and cached != 0)


def _big_packets_vanish(case: Case, _symptom: str) -> float | None:
    """Whether transfers fail after connecting, and fewer than two segments arrived or the path is known to take only small ones."""
    test, transfer, connect = case.measurement, _failed(case, "transfer"), _failed(case, "connect")
    if test is None or transfer is None or connect is None:
        return None
    if transfer == 0 or connect > 0:
        return 0.0
    segments, mtu, small = test.get("segments_delivered"), test.get("path_mtu"), test.get("small_mtu_ok")
    attempts, rate = test.get("attempts"), test.get("goodput_down_mbps")
    nothing = attempts is not None and transfer >= attempts / 2 and (rate is None or rate < 0.1)
    if segments is None and mtu is None and small is None and not nothing:
        return None
    return float((segments is not None and segments < 2) or (mtu is not None and mtu < 1450) or bool(small) or nothing)


def _address_kind(case: Case, word: str) -> float | None:
    address = None if case.measurement is None else case.measurement.texts.get("address")
    if address is None:
        return None
    plain = address.lower().replace("-", " ").replace("_", " ")
    if word == "shared" and (numbers := re.match(r"100\.(\d{1,3})\.\d{1,3}\.\d{1,3}", plain)) is not None:
        return float(64 <= int(numbers.group(1)) <= 127)  # RFC 6598
    return float(word in plain)


def _behind_shared(case: Case, _symptom: str) -> float | None:
    """Whether the address is shared and nobody gets in from outside while going out works."""
    shared, test = _address_kind(case, "shared"), case.measurement
    if shared is None or test is None:
        return None
    inbound = next((n for k in ("inbound_ok", "inbound_connections_ok", "inbound_succeeded", "inbound") if (n := test.get(k)) is not None), None)
    return float(bool(shared) and inbound == 0) if inbound is not None else None


def _shared_address(case: Case, _symptom: str) -> float | None:
    return _address_kind(case, "shared")


def _ipv6_only(case: Case, _symptom: str) -> float | None:
    return _address_kind(case, "ipv6 only")


def _idle_cell_load(case: Case, _symptom: str) -> float | None:
    """Share of the cell in use by others, from the idle LTE RSRQ at a SINR above 10 dB; None otherwise. Two ports assumed."""
    idle = case.reading("idle")
    cell = None if idle is None else idle.primary
    if cell is None or cell.rat != "lte" or cell.rsrq_db is None or cell.sinr_db is None or cell.sinr_db <= 10:
        return None
    load = (10 ** (-cell.rsrq_db / 10) - 4 - 12 / 10 ** (cell.sinr_db / 10)) / 16
    return min(max(load, 0.0), 1.0)


_OURS = "our algebra"
EVIDENCE: tuple[EvidenceRow, ...] = (
    EvidenceRow("rate_ratio", "share of what the carriers would carry alone", "", _rate_ratio, "TR 36.942 annex A; measured on 547 runs of a minute"),
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
    EvidenceRow("cell_load_idle", "share of the cell others use, from idle RSRQ", "", _idle_cell_load, _OURS),
    EvidenceRow("rise_ms", "rise of the delay under load", "ms", _rise_ms),
    EvidenceRow("hop_share", "share of that rise before the gateway", "", _hop_share, "measured: .98-1.04 on Wi-Fi, .00-.01 on the radio"),
    EvidenceRow("wifi", "the computer is on Wi-Fi", "yes/no", _is_wifi),
    EvidenceRow("wifi_hop_share", "share of the rise on the Wi-Fi", "", _wifi_hop_share, "measured"),
    EvidenceRow("cable_hop_share", "share of the rise before the gateway, over a cable", "", _cable_hop_share, "measured"),
    EvidenceRow("port_gap", "rate against the computer's port", "", _port_gap, "RFC 6349: 0.941 of nominal"),
    EvidenceRow("far_port_gap", "rate against the server's port", "", _far_port_gap, "RFC 6349: 0.941 of nominal"),
    EvidenceRow("near_busy", "the computer cannot take more", "yes/no", _near_busy, "measured"),
    EvidenceRow("far_busy", "the server is busy", "yes/no", _far_busy),
    EvidenceRow("other_share", "share of other traffic at home", "", _other_share),
    EvidenceRow("first_wake", "the first round trip after a pause is slow, the rest steady", "yes/no", _first_wake, "measured on two networks, n 674"),
    EvidenceRow("single_flow", "one stream runs at what its loss and delay allow, the line has twice that", "yes/no", _single_flow, "Mathis and others 1997; RFC 8312"),
    EvidenceRow("capacity_over_single", "capacity over one stream's rate", "", _capacity_over_single),
    EvidenceRow("bbr", "the sender uses BBR", "yes/no", _is_bbr),
    EvidenceRow("sinr_db", "SINR of the main carrier", "dB", _sinr),
    EvidenceRow("rsrp_dbm", "RSRP of the main carrier", "dBm", _rsrp),
    EvidenceRow("noise_gap_db", "disturbance above thermal noise", "dB", _noise_gap, "k T0 and a noise figure of 7 dB"),
    EvidenceRow("poor_by_noise", "SINR below 10 dB and little above noise", "yes/no", _poor_by_noise, _OURS),
    EvidenceRow("poor_by_others", "SINR below 10 dB though far above noise", "yes/no", _poor_by_others, _OURS),
    EvidenceRow("neighbour_gap_db", "serving cell above the strongest on its channel", "dB", _neighbour_gap),
    EvidenceRow("on_the_seam", "another cell within 3 dB on the channel, SINR below 10 dB", "yes/no", _on_the_seam),
    EvidenceRow("same_mast", "the neighbour's cell number is next to ours", "yes/no", _same_mast_neighbour),
    EvidenceRow("overdriven", "RSRP above -55 dBm and SINR below 13 dB", "yes/no", _overdriven, "TS 36.101 7.4"),
    EvidenceRow("step_down_db", "lasting step down of RSRP, same cell", "dB", _step_down),
    EvidenceRow("cell_changes", "cell changes an hour", "1/h", _cell_changes, "measured at fixed places: median 0, mean 2.3"),
    EvidenceRow("port_spread_db", "antenna ports apart", "dB", _port_spread),
    EvidenceRow("rank_one", "rank 1 at a SINR above 15 dB", "yes/no", _rank_one),
    EvidenceRow("rank_two_seen", "two layers seen under load", "yes/no", _rank_two_seen),
    EvidenceRow("same_stream", "rank 1 at a SINR above 15 dB, ports within 5 dB", "yes/no", _same_stream),
    EvidenceRow("fewer_at_idle", "fewer carriers at rest than under load", "yes/no", _fewer_at_idle),
    EvidenceRow("load_was_read", "the radio was read under load", "yes/no", _load_was_read),
    EvidenceRow("one_carrier_complaint", "fewer carriers at rest, and that was the complaint", "yes/no", _one_carrier_complaint),
    EvidenceRow("joined_none", "one carrier under load though the gateway can more and other bands are heard", "yes/no", _joined_none),
    EvidenceRow("all_in_use", "all carriers the gateway can do are in use", "yes/no", _all_in_use),
    EvidenceRow("at_capability", "at the gateway's maximum, and the rate is what that gives", "yes/no", _at_capability),
    EvidenceRow("scell_inactive", "a secondary carrier is inactive under load", "yes/no", _scell_inactive, "TS 38.321 5.9"),
    EvidenceRow("counts_vary", "the number of carriers varies between loaded tests", "yes/no", _counts_vary),
    EvidenceRow("low_although_wide", "5G alone on one low band though a wide one is heard", "yes/no", _low_although_wide),
    EvidenceRow("nr_leg", "the 5G leg comes and goes under load", "yes/no", _nr_leg),
    EvidenceRow("not_in_force", "readings outside what was asked", "readings", _not_in_force),
    EvidenceRow("hot_step", "hot tests slow with carriers dropped, cool ones not", "yes/no", _hot_step),
    EvidenceRow("rain_on_mmwave", "weaker by more than 4 dB in heavy rain, above 24 GHz", "yes/no", _rain_on_mmwave, "ITU-R P.838"),
    EvidenceRow("leaves_returned", "winters stronger than summers, more than once", "yes/no", _leaves_returned, "ITU-R P.833"),
    EvidenceRow("fell_once", "weaker in summer than in winter, seen once", "yes/no", _fell_once),
    EvidenceRow("feeder_loss_db", "declared feeder loss", "dB", _feeder_loss),
    EvidenceRow("outdoor_gain_db", "RSRP outside minus built-in antenna", "dB", _outdoor_gain),
    EvidenceRow("kinds_apart", "fastest over slowest source", "", _kinds_apart),
    EvidenceRow("restarts", "share of outages that ended with the gateway just started", "", _restarts),
    EvidenceRow("headroom_db", "transmit power left under upload", "dB", _headroom, "TS 36.101 6.2, TS 38.101-1 6.2"),
    EvidenceRow("unread_power_rsrp", "RSRP where the transmit power was not read", "dBm", _unread_power_rsrp, "measured"),
    EvidenceRow("on_tdd", "the upload goes over an unpaired carrier", "yes/no", _on_tdd),
    EvidenceRow("tdd_with_room", "the upload goes over an unpaired carrier with power to spare", "yes/no", _tdd_with_room, "TS 38.331 TDD-UL-DL-Pattern"),
    EvidenceRow("weak_anchor", "upload over LTE at its limit, NR more than 10 dB stronger", "yes/no", _weak_anchor, "TS 38.323 5.2.1"),
    EvidenceRow("lte_only_gain", "upload in LTE alone over upload in EN-DC", "", _lte_only_gain),
    EvidenceRow("sa_at_limit", "5G alone sends on an unpaired carrier at its limit", "yes/no", _sa_at_limit),
    EvidenceRow("loss_low", "proved packet loss, lower end", "", _loss_low, "Wilson 95 %"),
    EvidenceRow("loss_before_gateway", "share of the loss before the gateway", "", _loss_before_gateway),
    EvidenceRow("beyond_and_alike", "loss beyond the gateway, to two far ends alike", "yes/no", _beyond_and_alike),
    EvidenceRow("one_far_end_only", "loss to one far end, none to another", "yes/no", _one_far_end_only),
    EvidenceRow("names_fail", "names fail while the line connects", "yes/no", _names_fail),
    EvidenceRow("big_packets_vanish", "connected, but big packets do not arrive", "yes/no", _big_packets_vanish, "RFC 8899"),
    EvidenceRow("behind_shared", "shared address, nobody gets in, going out works", "yes/no", _behind_shared, "RFC 6598"),
    EvidenceRow("shared_address", "the address is shared", "yes/no", _shared_address, "RFC 6598"),
    EvidenceRow("ipv6_only", "only IPv6 addresses", "yes/no", _ipv6_only, "RFC 7050"),
)


def gather(case: Case, symptom: str) -> Mapping[str, float]:
    """Return every piece of evidence that the case bears for a symptom, by key; what is not known is not there."""
    return {row.key: value for row in EVIDENCE if (value := row.find(case, symptom)) is not None and math.isfinite(value)}

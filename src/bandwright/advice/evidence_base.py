"""What the evidence rests on: which carriers worked under load, what a test's rate was, which earlier tests may be compared with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean, median

from bandwright.advice.case import Case, HistoryRow, SeenCarrier
from bandwright.radio.bands import duplex_of, is_known_band, split_band
from bandwright.radio.rates import CarrierState

__all__ = [
    "EVENING_HOURS",
    "NIGHT_HOURS",
    "ONE_SECOND_BINS",
    "EvidenceRow",
    "cap_now",
    "cap_state",
    "carrier_state",
    "duplex_of_carrier",
    "goodput",
    "is_mmwave",
    "like_now",
    "loaded_carriers",
    "main_carrier",
    "row_rate",
    "scs_khz_of",
    "steady_values",
]

NIGHT_HOURS = range(6)
EVENING_HOURS = range(18, 23)
ONE_SECOND_BINS = 10  # bins of 100 ms


@dataclass(frozen=True, slots=True)
class EvidenceRow:
    """One row: key, what it is in words, the unit it is shown in, the function, and where the rule comes from."""

    key: str
    label: str
    unit: str
    find: Callable[[Case, str], float | None]
    source: str = "common practice, no source"


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


def carrier_state(c: SeenCarrier) -> CarrierState | None:
    """Return what a rate follows from, or None where width or SINR was not read."""
    if c.width_mhz is None or c.sinr_db is None or c.rat not in {"lte", "nr"}:
        return None
    known = c.band if c.band is not None and is_known_band(c.band) else None
    rank = c.rank if c.rank is not None and 1 <= c.rank <= 8 else 1 if _one_port(c) else None
    return CarrierState(
        rat=c.rat,
        bandwidth_mhz=c.width_mhz,
        sinr_db=c.sinr_db,
        layers=rank,
        scs_khz=c.scs_khz if c.rat == "nr" else None,
        duplex=duplex_of_carrier(c) or "FDD",
        band=known,
    )


def _one_port(c: SeenCarrier) -> bool:
    """Whether one antenna port hears 10 dB more than the other: with the number of layers unread, one is to be expected. Common practice, no source."""
    return len(c.ports) >= 2 and max(c.ports) - sorted(c.ports)[-2] >= 10


def duplex_of_carrier(c: SeenCarrier) -> str | None:
    """Return the duplex that was read, else the band's, else None."""
    if c.duplex is not None:
        return c.duplex.upper()
    return duplex_of(c.band) if c.band is not None and is_known_band(c.band) else None


def _share_down(c: SeenCarrier) -> float:
    return 0.75 if duplex_of_carrier(c) == "TDD" else 1.0


def scs_khz_of(c: SeenCarrier) -> int:
    """Return the subcarrier spacing: 15 for LTE; for NR what was read, else the usual one."""
    if c.rat == "lte":
        return 15
    return c.scs_khz or (30 if duplex_of_carrier(c) == "TDD" else 15)


def is_mmwave(c: SeenCarrier) -> bool:
    """Whether a carrier lies above 24 GHz."""
    return c.rat == "nr" and c.band is not None and is_known_band(c.band) and split_band(c.band)[1] >= 257


def goodput(case: Case, symptom: str) -> float | None:
    """Return this test's rate in the symptom's direction."""
    return None if case.measurement is None else case.measurement.get("goodput_up_mbps" if symptom == "up" else "goodput_down_mbps")


def row_rate(row: HistoryRow, symptom: str) -> float | None:
    """Return an earlier test's rate in the symptom's direction."""
    return row.up_mbps if symptom == "up" else row.down_mbps


def cap_state(row: HistoryRow, case: Case) -> bool | None:
    """Return whether the cap was passed at a row's time, or None where that is not known."""
    if row.cap_passed is not None:
        return row.cap_passed
    cap = None if case.plan is None else case.plan.cap_gb
    return None if cap is None or row.used_gb is None else row.used_gb >= cap


def cap_now(case: Case) -> bool | None:
    """Return whether the cap is passed now, or None where that is not known; no cap is never passed."""
    if case.plan is None:
        return None
    if case.plan.cap_gb is None:
        return False
    return None if case.plan.used_gb is None else case.plan.used_gb >= case.plan.cap_gb


def like_now(case: Case) -> tuple[HistoryRow, ...]:
    """Return the rows that may be compared with the present: not before a cap was passed."""
    now = cap_now(case)
    return tuple(r for r in case.history if cap_state(r, case) in {None, now} or now is None)


def steady_values(series: Sequence[float]) -> tuple[float, ...]:
    """Return one-second means of a series of 100 ms bins without its ramp: the first second, and a first burst, are left off."""
    rest = list(series[ONE_SECOND_BINS:])
    seconds = [fmean(rest[i : i + ONE_SECOND_BINS]) for i in range(0, len(rest) - ONE_SECOND_BINS + 1, ONE_SECOND_BINS)]
    while len(seconds) > 5 and seconds[0] > 1.3 * median(seconds[1:]):
        seconds.pop(0)
    return tuple(seconds)

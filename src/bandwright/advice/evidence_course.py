"""Evidence from before and after: steps, heat, rain, seasons, restarts, and things compared side by side."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from statistics import fmean, median, pstdev

from bandwright.advice.case import Case, Compared, HistoryRow
from bandwright.advice.evidence_base import (
    EvidenceRow,
    is_mmwave,
    main_carrier,
)
from bandwright.radio.bands import is_known_band, split_band

__all__ = ["ROWS"]

_WINTER = frozenset({11, 12, 1, 2, 3})
_SUMMER = frozenset({6, 7, 8, 9})


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
    in_fr2 = any(is_mmwave(c) for c in bands) or any(
        r.band is not None and is_known_band(r.band) and r.band.startswith("n") and split_band(r.band)[1] >= 257 for r in case.history
    )
    return None if fall is None or not in_fr2 else float(fall > 4)


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
    return next((c for c in case.comparison if c.words & set(words)), None)


def _outdoor_gain(case: Case, _symptom: str) -> float | None:
    """RSRP with the outside antenna minus that with the built-in one, in dB, of a comparison at the same spot."""
    inside = _labelled(case, "built", "builtin", "internal", "own")
    outside = _labelled(case, "outdoor", "outside", "external", "panel", "roof", "mast", "directional")
    levels = [c.number("rsrp", "rsrp_dbm") for c in (inside, outside) if c is not None]
    return levels[1] - levels[0] if len(levels) == 2 and levels[0] is not None and levels[1] is not None else None


_SETUP_WORDS = frozenset({"built", "builtin", "outdoor", "outside", "lte", "nsa", "endc", "sa", "antenna", "plan", "gateway", "band", "soak"})


def _kinds_apart(case: Case, symptom: str) -> float | None:
    """The fastest over the slowest of several sources or protocols measured within minutes; setups and modes do not count."""
    key = "goodput_up_mbps" if symptom == "up" else "goodput_down_mbps"
    rates = [c.numbers[key] for c in case.comparison if c.numbers.get(key) and not c.words & _SETUP_WORDS]
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


ROWS: tuple[EvidenceRow, ...] = (
    EvidenceRow("step_down_db", "lasting step down of RSRP, same cell", "dB", _step_down),
    EvidenceRow("cell_changes", "cell changes an hour", "1/h", _cell_changes, "measured at fixed places: median 0, mean 2.3"),
    EvidenceRow("hot_step", "hot tests slow with carriers dropped, cool ones not", "yes/no", _hot_step),
    EvidenceRow("rain_on_mmwave", "weaker by more than 4 dB in heavy rain, above 24 GHz", "yes/no", _rain_on_mmwave, "ITU-R P.838"),
    EvidenceRow("leaves_returned", "winters stronger than summers, more than once", "yes/no", _leaves_returned, "ITU-R P.833"),
    EvidenceRow("fell_once", "weaker in summer than in winter, seen once", "yes/no", _fell_once),
    EvidenceRow("feeder_loss_db", "declared feeder loss", "dB", _feeder_loss),
    EvidenceRow("outdoor_gain_db", "RSRP outside minus built-in antenna", "dB", _outdoor_gain),
    EvidenceRow("kinds_apart", "fastest over slowest source", "", _kinds_apart),
    EvidenceRow("restarts", "share of outages that ended with the gateway just started", "", _restarts),
)

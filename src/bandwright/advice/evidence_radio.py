"""Evidence from the radio state: quality, neighbours, antenna ports, layers, carriers, modes, and whether a setting is in force."""

from __future__ import annotations

import math
from statistics import fmean, median

from bandwright.advice.case import Case, SeenCarrier, SeenReading
from bandwright.advice.evidence_base import (
    EvidenceRow,
    loaded_carriers,
    main_carrier,
    scs_khz_of,
    steady_values,
)
from bandwright.advice.evidence_rates import rate_ratio
from bandwright.radio.bands import is_known_band, split_band
from bandwright.radio.identities import neighbouring_cells
from bandwright.radio.levels import noise_gap_db as noise_gap_of

__all__ = ["ROWS", "is_sa", "mode_of"]

_LOWEST_HEARD_DBM = -105.0


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
    gaps = [
        noise_gap_of(rsrp_dbm=c.rsrp_dbm, sinr_db=c.sinr_db, scs_khz=scs_khz_of(c))
        for c in _main_rows(case)
        if c.rsrp_dbm is not None and c.sinr_db is not None
    ]
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
    capability, loaded, ratio = case.capability, loaded_carriers(case), rate_ratio(case, symptom)
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


def is_sa(reading: SeenReading) -> bool:
    """Whether a reading shows 5G alone."""
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
    if reading is None or not is_sa(reading):
        return None
    loaded = loaded_carriers(case)
    return float(len(loaded) == 1 and _is_low_nr(loaded[0]) and any(_is_wide_nr(c) for c in _heard_elsewhere(case)))


def mode_of(reading: SeenReading) -> str | None:
    """Return the mode, from the reading or from its carriers, or None."""
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


_OURS = "our algebra"
ROWS: tuple[EvidenceRow, ...] = (
    EvidenceRow("sinr_db", "SINR of the main carrier", "dB", _sinr),
    EvidenceRow("rsrp_dbm", "RSRP of the main carrier", "dBm", _rsrp),
    EvidenceRow("noise_gap_db", "disturbance above thermal noise", "dB", _noise_gap, "k T0 and a noise figure of 7 dB"),
    EvidenceRow("poor_by_noise", "SINR below 10 dB and little above noise", "yes/no", _poor_by_noise, _OURS),
    EvidenceRow("poor_by_others", "SINR below 10 dB though far above noise", "yes/no", _poor_by_others, _OURS),
    EvidenceRow("neighbour_gap_db", "serving cell above the strongest on its channel", "dB", _neighbour_gap),
    EvidenceRow("on_the_seam", "another cell within 3 dB on the channel, SINR below 10 dB", "yes/no", _on_the_seam),
    EvidenceRow("same_mast", "the neighbour's cell number is next to ours", "yes/no", _same_mast_neighbour),
    EvidenceRow("overdriven", "RSRP above -55 dBm and SINR below 13 dB", "yes/no", _overdriven, "TS 36.101 7.4"),
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
)

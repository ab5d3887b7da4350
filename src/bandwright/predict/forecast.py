"""What rate a reading or a proposed setup should carry, as a distribution; and, from it, the predicted score of a setup.

The shape comes from the truncated Shannon bound of TR 36.942 Annex A, split over layers. Its spread comes from measured
residuals, not from the bound: in 547 one-minute tests at 34 fixed places the goodput was 0.58 of this form where the share of
the cell was not known (sd of ln 0.55), and 1.04 of it times the share where it was (sd 0.47). A radio reading separates places and
antennas, not minutes; the interval says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

from bandwright.predict.carriers import ActiveCarrier, active_carriers
from bandwright.radio.links import layered_efficiency
from bandwright.radio.rates import FIRST_TRANSMISSION_SHARE, CarrierState, carrier_peak_mbps
from bandwright.radio.tdd import TddShares
from bandwright.units import db_to_ratio
from bandwright.words.answers import Forecast
from bandwright.words.radio import Rat, Reading
from bandwright.words.site import Need, Requirements

__all__ = ["DOWN_RATIO", "DOWN_SD_LN", "UP_RATIO", "UP_SD_LN", "USUAL_DEVICE", "Device", "RateSpread", "downlink_formula_mbps", "expected_rates", "prior_scores", "uplink_formula_mbps"]

_LEVEL = 0.80
_SOURCE = "TR 36.942 Annex A; spread from published measurements at fixed places (LTE carrier aggregation 2019, uplink tests 2022-23)"

# Residuals of ln(goodput / formula), one test, load of the cell unknown. Read off published open measurements at fixed places.
DOWN_RATIO, DOWN_SD_LN = 0.58, 0.55
# Upload over the formula below, static tests with one sending leg or two; 80 % intervals made of these held 0.80 (LTE, 195 tests) and 0.82 (5G, 205).
UP_RATIO, UP_SD_LN = 1.3, 1.0
# One SINR reading scatters by this much; means of a minute by 1.5 dB.
_ONE_READING_SINR_SD_DB = 3.5

# SINR (dB) where only the RSRP (dBm) of a carrier was printed, as for NR carriers beside the first: medians by RSRP of open traces that carry both
# (LTE at fixed places 2019, 40,000 readings; 5G on the road, 98,000), and how far the middle 80 % of places and minutes lie about them.
_USUAL_SINR_DB = ((-120.0, -1.0), (-110.0, 4.5), (-100.0, 8.0), (-90.0, 13.0), (-80.0, 16.0))
_USUAL_SINR_SD_DB = 6.0

# Uplink: level of the base station per resource element less its receive gain, and its noise figure with the usual rise of
# noise. With these the formula passes published medians of upload by RSRP (LTE -107..-75 dBm, 5G -107..-82 dBm) within a factor
# of 1.9. Common practice, no source.
_UL_REFERENCE_DBM = {Rat.LTE: 15.2, Rat.NR: 2.0}
_BASE_NOISE_DB = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """What of a gateway a rate depends on.

    max_layers: receive branches and capability. power_dbm: power class (23 is class 3). max_dl_carriers: None is no limit known.
    """

    max_layers: int = 4
    assumed_layers: int = 2
    power_dbm: float = 23.0
    max_dl_carriers: int | None = None
    max_ul_layers: int = 1


USUAL_DEVICE = Device()


@dataclass(frozen=True, slots=True, kw_only=True)
class RateSpread:
    """A rate as ln-normal: median and sd of ln. mbps 0 has no spread."""

    median_mbps: float
    sd_ln: float

    def quantile_mbps(self, share: float) -> float:
        """Return the rate below which `share` (0..1) of tests lie."""
        return self.median_mbps * math.exp(self.sd_ln * NormalDist().inv_cdf(share)) if self.median_mbps > 0 else 0.0

    def chance_of(self, required_mbps: float) -> float:
        """Return the chance that one test reaches required_mbps."""
        if required_mbps <= 0:
            return 1.0
        if self.median_mbps <= 0:
            return 0.0
        return NormalDist().cdf(math.log(self.median_mbps / required_mbps) / self.sd_ln)


def downlink_formula_mbps(*, sinr_db: float, layers: int, blocks: int, scs_khz: int, share: float = 1.0) -> float:
    """Return layers·min(4.4, 0.6·log2(1 + SINR/layers))·blocks·12·spacing·share·0.9, in Mbit/s; 0 below −10 dB of SINR.

    0.9: link adaptation aims at 10 % first-transmission errors (TS 36.213 7.2.3, TS 38.214 5.2.2.1).
    Source: TR 36.942 Annex A (alpha 0.6, −10 dB, 4.4 bit/s/Hz), power shared equally among layers.
    """
    return layered_efficiency(sinr_db, layers) * blocks * 12 * scs_khz * 1e-3 * share * FIRST_TRANSMISSION_SHARE


def uplink_formula_mbps(*, rsrp_dbm: float, power_dbm: float, rat: Rat, blocks: int, scs_khz: int, share: float = 1.0) -> float:
    """Return the upload of a device that sends at full power over all its blocks, in Mbit/s.

    Path loss from RSRP and an assumed level of the base station; alpha 0.4 and its cap from TR 36.942 Annex A (2.0 bit/s/Hz for LTE), TR 38.803 (22 dB for NR).
    """
    width_hz = blocks * 12 * scs_khz * 1e3
    received_dbm = power_dbm - (_UL_REFERENCE_DBM[rat] - rsrp_dbm)
    noise_dbm = -173.975 + 10.0 * math.log10(width_hz) + _BASE_NOISE_DB
    snr = db_to_ratio(received_dbm - noise_dbm)
    cap = 2.0 if rat is Rat.LTE else 0.4 * math.log2(1.0 + 10.0**2.2)
    return min(cap, 0.4 * math.log2(1.0 + snr)) * width_hz * 1e-6 * share * FIRST_TRANSMISSION_SHARE


def expected_rates(reading: Reading, *, device: Device = USUAL_DEVICE, tdd: TddShares | None = None, averaged: bool = False) -> tuple[Forecast, ...]:
    """Return what one test under this reading should show: goodput_down_mbps and goodput_up_mbps, in sum (of="") and per carrier.

    averaged: the reading is a mean over 30 s or more, so its SINR scatters less. Where the SINR of a carrier was not printed, the usual one
    at its RSRP is taken, and the interval is wider for it. A carrier without a width, or without both, is left out. The sum's
    assumptions say either; with nothing to go by, the tuple is empty.
    """
    states = active_carriers(reading, tdd=tdd)
    downs = _downlinks(states, device)
    ups = _uplinks(states, device)
    left_out = tuple(f"{s.of}: left out, no {' and '.join(s.missing)} in the reading" for s in states if _lacks(s))
    guessed = tuple(
        f"{s.of}: its SINR was not printed; {_sinr_db(s):.0f} dB, usual at its RSRP, is taken, give or take {_USUAL_SINR_SD_DB:g} dB"
        for s in states
        if s.sinr_db is None and not _lacks(s)
    )
    rows: list[Forecast] = []
    for quantity, parts, sd_ln in (("goodput_down_mbps", downs, _down_sd(downs, states, averaged)), ("goodput_up_mbps", ups, UP_SD_LN)):
        if not parts:
            continue
        notes = _assumptions(quantity, states, device) + (guessed if quantity == "goodput_down_mbps" else ()) + left_out
        ceilings = _ceilings(quantity, [of for of, _ in parts], states, device)
        rows.append(_forecast(quantity, sum(p for _, p in parts), sd_ln, notes, "", sum(ceilings.values())))
        rows += [_forecast(quantity, part, sd_ln, (), of, ceilings[of]) for of, part in parts]
    return tuple(rows)


def prior_scores(forecasts: Mapping[str, Sequence[Forecast]], needs: Sequence[Need]) -> dict[str, float]:
    """Return the predicted score of each setup, -1..1: the mean over needs of the expected clipped margin min(ln(rate / required)).

    forecasts: setup key -> what `expected_rates` or `nextsteps` foresee for it. Only rates are scored: physics says little of delay or loss.
    Setups without a forecast, or needs without a rate, are left out.
    """
    scores: dict[str, float] = {}
    for setup, rows in forecasts.items():
        spreads = {row.quantity: _spread_of(row) for row in rows if not row.of}
        parts = [(need.weight, score) for need in needs if (score := _expected_margin(need.requirements, spreads)) is not None]
        if parts:
            scores[setup] = sum(w * s for w, s in parts) / sum(w for w, _ in parts)
    return scores


def _lacks(state: ActiveCarrier) -> bool:
    return state.blocks is None or _sinr_db(state) is None


def _sinr_db(state: ActiveCarrier) -> float | None:
    """Return the SINR that was read, else the usual one at the RSRP that was read, else None."""
    if state.sinr_db is not None or state.rsrp_dbm is None:
        return state.sinr_db
    for (low, at_low), (high, at_high) in pairwise(_USUAL_SINR_DB):
        if state.rsrp_dbm <= high:
            return at_low + (at_high - at_low) * max(0.0, state.rsrp_dbm - low) / (high - low)
    return _USUAL_SINR_DB[-1][1]


def _layers(state: ActiveCarrier, device: Device) -> int:
    return min(state.layers or device.assumed_layers, device.max_layers)


def _downlinks(states: Sequence[ActiveCarrier], device: Device) -> list[tuple[str, float]]:
    parts = [
        (
            s.of,
            DOWN_RATIO
            * downlink_formula_mbps(sinr_db=sinr_db, layers=_layers(s, device), blocks=s.blocks, scs_khz=s.scs_khz, share=s.down_share),
        )
        for s in states
        if s.blocks is not None and (sinr_db := _sinr_db(s)) is not None
    ]
    parts.sort(key=lambda part: -part[1])
    return parts if device.max_dl_carriers is None else parts[: device.max_dl_carriers]


def _uplinks(states: Sequence[ActiveCarrier], device: Device) -> list[tuple[str, float]]:
    """Upload per sending carrier; where there are two (EN-DC), the class is the sum over both (TS 38.101-3 6.2B.1), so each gets half."""
    senders = [s for s in states if s.uplink and s.ul_blocks is not None and s.rsrp_dbm is not None]
    power_dbm = device.power_dbm - 10.0 * math.log10(max(1, len(senders)))
    return [
        (s.of, UP_RATIO * uplink_formula_mbps(rsrp_dbm=s.rsrp_dbm, power_dbm=power_dbm, rat=s.rat, blocks=s.ul_blocks, scs_khz=s.scs_khz, share=s.up_share))
        for s in senders
        if s.rsrp_dbm is not None and s.ul_blocks is not None
    ]


def _down_sd(downs: Sequence[tuple[str, float]], states: Sequence[ActiveCarrier], averaged: bool) -> float:
    """Residual sd of ln, with the scatter of the SINR reading carried through the formula's slope at the strongest carrier.

    A carrier whose SINR was not read adds what that leaves open, by its part in the sum.
    """
    if not downs:
        return DOWN_SD_LN
    best = next(s for s in states if s.of == downs[0][0])
    sinr_sd = 1.5 if averaged else _ONE_READING_SINR_SD_DB
    read = _slope_ln_per_db(best.sinr_db) * sinr_sd if best.sinr_db is not None else 0.0
    total = sum(part for _, part in downs)
    unread = [
        part / total * _slope_ln_per_db(_sinr_db(s) or 0.0) * _USUAL_SINR_SD_DB for of, part in downs if total > 0 for s in states if s.of == of and s.sinr_db is None
    ]
    return math.hypot(DOWN_SD_LN, read, *unread)


def _slope_ln_per_db(sinr_db: float) -> float:
    ratio = db_to_ratio(sinr_db)
    return (math.log(10.0) / 10.0) * ratio / ((1.0 + ratio) * math.log1p(ratio))


def _assumptions(quantity: str, states: Sequence[ActiveCarrier], device: Device) -> tuple[str, ...]:
    notes = []
    if quantity == "goodput_down_mbps":
        notes.append("the share of the cell that is free is not known: 0.58 of what the radio alone would carry is the usual middle")
        if any(s.layers is None for s in states):
            notes.append(f"{device.assumed_layers} layers where the rank was not read")
    else:
        notes.append(f"sending at {device.power_dbm:g} dBm; the base station's level is assumed")
    divided = [s for s in states if s.duplex == "TDD"]
    if divided:
        notes.append(f"TDD: {divided[0].down_share:.0%} of time down, {divided[0].up_share:.0%} up")
    return tuple(notes)


def _ceilings(quantity: str, which: Sequence[str], states: Sequence[ActiveCarrier], device: Device) -> dict[str, float]:
    """The most the standard allows per carrier: TS 38.306 4.1.2 and TS 36.213 7.1.7."""
    down = quantity == "goodput_down_mbps"
    found = {}
    for s in states:
        if s.of in which:
            state = CarrierState(
                rat=s.rat.value,
                bandwidth_mhz=s.bandwidth_mhz or 0.0,
                layers=_layers(s, device) if down else device.max_ul_layers,
                scs_khz=s.scs_khz,
                duplex=s.duplex,
                share=s.down_share if down else s.up_share,
                band=s.band,
                resource_blocks=s.blocks if down else s.ul_blocks,
            )
            found[s.of] = carrier_peak_mbps(state, direction="down" if down else "up")
    return found


def _forecast(quantity: str, median: float, sd_ln: float, notes: tuple[str, ...], of: str, ceiling: float) -> Forecast:
    spread = RateSpread(median_mbps=min(median, ceiling), sd_ln=sd_ln)
    edge = (1.0 - _LEVEL) / 2.0
    return Forecast(
        quantity=quantity,
        median=spread.median_mbps,
        low=spread.quantile_mbps(edge),
        high=min(spread.quantile_mbps(1.0 - edge), ceiling),
        level=_LEVEL,
        unit="Mbit/s",
        ceiling=ceiling,
        assumptions=notes,
        source=_SOURCE,
        of=of,
    )


def _spread_of(row: Forecast) -> RateSpread:
    if row.median <= 0 or row.low <= 0:
        return RateSpread(median_mbps=0.0, sd_ln=DOWN_SD_LN)
    z = NormalDist().inv_cdf((1.0 + row.level) / 2.0)
    return RateSpread(median_mbps=row.median, sd_ln=max(1e-6, math.log(row.median / row.low) / z))  # the upper end may be cut by the ceiling


def _expected_margin(required: Requirements, spreads: Mapping[str, RateSpread]) -> float | None:
    """E[min over directions of ln(rate/required), clipped to −1..1], by quadrature over independent directions."""
    wanted = [
        (spreads[quantity], need_mbps)
        for quantity, need_mbps in (("goodput_down_mbps", required.downlink_mbps), ("goodput_up_mbps", required.uplink_mbps))
        if need_mbps and quantity in spreads
    ]
    if not wanted:
        return None
    # E[clip(X)] = -1 + integral over x from -1 to 1 of P(X > x); P(min > x) is the product over directions.
    steps = 400
    total = 0.0
    for i in range(steps):
        x = -1.0 + 2.0 * (i + 0.5) / steps
        chance = 1.0
        for spread, need_mbps in wanted:
            chance *= spread.chance_of(need_mbps * math.exp(x))
        total += chance * 2.0 / steps
    return total - 1.0

"""Levels at the receiver port, per resource element: noise, interference, and what a change of rig does to SINR and uplink.

    N = −173.975 + 10·log10(spacing) + NF        NI = RSRP − SINR        I = NI − N (powers)
    SINR' = RSRP + Δs − ((I + Δi) + N)           (sums of powers, in dB)

Δs is the change of the wanted signal at the port, Δi of the interference. A feeder at 290 K leaves the noise at the port as it is, so it costs
signal and interference alike: all of its loss where noise limits, nothing of SINR where interference does, and always all of it in a capped
uplink. Gain alone lifts SINR only by the noise's share, N/(I + N).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bandwright.errors import RangeError
from bandwright.radio.uplink import power_headroom_db, power_limited_blocks, required_power_dbm, transmit_power_dbm
from bandwright.units import db_to_ratio, ratio_to_db

__all__ = ["NoiseSplit", "UplinkPower", "changed_sinr_db", "interferer_change_db", "noise_limited_slope", "split_noise", "uplink_power", "without_ceiling_db"]


# k·290 K to three decimals, as link budgets print it: close to the noise, a split moves twenty times as much as this constant.
_NOISE_DBM_PER_HZ = -173.975


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseSplit:
    """What stands beside the wanted signal: noise and interference at the port, dBm per resource element. inr_db: −inf where noise explains all."""

    noise_dbm: float
    noise_and_interference_dbm: float
    inr_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UplinkPower:
    """Open-loop power: required (dBm), sent, headroom (may be negative), blocks at full density, and level received back at the base station (dBm)."""

    required_dbm: float
    sent_dbm: float
    headroom_db: float
    blocks_at_full_density: int
    received_dbm: float


def split_noise(*, rsrp_dbm: float, sinr_db: float, scs_khz: float, noise_figure_db: float = 7.0) -> NoiseSplit:
    """Return noise and interference behind a pair of readings at an assumed noise figure. scs_khz: above 0. Raises RangeError otherwise."""
    if not scs_khz > 0.0:
        raise RangeError("scs_khz", given=scs_khz, allowed="above 0")
    noise = _NOISE_DBM_PER_HZ + 10.0 * math.log10(scs_khz * 1e3) + noise_figure_db
    both = rsrp_dbm - sinr_db
    rest = db_to_ratio(both) - db_to_ratio(noise)
    return NoiseSplit(noise_dbm=noise, noise_and_interference_dbm=both, inr_db=ratio_to_db(rest / db_to_ratio(noise)) if rest > 0.0 else -math.inf)


def changed_sinr_db(*, sinr_db: float, inr_db: float, signal_change_db: float, interference_change_db: float) -> float:
    """Return SINR after a change of Δs and Δi, with noise at the port unchanged. inr_db: I/N before (−inf is noise alone)."""
    inr = 0.0 if inr_db == -math.inf else db_to_ratio(inr_db)
    rise = ratio_to_db((inr * db_to_ratio(interference_change_db) + 1.0) / (inr + 1.0))
    return sinr_db + signal_change_db - rise


def noise_limited_slope(inr_db: float) -> float:
    """Return N/(I + N): how many dB of SINR a dB of gain brings where signal and interference gain alike."""
    return 1.0 / (1.0 + (0.0 if inr_db == -math.inf else db_to_ratio(inr_db)))


def without_ceiling_db(sinr_db: float, *, ceiling_db: float, back: bool = False) -> float:
    """Return SINR with the ceiling of transmitter and receiver impairments taken out, or put back (`back`).

    A reading at or above the ceiling comes back 20 dB above it. Ceilings lie at 25 to 30 dB (common practice, no source).
    """
    part = 1.0 / db_to_ratio(ceiling_db)
    left = 1.0 / db_to_ratio(sinr_db) + (part if back else -part)
    return ratio_to_db(1.0 / max(left, part * 0.01))


def interferer_change_db(*, common_db: float, serving_gain_change_db: float, mean_attenuation_db: float, off_axis_db: float | None = None) -> float:
    """Return Δi: what interference changes when the antenna does.

    common_db: what both gain or lose alike (feeder, entry, height). off_axis_db: attenuation towards a known interferer; the pattern's mean otherwise.
    """
    return common_db + serving_gain_change_db - (mean_attenuation_db if off_axis_db is None else off_axis_db)


def uplink_power(*, p0_dbm: float, alpha: float, path_loss_db: float, blocks: int, max_dbm: float, numerology: int = 0) -> UplinkPower:
    """Return open-loop PUSCH power, P = min(P_CMAX, P0 + 10·log10(2^µ·M) + α·PL). alpha: 0..1. blocks: 1 or more. Raises RangeError outside.

    Source: TS 38.213 7.1.1; LTE (µ = 0) TS 36.213 5.1.1.1.
    """
    required = required_power_dbm(p0_dbm=p0_dbm, alpha=alpha, path_loss_db=path_loss_db, resource_blocks=blocks, mu=numerology)
    sent = transmit_power_dbm(required_dbm=required, p_cmax_dbm=max_dbm)
    full = power_limited_blocks(p0_dbm=p0_dbm, alpha=alpha, path_loss_db=path_loss_db, p_cmax_dbm=max_dbm, mu=numerology)
    return UplinkPower(
        required_dbm=required,
        sent_dbm=sent,
        headroom_db=power_headroom_db(p_cmax_dbm=max_dbm, power_dbm=required),
        blocks_at_full_density=min(blocks, math.floor(full + 1e-9)),
        received_dbm=sent - path_loss_db,
    )

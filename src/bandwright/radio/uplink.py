"""Uplink power: what a device must send, what is left, and the bandwidth at which the power runs out.

When the power is capped the uplink's rate falls because the scheduler must give fewer blocks: each halving buys 3 dB. A wider
carrier does not help then.
"""

from __future__ import annotations

import math

from bandwright.errors import RangeError
from bandwright.radio.levels import THERMAL_DBM_PER_HZ
from bandwright.units import db_to_ratio, ratio_to_db

__all__ = [
    "ALPHA_VALUES",
    "POWER_CLASS_DBM",
    "capacity_limit_mbps",
    "capacity_mbps",
    "duty_cost_db",
    "endc_power_left_dbm",
    "nr_pc1_min_eirp_dbm",
    "power_headroom_db",
    "power_limited_blocks",
    "required_power_dbm",
    "transmit_power_dbm",
]

# TS 38.101-1 6.2.1: class to dBm. TS 36.101 6.2.2 has classes 1, 2 and 3 alike (from memory).
POWER_CLASS_DBM: dict[str, float] = {"1": 31.0, "1.5": 29.0, "2": 26.0, "3": 23.0}

# TS 38.331, Alpha.
ALPHA_VALUES = (0.0, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)

# TS 38.101-2 table 6.2.1.1-1: fixed-wireless devices (class 1), least peak EIRP by band.
_PC1_MIN_EIRP_DBM = {257: 40.0, 258: 40.0, 260: 38.0, 261: 40.0, 262: 34.2, 263: 30.6}


def required_power_dbm(*, p0_dbm: float, alpha: float, path_loss_db: float, resource_blocks: int, mu: int = 0, correction_db: float = 0.0) -> float:
    """Return the power that PUSCH power control asks for, before any cap, in dBm.

    P0 + 10 log10(2^mu M) + alpha PL + correction. mu: 0 at 15 kHz (and LTE), 1 at 30. alpha: 0..1. correction: delta TF and f.
    Raises RangeError for alpha outside 0..1 or blocks < 1. Source: TS 38.213 7.1.1, TS 36.213 5.1.1.1.
    """
    if not 0 <= alpha <= 1:
        raise RangeError("alpha", given=alpha, allowed="0..1", source="TS 38.331, Alpha")
    if resource_blocks < 1:
        raise RangeError("resource blocks", given=resource_blocks, allowed="1 or more")
    return p0_dbm + ratio_to_db(2**mu * resource_blocks) + alpha * path_loss_db + correction_db


def transmit_power_dbm(*, required_dbm: float, p_cmax_dbm: float) -> float:
    """Return what is sent: the required power, capped at P_CMAX. Source: TS 38.213 7.1.1."""
    return min(required_dbm, p_cmax_dbm)


def power_headroom_db(*, p_cmax_dbm: float, power_dbm: float) -> float:
    """Return P_CMAX minus the required power; negative when capped. From a power that was read it is never negative but by its error.

    Source: TS 38.213 7.7, TS 36.213 5.1.1.2.
    """
    return p_cmax_dbm - power_dbm


def power_limited_blocks(*, p0_dbm: float, alpha: float, path_loss_db: float, p_cmax_dbm: float, mu: int = 0, correction_db: float = 0.0) -> float:
    """Return how many resource blocks can be sent before the power runs out. Beyond it each block gets less power than asked for.

    Below 1 even a single block is short of power. Source: TS 38.213 7.1.1, solved for M.
    """
    one_block = required_power_dbm(p0_dbm=p0_dbm, alpha=alpha, path_loss_db=path_loss_db, resource_blocks=1, mu=mu, correction_db=correction_db)
    return db_to_ratio(p_cmax_dbm - one_block)


def endc_power_left_dbm(*, total_dbm: float, lte_dbm: float) -> float | None:
    """Return what EN-DC power sharing leaves for NR when both overlap, or None for nothing. LTE keeps what it computed.

    Source: TS 38.213 7.6.1.
    """
    left_mw = db_to_ratio(total_dbm) - db_to_ratio(lte_dbm)
    return ratio_to_db(left_mw) if left_mw > 1e-9 else None


def duty_cost_db(share: float) -> float:
    """Return by how much a share of time lowers the average power: 8/35 costs 6.41 dB. Raises RangeError outside (0, 1]. Algebra."""
    if not 0 < share <= 1:
        raise RangeError("share of time", given=share, allowed="above 0, at most 1")
    return -ratio_to_db(share)


def capacity_mbps(*, received_dbm: float, bandwidth_mhz: float, noise_figure_db: float = 5.0) -> float:
    """Return Shannon's capacity of a received power over a bandwidth, in Mbit/s: B log2(1 + P/(N0 B)).

    noise_figure_db: of the base station, 5 dB (TR 36.942, from memory).
    """
    density_mw_per_mhz = _noise_density_mw_per_mhz(noise_figure_db)
    return bandwidth_mhz * math.log2(1 + db_to_ratio(received_dbm) / (density_mw_per_mhz * bandwidth_mhz))


def capacity_limit_mbps(*, received_dbm: float, noise_figure_db: float = 5.0) -> float:
    """Return what no bandwidth passes at that received power: P/(N0 ln 2), in Mbit/s."""
    return db_to_ratio(received_dbm) / (_noise_density_mw_per_mhz(noise_figure_db) * math.log(2))


def nr_pc1_min_eirp_dbm(band: int) -> float | None:
    """Return the least peak EIRP of a fixed-wireless device (class 1) in an FR2 band, None where none is given.

    Source: TS 38.101-2, 6.2.1.
    """
    return _PC1_MIN_EIRP_DBM.get(band)


def _noise_density_mw_per_mhz(noise_figure_db: float) -> float:
    return db_to_ratio(THERMAL_DBM_PER_HZ + 60 + noise_figure_db)

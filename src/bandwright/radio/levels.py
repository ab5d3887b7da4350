"""Levels and what they say: noise, RSRQ from RSRP and RSSI, RSRQ against load, cell selection, the receiver's limit, timing advance.

The relations of RSRQ to load and of SINR to RSRQ are our algebra, not a standard: single estimates, for a reader's understanding.
"""

from __future__ import annotations

import math
from typing import Literal

from bandwright.errors import RangeError
from bandwright.units import db_to_ratio, ratio_to_db

__all__ = [
    "THERMAL_DBM_PER_HZ",
    "UE_NOISE_FIGURE_DB",
    "lte_rsrq_of_load_db",
    "lte_sinr_from_rsrq_db",
    "max_input_rsrp_dbm",
    "noise_dbm",
    "noise_gap_db",
    "rsrq_db",
    "squal_db",
    "srxlev_db",
    "timing_advance_m",
]

THERMAL_DBM_PER_HZ = 10 * math.log10(1.380649e-23 * 290 * 1000)  # k T0 at 290 K: -173.975
UE_NOISE_FIGURE_DB = 7.0  # ITU-R M.2412, device at or below 6 GHz, from memory; a prior, plus or minus 1.5 dB
_SPEED_OF_LIGHT = 299_792_458.0
_LTE_BASIC_STEP_S = 16 / 30.72e6


def noise_dbm(bandwidth_hz: float, *, noise_figure_db: float = 0.0) -> float:
    """Return thermal noise in a bandwidth (Hz, > 0) behind a receiver's noise figure, in dBm. Source: k T0 B, 290 K."""
    if bandwidth_hz <= 0:
        raise RangeError("bandwidth in Hz", given=bandwidth_hz, allowed="above 0")
    return THERMAL_DBM_PER_HZ + ratio_to_db(bandwidth_hz) + noise_figure_db


def noise_gap_db(*, rsrp_dbm: float, sinr_db: float, scs_khz: int, noise_figure_db: float = UE_NOISE_FIGURE_DB) -> float:
    """Return by how much all that disturbs lies above thermal noise, per resource element, in dB.

    About 0 where noise alone limits; large where other cells do, or where the receiver is overdriven.
    """
    return rsrp_dbm - noise_dbm(scs_khz * 1000, noise_figure_db=noise_figure_db) - sinr_db


def rsrq_db(*, rsrp_dbm: float, rssi_dbm: float, resource_blocks: int) -> float:
    """Return RSRQ = N RSRP / RSSI in dB; resource_blocks: those of the RSSI's bandwidth. Source: TS 36.214 5.1.3, TS 38.215 5.1.3."""
    if resource_blocks < 1:
        raise RangeError("resource blocks", given=resource_blocks, allowed="1 or more")
    return ratio_to_db(resource_blocks) + rsrp_dbm - rssi_dbm


def lte_rsrq_of_load_db(*, load: float, sinr_db: float | None, ports: Literal[1, 2] = 2) -> float:
    """Return the RSRQ a cell shows when a share of its data elements is in use. Our algebra: RSSI in symbols with reference signals.

    load: 0..1. sinr_db: per resource element; None is "no noise". One port: -10 log(2 + 10 load + 12/s); two: -10 log(4 + 16 load + 12/s).
    Own load alone moves it by 7 dB at high SINR and hardly at all at low SINR. Raises RangeError for a load outside 0..1.
    """
    if not 0 <= load <= 1:
        raise RangeError("load", given=load, allowed="0..1")
    disturbance = 0.0 if sinr_db is None else 12 / db_to_ratio(sinr_db)
    return -ratio_to_db((2 + 10 * load if ports == 1 else 4 + 16 * load) + disturbance)


def lte_sinr_from_rsrq_db(rsrq: float, *, own_share: float) -> float | None:
    """Return an estimate of SINR from RSRQ in dB: 12 q/(1 - 12 x q); None where 12 x q >= 1 (no such state exists).

    own_share: share x of resource elements that carry the own cell's power, 0..1. Our algebra, not a standard.
    """
    q = db_to_ratio(rsrq)
    rest = 1 - 12 * own_share * q
    return ratio_to_db(12 * q / rest) if rest > 0 else None


def srxlev_db(
    *, rsrp_dbm: float, q_rxlevmin_dbm: float, q_rxlevmin_offset_db: float = 0.0, p_compensation_db: float = 0.0, q_offset_temp_db: float = 0.0
) -> float:
    """Return Srxlev in dB; a cell can be camped on only above 0. Source: TS 36.304 and TS 38.304, 5.2.3.2."""
    return rsrp_dbm - (q_rxlevmin_dbm + q_rxlevmin_offset_db) - p_compensation_db - q_offset_temp_db


def squal_db(*, rsrq: float, q_qualmin_db: float, q_qualmin_offset_db: float = 0.0, q_offset_temp_db: float = 0.0) -> float:
    """Return Squal in dB; a cell can be camped on only above 0. Source: TS 36.304 and TS 38.304, 5.2.3.2."""
    return rsrq - (q_qualmin_db + q_qualmin_offset_db) - q_offset_temp_db


def max_input_rsrp_dbm(bandwidth_resource_blocks: int, *, max_input_dbm: float = -25.0) -> float:
    """Return the RSRP at which a fully loaded LTE cell reaches the receiver's largest tested input.

    max_input_dbm: -25 for 64QAM, -27 for 256QAM. 100 blocks: -55.8 and -57.8 dBm. Several carriers add up.
    Source: TS 36.101 7.4.
    """
    if bandwidth_resource_blocks < 1:
        raise RangeError("resource blocks", given=bandwidth_resource_blocks, allowed="1 or more")
    return max_input_dbm - ratio_to_db(12 * bandwidth_resource_blocks)


def timing_advance_m(value: int, *, scs_khz: int = 15) -> float:
    """Return the one-way distance in metres of a total timing advance in steps. LTE and NR at 15 kHz: 78.071 m a step.

    Reflections make it an upper bound of the distance; a step and the device's own error blur it. Raises RangeError outside
    0..3846 (NR; LTE stops at 1282). Source: TS 36.211 8.1, TS 36.213 4.2.3, TS 38.213 4.2.
    """
    if not 0 <= value <= 3846:
        raise RangeError("timing advance", given=value, allowed="0..3846", source="TS 38.213, 4.2")
    return value * _LTE_BASIC_STEP_S * 15 / scs_khz * _SPEED_OF_LIGHT / 2

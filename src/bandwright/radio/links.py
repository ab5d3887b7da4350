"""From SINR to what a link can carry: the truncated Shannon map, SINR to CQI, the rank's cost, and effective SINR.

These are models, not standards: only the truncated map is printed (TR 36.942, annex A), for one antenna pair. CQI to SINR is not
standardised; devices differ by about 2 dB a step.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import Literal

from bandwright.errors import UsageError
from bandwright.units import db_to_ratio, ratio_to_db

__all__ = ["CQI_SINR_DB", "cqi_of_sinr", "effective_sinr_db", "layered_efficiency", "link_efficiency"]

# TR 36.942 annex A, downlink; the uplink's (and both caps of TR 38.803) from memory.
_ALPHA = {"down": 0.6, "up": 0.4}
_CAP = {"down": 4.4, "up": 2.0}
_SINR_MIN_DB = -10.0

# SINR at which CQI 1..15 of table 1 begins: the list open simulators share, from LTE link-level curves at 10 % block errors.
CQI_SINR_DB = (-6.7, -4.7, -2.3, 0.2, 2.4, 4.3, 5.9, 8.1, 10.3, 11.7, 14.1, 16.3, 18.7, 21.0, 22.7)


def link_efficiency(sinr_db: float, *, direction: Literal["down", "up"] = "down") -> float:
    """Return bit/s/Hz of one antenna pair at a SINR: alpha log2(1 + SINR), 0 below -10 dB, capped.

    Source: TR 36.942 annex A (alpha 0.6, cap 4.4 down; 0.4, 2.0 up).
    """
    if sinr_db < _SINR_MIN_DB:
        return 0.0
    return min(_CAP[direction], _ALPHA[direction] * math.log2(1 + db_to_ratio(sinr_db)))


def layered_efficiency(sinr_db: float, layers: int, *, direction: Literal["down", "up"] = "down") -> float:
    """Return bit/s/Hz of an ideal channel with equal layers: the power is shared, so each layer has SINR/layers at best.

    The floor of -10 dB applies to the whole SINR, not to a layer's. Raises UsageError for layers outside 1..8.
    Source: TR 36.942 annex A; the sharing of power is plain algebra.
    """
    if not 1 <= layers <= 8:
        raise UsageError("layers", given=layers, allowed="1..8")
    if sinr_db < _SINR_MIN_DB:
        return 0.0
    return layers * min(_CAP[direction], _ALPHA[direction] * math.log2(1 + db_to_ratio(sinr_db) / layers))


def cqi_of_sinr(sinr_db: float) -> int:
    """Return the CQI (table 1) that a device of that list reports at a SINR, 0 below -6.7 dB. A model, within about 2 dB."""
    return bisect_right(CQI_SINR_DB, sinr_db)


def effective_sinr_db(sinrs_db: Sequence[float], *, beta: float) -> float:
    """Return the flat SINR that carries as much as a frequency-selective one: -beta ln(mean exp(-SINR/beta)), ratios.

    beta: about 1.5 QPSK, 3.5..4 16QAM, 9..11 64QAM (from memory). Equal values give themselves back.
    Raises UsageError for an empty list or beta <= 0.
    """
    if not sinrs_db or beta <= 0:
        raise UsageError("effective SINR needs values and a beta above 0", given=beta)
    ratios = [db_to_ratio(s) for s in sinrs_db]
    least = min(ratios)  # taken out of the exponentials, so that high SINR does not underflow to a logarithm of zero
    mean = sum(math.exp(-(r - least) / beta) for r in ratios) / len(ratios)
    return ratio_to_db(least - beta * math.log(mean))

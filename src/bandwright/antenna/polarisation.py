"""Two ports: what two antennas carry together, by their polarisation.

In line of sight two antennas of one polarisation carry one layer; a ±45° or H/V pair keeps two. Turning a dual pair by 45° changes
nothing for two layers, but a single port loses 3 dB. Source: C = log2 det(I + ρ/2·H·H*) for two ports (Telatar 1999), equal power.
"""

from __future__ import annotations

import cmath
import math

from bandwright.errors import RangeError

__all__ = ["Matrix2", "capacity_bit_per_s_per_hz", "co_polar", "cross_polar", "polarisation_loss_db", "rotated"]

Matrix2 = tuple[tuple[complex, complex], tuple[complex, complex]]


def capacity_bit_per_s_per_hz(channel: Matrix2, *, snr_db: float) -> float:
    """Return log2(1 + ρ/2·‖H‖² + (ρ/2)²·|det H|²), bit/s/Hz."""
    half = math.pow(10.0, snr_db / 10.0) / 2.0
    (a, b), (c, d) = channel
    norm = abs(a) ** 2 + abs(b) ** 2 + abs(c) ** 2 + abs(d) ** 2
    return math.log2(1.0 + half * norm + half**2 * abs(a * d - b * c) ** 2)


def co_polar() -> Matrix2:
    """Two antennas of one polarisation in line of sight, spaced too little to tell the base station's ports apart."""
    return ((1.0, 1.0), (1.0, 1.0))


def cross_polar(*, xpd_db: float, imbalance_db: float = 0.0) -> Matrix2:
    """A dual-polarised pair facing another. xpd_db: cross-polar discrimination; imbalance_db: how much worse the second feeder is."""
    if xpd_db < 0.0 or imbalance_db < 0.0:
        raise RangeError("xpd_db, imbalance_db", given=(xpd_db, imbalance_db), allowed="0 or more")
    leak = math.pow(10.0, -xpd_db / 20.0)
    second = math.pow(10.0, -imbalance_db / 20.0)
    return ((1.0, leak), (second * leak, second))


def rotated(channel: Matrix2, *, angle_deg: float) -> Matrix2:
    """Return the channel with the receiving pair turned about its boresight."""
    turn = cmath.rect(1.0, math.radians(angle_deg))
    c, s = turn.real, turn.imag
    (h11, h12), (h21, h22) = channel
    return ((c * h11 - s * h21, c * h12 - s * h22), (s * h11 + c * h21, s * h12 + c * h22))


def polarisation_loss_db(*, angle_deg: float, xpd_db: float = 20.0) -> float:
    """Return what a single linear port loses when turned by angle_deg against the wave, −10·log10(cos² + sin²·10^(−XPD/10)) dB."""
    turn = math.radians(angle_deg)
    return -10.0 * math.log10(math.cos(turn) ** 2 + math.sin(turn) ** 2 * math.pow(10.0, -xpd_db / 10.0))

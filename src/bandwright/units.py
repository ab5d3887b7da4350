"""Intervals and the few conversions that every room uses. One internal unit per quantity; the unit stands in the name."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Interval", "db_to_ratio", "mbps_for", "megabytes_for", "ratio_to_db"]


@dataclass(frozen=True, slots=True)
class Interval:
    """A half-open range low <= x < high; None is an open end (a floor or ceiling code).

    Raises ValueError where low > high.
    """

    low: float | None
    high: float | None

    def __post_init__(self) -> None:
        if self.low is not None and self.high is not None and self.low > self.high:
            msg = f"interval low={self.low} lies above high={self.high}"
            raise ValueError(msg)

    @property
    def middle(self) -> float | None:
        """The middle, or None where an end is open."""
        return None if self.low is None or self.high is None else (self.low + self.high) / 2

    def contains(self, x: float) -> bool:
        """Whether low <= x < high."""
        return (self.low is None or x >= self.low) and (self.high is None or x < self.high)


def db_to_ratio(db: float) -> float:
    """Return the power ratio of a level in dB."""
    return float(10.0 ** (db / 10.0))


def ratio_to_db(ratio: float) -> float:
    """Return the level in dB of a power ratio > 0. Raises ValueError otherwise."""
    return 10.0 * math.log10(ratio)


def megabytes_for(*, rate_mbps: float, seconds: float) -> float:
    """Return the volume in MB (10^6 octets) of a rate in Mbit/s held for seconds."""
    return rate_mbps * seconds / 8.0


def mbps_for(*, octets: float, seconds: float) -> float:
    """Return the rate in Mbit/s of octets moved in seconds > 0."""
    return octets * 8.0 / seconds / 1e6

"""Time shares of unpaired spectrum: NR patterns, LTE configurations, and the wait for an uplink slot.

Networks choose their pattern and there is no default; 0.7429 down and 0.2286 up (DDDSU with 10:2:2) is what many use.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from bandwright.errors import UsageError

__all__ = ["COMMON_PATTERN", "LTE_TDD_PATTERNS", "TddShares", "mean_uplink_wait_ms", "pattern_shares", "usual_share"]

# TS 36.211 table 4.2-2: subframes of one frame by configuration.
LTE_TDD_PATTERNS = ("DSUUUDSUUU", "DSUUDDSUUD", "DSUDDDSUDD", "DSUUUDDDDD", "DSUUDDDDDD", "DSUDDDDDDD", "DSUUUDSUUD")

COMMON_PATTERN = "DDDSU"  # common practice, no source
_COMMON_SPECIAL = (10, 2, 2)
_SYMBOLS = 14


@dataclass(frozen=True, slots=True)
class TddShares:
    """Shares of the symbols: they add up to 1."""

    down: float
    up: float
    guard: float


def pattern_shares(pattern: str, *, special: tuple[int, int, int] = _COMMON_SPECIAL) -> TddShares:
    """Return the shares of a pattern such as "DDDSU". special: downlink, guard and uplink symbols of S, 14 in all.

    Raises UsageError for other letters or symbols that are not 14 in all.
    Source: TS 38.331 TDD-UL-DL-Pattern, TS 36.211 table 4.2-2.
    """
    if not re.fullmatch(r"[DSU]+", pattern):
        raise UsageError("TDD pattern", given=pattern, allowed="letters D, S and U")
    if sum(special) != _SYMBOLS or min(special) < 0:
        raise UsageError("symbols of the special slot", given=special, allowed="three numbers that add up to 14")
    total, specials = _SYMBOLS * len(pattern), pattern.count("S")
    return TddShares(
        down=(pattern.count("D") * _SYMBOLS + specials * special[0]) / total,
        up=(pattern.count("U") * _SYMBOLS + specials * special[2]) / total,
        guard=specials * special[1] / total,
    )


def usual_share(duplex: str, direction: Literal["down", "up"]) -> float:
    """Return the share of time that a carrier serves a direction where its pattern is not known: DDDSU for TDD.

    FDD serves both all the time, SDL only down, SUL only up. Common practice, no source, for the pattern.
    """
    if duplex == "TDD":
        shares = pattern_shares(COMMON_PATTERN)
        return shares.down if direction == "down" else shares.up
    if duplex == "SDL":
        return 1.0 if direction == "down" else 0.0
    if duplex == "SUL":
        return 0.0 if direction == "down" else 1.0
    return 1.0


def mean_uplink_wait_ms(*, period_ms: float, longest_gap_ms: float) -> float:
    """Return the mean wait for the next uplink opportunity after a random arrival: gap squared over twice the period (algebra)."""
    return longest_gap_ms**2 / (2 * period_ms)

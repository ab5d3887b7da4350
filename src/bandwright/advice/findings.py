"""The table of findings: what may limit a connection, one row each, with everything that is known of it.

A row says the finding in the householder's words, how likely it is beforehand by symptom, what each piece of evidence weighs, of
which finding it is a special case, which tests settle it, what remedies it at which cost, and what will not help. Likelihood ratios
are against "unknown cause"; without a source of their own they are common practice, and a study may replace them here.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from bandwright.advice.finding_row import FindingRow, Weight
from bandwright.advice.findings_house import HOUSE
from bandwright.advice.findings_network import NETWORK
from bandwright.advice.findings_radio import RADIO
from bandwright.advice.findings_uplink import UPLINK
from bandwright.errors import UsageError

__all__ = ["FINDINGS", "UNKNOWN_PRIORS", "FindingRow", "Weight", "ancestors", "descendants", "finding_row"]

UNKNOWN_PRIORS: Mapping[str, float] = {"down": 0.12, "up": 0.12, "delay": 0.25, "delay_loaded": 0.15, "loss": 0.20, "drops": 0.25, "cannot_connect": 0.25}

FINDINGS: tuple[FindingRow, ...] = (*HOUSE, *RADIO, *NETWORK, *UPLINK)


@cache
def _by_key() -> dict[str, FindingRow]:
    return {row.key: row for row in FINDINGS}


def finding_row(key: str) -> FindingRow:
    """Return the row of that key. Raises UsageError where there is none."""
    if key not in _by_key():
        raise UsageError("finding", given=key, allowed=", ".join(_by_key()))
    return _by_key()[key]


@cache
def ancestors(key: str) -> frozenset[str]:
    """Return all findings of which this one is a special case."""
    found: set[str] = set()
    waiting = list(_by_key()[key].parents) if key in _by_key() else []
    while waiting:
        parent = waiting.pop()
        if parent not in found:
            found.add(parent)
            waiting += _by_key()[parent].parents
    return frozenset(found)


@cache
def descendants(key: str) -> frozenset[str]:
    """Return all findings that are special cases of this one."""
    return frozenset(row.key for row in FINDINGS if key in ancestors(row.key))

"""Which setups the next round tests, and which rig should be in place: top-two by the draws of the values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bandwright.trials.model import Array

__all__ = ["Chances", "chances", "keep", "risk_by_rig"]

KEEP_BEST: Final = 0.03
KEEP_GOOD: Final = 0.02
MOST_IN_A_ROUND: Final = 5


@dataclass(frozen=True, slots=True)
class Chances:
    """Per contending setup (same order as `setups`): chance to be good, best, and best once the lead is set aside."""

    setups: tuple[str, ...]
    good: Array
    first: Array
    second: Array
    lead: int

    @property
    def lead_key(self) -> str:
        """The key of the lead."""
        return self.setups[self.lead]

    @property
    def certainty(self) -> float:
        """P(the lead is good)."""
        return float(self.good[self.lead])


def chances(draws: Array, setups: Sequence[str], indifference: float) -> Chances:
    """Return the chances of the contending setups. draws: (S, K), columns in the order of `setups`, K >= 1."""
    n, k = draws.shape
    top = draws.max(axis=1)
    good = (draws >= top[:, None] - indifference).mean(axis=0)
    first = np.bincount(draws.argmax(axis=1), minlength=k) / n
    lead = int(np.lexsort((-draws.mean(axis=0), -good))[0])
    second = np.zeros(k)
    if k > 1:
        rest = draws.copy()
        rest[:, lead] = -np.inf
        second = np.bincount(rest.argmax(axis=1), minlength=k) / n
    return Chances(tuple(setups), good, first, second, lead)


def keep(odds: Chances, here: Sequence[str], means: Array, most: int = MOST_IN_A_ROUND) -> tuple[str, ...]:
    """Return which of the setups at hand (`here`) the next round tests: those with a chance, and always the best of them."""
    index = [odds.setups.index(s) for s in here]
    if not index:
        return ()
    best = max(index, key=lambda i: (means[i], -i))
    claims = np.maximum(odds.first, odds.second)
    chosen = [i for i in index if i in {best, odds.lead} or (claims[i] > KEEP_BEST and odds.good[i] > KEEP_GOOD)]
    chosen.sort(key=lambda i: (i != best, i != odds.lead, -claims[i], i))
    return tuple(odds.setups[i] for i in sorted(chosen[:most]))


def risk_by_rig(draws: Array, odds: Chances, rigs: Sequence[str], indifference: float) -> dict[str, float]:
    """Return per rig the chance that the best challenger beats the lead by more than the indifference, and sits on it."""
    out = dict.fromkeys(rigs, 0.0)
    if draws.shape[1] < 2:
        return out
    rest = draws.copy()
    rest[:, odds.lead] = -np.inf
    challenger = rest.argmax(axis=1)
    beats = rest.max(axis=1) > draws[:, odds.lead] + indifference
    for i, share in enumerate(np.bincount(challenger[beats], minlength=draws.shape[1]) / draws.shape[0]):
        out[rigs[i]] += float(share)
    return out

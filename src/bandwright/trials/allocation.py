"""Which setups the next round tests: the lead, and what stands between it and being settled, by the draws of the values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bandwright.trials.model import Array

__all__ = ["Chances", "chances", "keep", "risks"]

KEEP_SHARE: Final = 0.15  # of the largest risk: what is below it does not hold the verdict up
KEEP_RISK: Final = 0.002
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
    columns = np.ascontiguousarray(draws.T)  # a setup a row: what follows runs along the draws
    top = columns.max(axis=0)
    good = (columns >= top - indifference).mean(axis=1)
    first = (columns == top).mean(axis=1)
    lead = int(np.lexsort((-columns.mean(axis=1), -good))[0])
    second = np.zeros(len(columns))
    if len(columns) > 1:
        rest, best = _others(columns, lead)
        second = (rest == best).mean(axis=1)
    return Chances(tuple(setups), good, first, second, lead)


def _others(columns: Array, lead: int) -> tuple[Array, Array]:
    """Return the draws with the lead's out of the way, and the highest of the others in each."""
    rest = columns.copy()
    rest[lead] = -np.inf
    return rest, rest.max(axis=0)


def risks(draws: Array, odds: Chances, indifference: float) -> Array:
    """Return per setup the chance that it is the best challenger and beats the lead by more than the indifference."""
    if draws.shape[1] < 2:
        return np.zeros(draws.shape[1])
    columns = np.ascontiguousarray(draws.T)
    rest, best = _others(columns, odds.lead)
    return np.asarray(((rest == best) & (best > columns[odds.lead] + indifference)).mean(axis=1))


def keep(odds: Chances, risk: Array, here: Sequence[str], means: Array, most: int = MOST_IN_A_ROUND) -> tuple[str, ...]:
    """Return which of the setups at hand (`here`) the next round tests.

    The lead, or the best of this rig; whatever stands between the lead and being settled, by its share of the risk; and at least
    one to compare with.
    """
    index = [odds.setups.index(s) for s in here]
    if not index:
        return ()
    best = max(index, key=lambda i: (means[i], -i))
    always = {best, odds.lead} & set(index)
    floor = max(KEEP_SHARE * float(risk.max()), KEEP_RISK)
    rivals = sorted((i for i in index if i not in always), key=lambda i: (-risk[i], -odds.second[i], -means[i], i))
    wanted = [i for i in rivals if risk[i] > floor] or (rivals[:1] if len(always) < 2 else [])
    return tuple(odds.setups[i] for i in sorted([*always, *wanted][:most]))

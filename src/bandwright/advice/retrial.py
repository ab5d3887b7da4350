"""Whether a small new trial is worth it after a change, and of which setups, with what the last trial knew as the prior.

What strikes all setups alike (load, throttle, first hop) needs no new trial. What is tied to a mode or a rig moves every setup that shares
it; ageing widens all values by .10 in 90 days. A trial is proposed where the expected gain passes half the indifference and another setup
is better by the indifference with a chance above .3. The rule is proposed, not measured on real sites.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bandwright.errors import UsageError

__all__ = ["Retrial", "retrial"]

_AGEING_SD_90_DAYS: Final = 0.10
_LEAST_CHANCE: Final = 0.3
_MOST_SETUPS: Final = 3
_DRAWS: Final = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Retrial:
    """Whether to try again. gain: expected gain in score of choosing anew. setups: places of those that could now be best, the current one among them."""

    worth: bool
    gain: float
    chance_better: float
    setups: tuple[int, ...]


def retrial(means: Sequence[float], covariance: NDArray[np.float64], *, current: int, shares: Sequence[bool], shift: float, days: float, indifference: float, seed: int = 0) -> Retrial:
    """Return whether a new trial is worth it. means, covariance: of the values after the last trial. shares: which setups the change moves too.

    shift: of the current setup's score, negative is worse. days: since the trial. Raises UsageError where sizes disagree.
    """
    mean = np.asarray(means, dtype=float)
    k = mean.size
    if covariance.shape != (k, k) or len(shares) != k or not 0 <= current < k:
        raise UsageError("retrial", given=(k, covariance.shape, len(shares), current), allowed="as many means, rows, columns and shares, and a current setup among them")
    moved = mean + np.where(np.asarray(shares) | (np.arange(k) == current), shift, 0.0)
    aged = covariance + np.eye(k) * _AGEING_SD_90_DAYS**2 * max(days, 0.0) / 90.0
    draws = np.random.default_rng([seed, 5003]).multivariate_normal(moved, aged, _DRAWS, method="cholesky", check_valid="ignore")
    best = draws.max(axis=1)
    gain = float(best.mean() - draws[:, current].mean())
    others = np.delete(draws, current, axis=1)
    chance = float((others.max(axis=1) > draws[:, current] + indifference).mean()) if k > 1 else 0.0
    first = np.bincount(draws.argmax(axis=1), minlength=k)
    order = [int(i) for i in np.argsort(-first, kind="stable") if i != current]
    return Retrial(worth=gain > indifference / 2.0 and chance > _LEAST_CHANCE, gain=gain, chance_better=chance, setups=(current, *order[: _MOST_SETUPS - 1]))

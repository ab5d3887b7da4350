"""Losses appearing or going away: counts of tests that lost packets or failed, before and after each possible time of a change.

Before a change the share of such tests is Beta(.6, 12), after it Beta(1, 2); counts are divided by 1.6 because losses come in clusters.
The likelihood ratio of a change is in closed form (beta-binomial), so a list of counts at each open time is all that is kept.
"""

from __future__ import annotations

import math
from typing import Final

from bandwright.trials.change_bank import Shift

__all__ = ["LossBank"]

_BEFORE: Final = (0.6, 12.0)
_AFTER: Final = (1.0, 2.0)
_CLUSTER: Final = 1.6
_PER_H: Final = 1.0 / (180.0 * 24.0)
_CANDIDATES: Final = 36


def _ln_marginal(hits: float, clean: float, prior: tuple[float, float]) -> float:
    a, b = prior
    return math.lgamma(a + hits) + math.lgamma(b + clean) - math.lgamma(a + b + hits + clean) - math.lgamma(a) - math.lgamma(b) + math.lgamma(a + b)


class LossBank:
    """Counts of tests with loss and without, and the open times of a change with the counts before each."""

    def __init__(self) -> None:
        self._hits = self._clean = 0.0
        self._last_h: float | None = None
        self._open: list[list[float]] = []  # time, prior mass, hits before, clean before
        self._extra: list[tuple[float, float]] = []

    def learn(self, at_h: float, *, hit: bool) -> None:
        """Count a test without looking for a change."""
        self._count(at_h, hit=hit)

    def observe(self, at_h: float, *, hit: bool) -> None:
        """Count a test; a change may have come since the one before it."""
        if self._last_h is not None:
            gap_h = max(at_h - self._last_h, 1e-3)
            self._open.append([self._last_h + gap_h / 2.0, gap_h * _PER_H, self._hits, self._clean])
            for when_h, mass in self._extra:
                min(self._open, key=lambda c: abs(c[0] - when_h))[1] += mass
            self._extra.clear()
            if len(self._open) > _CANDIDATES:
                self._drop(at_h)
        self._count(at_h, hit=hit)

    def add_mass(self, at_h: float, mass: float) -> None:
        """Say that something else changed at that time."""
        self._extra.append((at_h, mass))

    def accept(self) -> None:
        """Take the new share as it comes."""
        self._open.clear()
        self._extra.clear()
        self._hits = self._clean = 0.0

    def shift(self) -> Shift | None:
        """Return what is believed of a change of the share of tests with loss, or None while no time is open."""
        if not self._open:
            return None
        whole = _ln_marginal(self._hits, self._clean, _BEFORE)
        rows: list[tuple[float, float, float, float]] = []
        for at_h, mass, hits, clean in self._open:
            after_hits, after_clean = self._hits - hits, self._clean - clean
            ln = math.log(mass) + _ln_marginal(hits, clean, _BEFORE) + _ln_marginal(after_hits, after_clean, _AFTER) - whole
            before = (_BEFORE[0] + hits) / (sum(_BEFORE) + hits + clean)
            a, b = _AFTER[0] + after_hits, _AFTER[1] + after_clean
            rows.append((ln, at_h, a / (a + b) - before, a * b / ((a + b) ** 2 * (a + b + 1.0))))
        top = max(r[0] for r in rows)
        weights = [math.exp(r[0] - top) for r in rows]
        total = math.fsum(weights)
        size = math.fsum(w * r[2] for w, r in zip(weights, rows, strict=True)) / total
        variance = math.fsum(w * (r[3] + (r[2] - size) ** 2) for w, r in zip(weights, rows, strict=True)) / total
        low, middle, high = (_quantile([r[1] for r in rows], weights, q * total) for q in (0.05, 0.5, 0.95))
        return Shift(ln_odds=top + math.log(total), since_h=middle, since_low_h=low, since_high_h=high, size=size, sd=math.sqrt(variance), shapes=(1.0,))

    def _count(self, at_h: float, *, hit: bool) -> None:
        self._hits += hit / _CLUSTER
        self._clean += (not hit) / _CLUSTER
        self._last_h = at_h

    def _drop(self, now_h: float) -> None:
        """Drop the time that is least missed; its mass goes to the nearer neighbour."""
        o = self._open
        k = min(range(1, len(o) - 1), key=lambda i: (o[i + 1][0] - o[i - 1][0]) / (now_h - o[i][0] + 12.0))
        nearer = k - 1 if o[k][0] - o[k - 1][0] < o[k + 1][0] - o[k][0] else k + 1
        o[nearer][1] += o[k][1]
        del o[k]


def _quantile(times: list[float], weights: list[float], at: float) -> float:
    total = 0.0
    for time, weight in zip(times, weights, strict=True):
        total += weight
        if total >= at:
            return time
    return times[-1]

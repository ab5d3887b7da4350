"""The least number of tests that any method could need: the characteristic time of naming the best with fixed confidence.

Source: Garivier and Kaufmann, "Optimal Best Arm Identification with Fixed Confidence" (COLT 2016), Gaussian scores of one variance:
E[N] >= T log(1 / (2.4 risk)). A method that knows something beforehand may fall below it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from bandwright.errors import UsageError

__all__ = ["characteristic_time", "least_tests"]


def characteristic_time(means: Sequence[float], *, variance: float) -> float:
    """Return T for the values of two or more setups, the best one alone at the top. variance: of one test, above 0.

    Solved by x_j = w_j / w_1 with sum x_j^2 = 1 and gap_j^2 x_j / (1 + x_j) equal over j.
    Raises UsageError for fewer than two values, a tie at the top, or no variance.
    """
    best, *others = sorted(means, reverse=True)
    gaps = [best - m for m in others]
    if not gaps or min(gaps) <= 0.0 or variance <= 0.0:
        raise UsageError("means", given=list(means), allowed="two or more values with one alone at the top, and a variance above 0")
    squares = [g * g for g in gaps]
    low, high = 0.0, min(squares)
    for _ in range(200):
        middle = (low + high) / 2.0
        if sum((middle / (s - middle)) ** 2 if s > middle else math.inf for s in squares) > 1.0:
            high = middle
        else:
            low = middle
    share = 1.0 / (1.0 + sum(low / (s - low) for s in squares))
    return 2.0 * variance / (share * low)


def least_tests(means: Sequence[float], *, variance: float, indifference: float, risk: float) -> float:
    """Return the lower bound on the expected tests, every gap enlarged by the indifference; 0 for a single setup."""
    if len(means) < 2:
        return 0.0
    best = max(range(len(means)), key=lambda i: means[i])
    enlarged = [m + indifference if i == best else m for i, m in enumerate(means)]
    return characteristic_time(enlarged, variance=variance) * math.log(1.0 / (2.4 * risk))

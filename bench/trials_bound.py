"""The least number of tests that any method could need: the characteristic time of best-arm identification, Gaussian scores.

Source: Garivier and Kaufmann, "Optimal Best Arm Identification with Fixed Confidence" (COLT 2016): E[N] >= T log(1/(2.4 alpha)).
Every gap is enlarged by the indifference, since a setup within it may be named.
"""

from __future__ import annotations

import numpy as np


def characteristic_time(means: np.ndarray, variance: float) -> float:
    """Return T for one variance. Solved by x_j = w_j / w_1 with sum x_j^2 = 1 and gap_j^2 x_j / (1 + x_j) equal."""
    gaps = np.sort(means.max() - np.delete(means, means.argmax()))
    squares = gaps**2

    def parts(c: float) -> np.ndarray:
        return c / (squares - c)

    low, high = 0.0, float(squares.min())
    for _ in range(200):
        middle = (low + high) / 2
        if (parts(middle) ** 2).sum() > 1.0:
            high = middle
        else:
            low = middle
    x = parts(low)
    w1 = 1.0 / (1.0 + x.sum())
    rate = w1 * low / (2.0 * variance)
    return float(1.0 / rate)


def bound(means: np.ndarray, variances: np.ndarray, indifference: float, risk: float) -> float:
    """Return the lower bound on the expected number of tests, every gap enlarged by the indifference."""
    if means.size < 2:
        return 0.0
    enlarged = means.copy()
    enlarged[means.argmax()] += indifference
    return characteristic_time(enlarged, float(np.mean(variances))) * float(np.log(1.0 / (2.4 * risk)))


if __name__ == "__main__":
    for given, s2, known in (((0.2, 0), 0.09, 18.0), ((0.2, 0, 0), 0.09, 26.2279), ((0.2,) + (0,) * 4, 0.09, 40.5), ((0.5, 0.4, 0.2, 0), 1.0, 831.692), ((1, 0.85, 0.8, 0.7), 0.25, 112.467)):
        print(given, characteristic_time(np.array(given, dtype=float), s2), known)

"""The least number of tests: characteristic times against values worked out elsewhere, a closed form, and brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bandwright.errors import UsageError
from bandwright.trials.bound import characteristic_time, least_tests


@pytest.mark.parametrize(
    ("means", "variance", "time"),
    [
        # closed forms for Gaussian scores (Garivier and Kaufmann 2016): 8 s2 / gap^2 for two; 2 s2 (1 + sqrt(K - 1))^2 / gap^2 for equal gaps
        ((0.2, 0.0), 0.09, 18.0),
        ((0.2, 0.0, 0.0), 0.09, 26.2279),
        ((0.2, *[0.0] * 4), 0.09, 40.5),
        ((0.2, *[0.0] * 9), 0.09, 72.0),
        # unequal gaps: found by maximising over the shares by brute force
        ((0.5, 0.4, 0.2, 0.0), 1.0, 831.692),
        ((1.0, 0.85, 0.8, 0.7), 0.25, 112.467),
    ],
)
def test_characteristic_times(means: tuple[float, ...], variance: float, time: float) -> None:
    assert characteristic_time(means, variance=variance) == pytest.approx(time, rel=5e-6)  # as many digits as are given


def test_the_indifference_enlarges_every_gap() -> None:
    # (.5, .4, .2, 0) with s2 = 1 and every gap enlarged by .1: 220.161
    assert least_tests((0.5, 0.4, 0.2, 0.0), variance=1.0, indifference=0.1, risk=0.05) == pytest.approx(220.161 * math.log(1 / (2.4 * 0.05)), rel=1e-5)
    assert least_tests((0.5,), variance=1.0, indifference=0.1, risk=0.05) == 0.0


def test_the_time_is_that_of_the_best_shares_by_brute_force() -> None:
    means, variance = np.array([0.6, 0.45, 0.3]), 0.2
    best = 0.0
    grid = np.linspace(0.005, 0.99, 198)
    for first in grid:
        for second in grid[grid < 1 - first - 0.004]:
            shares = np.array([first, second, 1 - first - second])
            rate = min(shares[0] * w / (shares[0] + w) * (means[0] - m) ** 2 / (2 * variance) for w, m in zip(shares[1:], means[1:], strict=True))
            best = max(best, rate)
    assert characteristic_time(means, variance=variance) == pytest.approx(1 / best, rel=5e-3)  # a grid of 0.005


def test_blocking_replaces_the_variance() -> None:
    common, own = 0.16, 0.09
    ratio = characteristic_time((0.2, 0.0), variance=common + own) / characteristic_time((0.2, 0.0), variance=own)
    assert ratio == pytest.approx((common + own) / own)


def test_what_has_no_time_is_refused() -> None:
    for means, variance in (((0.2, 0.2), 1.0), ((0.2,), 1.0), ((0.2, 0.0), 0.0)):
        with pytest.raises(UsageError, match="alone at the top"):
            characteristic_time(means, variance=variance)

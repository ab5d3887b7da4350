"""Control charts that take tests for independent, their average run lengths, and the least delay that any method could have.

They stand beside the detector to show what independence costs: on real links they call every few days. Run lengths are in tests, for
white noise of sd 1. Sources: Page, "Continuous inspection schemes" (Biometrika, 1954); Roberts, "Control chart tests based on geometric
moving averages" (Technometrics, 1959); integral equations by Goel and Wu (Technometrics, 1971) and Lucas and Saccucci (Technometrics,
1990), solved here by Gauss-Legendre points; Siegmund, "Sequential Analysis" (Springer, 1985); bound by Lorden (Ann. Math. Stat., 1971)
and Moustakides (Ann. Stat., 1986).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bandwright.errors import UsageError
from bandwright.trials.change_bank import Bank, BankKind, Moment

__all__ = ["cusum_alarms", "cusum_arl", "ewma_alarms", "ewma_arl", "ewma_limits", "ewma_values", "least_delay_tests", "siegmund_arl", "two_sided_arl"]

Array = NDArray[np.float64]

_POINTS: Final = 64
_REMEMBERED: Final = 2000


def cusum_alarms(z: Iterable[float], *, k: float, h: float) -> list[int]:
    """Return the places at which a two-sided CUSUM of standardised values calls; it starts anew after each."""
    up = low = 0.0
    out: list[int] = []
    for i, x in enumerate(z):
        up, low = max(0.0, up + x - k), max(0.0, low - x - k)
        if max(up, low) > h:
            out.append(i)
            up = low = 0.0
    return out


def ewma_values(z: Iterable[float], *, weight: float, start: float = 0.0) -> list[float]:
    """Return the exponentially weighted averages after each value."""
    e, out = start, []
    for x in z:
        e += weight * (x - e)
        out.append(e)
    return out


def ewma_limits(*, target: float, sd: float, weight: float, width: float = 3.0) -> tuple[float, float]:
    """Return the steady limits of an EWMA chart. width: in sds of the average."""
    half = width * sd * math.sqrt(weight / (2.0 - weight))
    return target - half, target + half


def ewma_alarms(z: Iterable[float], *, weight: float, width: float) -> list[int]:
    """Return the places at which an EWMA of standardised values calls; it starts anew after each."""
    low, high = ewma_limits(target=0.0, sd=1.0, weight=weight, width=width)
    e = 0.0
    out: list[int] = []
    for i, x in enumerate(z):
        e += weight * (x - e)
        if not low <= e <= high:
            out.append(i)
            e = 0.0
    return out


def _phi(x: Array | float) -> Array:
    return np.asarray(np.exp(-0.5 * np.square(x)) / math.sqrt(2.0 * math.pi))


def _cdf(x: Array) -> Array:
    return np.asarray([0.5 * math.erfc(-v / math.sqrt(2.0)) for v in np.atleast_1d(x)])


def cusum_arl(*, k: float, h: float, shift: float = 0.0) -> float:
    """Return the average run length of a one-sided CUSUM that starts at 0, in tests."""
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS)
    s, w = 0.5 * h * (nodes + 1.0), 0.5 * h * weights
    # L(s) = 1 + L(0) P(X <= k - s) + integral over (0, h) of L(x) phi(x - s + k - shift) dx
    points = np.concatenate(([0.0], s))
    kernel = np.zeros((points.size, points.size))
    kernel[:, 0] = _cdf(k - points - shift)
    kernel[:, 1:] = _phi(s[None, :] - points[:, None] + k - shift) * w
    return float(np.linalg.solve(np.eye(points.size) - kernel, np.ones(points.size))[0])


def two_sided_arl(upper: float, lower: float) -> float:
    """Return the average run length of two one-sided charts run together: the harmonic sum."""
    return 1.0 / (1.0 / upper + 1.0 / lower)


def siegmund_arl(*, k: float, h: float, shift: float = 0.0) -> float:
    """Return Siegmund's approximation of the average run length of a one-sided CUSUM. Source: Siegmund (1985), with b = h + 1.166."""
    d, b = shift - k, h + 1.166
    if abs(d) < 1e-9:
        return b * b
    return (math.exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d)


def ewma_arl(*, weight: float, width: float, shift: float = 0.0) -> float:
    """Return the average run length of a two-sided EWMA that starts at 0, in tests."""
    low, high = ewma_limits(target=0.0, sd=1.0, weight=weight, width=width)
    nodes, weights = np.polynomial.legendre.leggauss(2 * _POINTS)
    x, w = 0.5 * (high - low) * nodes + 0.5 * (high + low), 0.5 * (high - low) * weights
    points = np.concatenate(([0.0], x))
    kernel = np.zeros((points.size, points.size))
    kernel[:, 1:] = _phi((x[None, :] - (1.0 - weight) * points[:, None]) / weight - shift) * w / weight
    return float(np.linalg.solve(np.eye(points.size) - kernel, np.ones(points.size))[0])


def least_delay_tests(*, shift_sds: float, fast_sd: float, day_sd: float, tests_a_day: float, arl_days: float = 360.0, known_days: float = 20.0) -> int:
    """Return about the least tests in which a shift of known size could be found, with every part of the noise known.

    shift_sds: in sds of the white noise. Least n with shift^2 / 2 times the sum of g^2 / S over n tests >= ln(ARL in tests), g the
    innovation that the shift leaves and S its variance, in a filter that has watched for `known_days`.
    Source: Lorden (1971), Moustakides (1986), for the log likelihood ratio of correlated data. Raises UsageError without a shift or tests.
    """
    if shift_sds == 0.0 or tests_a_day <= 0.0:
        raise UsageError("shift_sds", given=shift_sds, allowed="not 0, with more than 0 tests a day")
    kind = BankKind(floor=1.0, matters=0.0, fast_sds=(fast_sd,), day_sds=(day_sd,), shapes=((0, 24, 1.0),), candidates=2)
    bank = Bank(kind)
    gap_h = 24.0 / tests_a_day
    learnt = int(known_days * tests_a_day)
    for i in range(learnt):
        bank.learn(Moment(i * gap_h, (i * gap_h) % 24.0), 0.0)
    needed = math.log(arl_days * tests_a_day)
    for n in range(1, _REMEMBERED):
        at_h = (learnt + n - 1) * gap_h
        if n == 1:
            bank.observe(Moment(at_h, at_h % 24.0), 0.0)
        else:
            bank.learn(Moment(at_h, at_h % 24.0), 0.0)
        if 0.5 * shift_sds**2 * float(bank.signature_sums()[1][0, 0, 0]) >= needed:
            return n
    return _REMEMBERED

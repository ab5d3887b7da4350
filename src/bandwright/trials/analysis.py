"""From tests to what the setups are worth: the spread of the variances around their mode, and draws of the values.

Eight quasi-random points and their mirror images around the mode, weighted by likelihood and prior over proposal, stand for what the
data leave open about the variances: the mode alone overstates the certainty. Values follow by Gaussian conditioning at each point.
Same data and seed, same answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np

from bandwright.trials.model import SLOPE_MEAN, Array, Frame, kernels, priors_of, targets
from bandwright.trials.reml import Mode, Problem, at_points, find_mode

__all__ = ["DRAWS", "Fit", "Values", "fit", "problem_of", "values"]

DRAWS: Final = 4000
PAIRS: Final = 8  # of points around the mode
WEIGHT_CAP: Final = 0.25
FACTOR_SPREAD: Final = 0.3  # prior sd of the log of a setup's noise sd over that of all


@dataclass(frozen=True, slots=True)
class Fit:
    """The mode of the log sds, and weighted points around it: (P, J) and (P,)."""

    mode: Mode
    points: Array
    weights: Array


@dataclass(frozen=True, slots=True)
class Values:
    """Draws (S, K) of the values of the setups, with their means (K,) and covariance (K, K)."""

    draws: Array
    mean: Array
    covariance: Array


def values(frame: Frame, seed: int) -> Values:
    """Return 4,000 draws of the values given the tests. Cached: the same frame and seed give the same object."""
    return _values_cached(_Key(frame, seed))


class _Key:
    """A frame and seed with the hash that the cache needs."""

    __slots__ = ("_hash", "frame", "seed")

    def __init__(self, frame: Frame, seed: int) -> None:
        self.frame, self.seed = frame, seed
        self._hash = hash((frame.key, seed))

    def __hash__(self) -> int:
        return self._hash

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.seed == other.seed and self.frame.key == other.frame.key


@lru_cache(maxsize=256)
def _values_cached(key: _Key) -> Values:
    return _values(key.frame, key.seed)


def _values(frame: Frame, seed: int) -> Values:
    found, means, covariances = _spread(frame)
    n_setups = frame.rig.size
    roots = np.linalg.cholesky(covariances + 1e-10 * np.eye(n_setups))
    normals = _normals(seed, n_setups)
    draws = np.empty((DRAWS, n_setups))
    at = 0
    for m, root, count in zip(means, roots, _shares(found.weights, DRAWS), strict=True):
        np.matmul(normals[at : at + count], root.T, out=draws[at : at + count])
        draws[at : at + count] += m
        at += count
    mean = found.weights @ means
    off = means - mean
    covariance = np.tensordot(found.weights, covariances, 1) + (off * found.weights[:, None]).T @ off
    return Values(draws=draws, mean=mean, covariance=covariance)


def fit(frame: Frame) -> Fit:
    """Return the mode and spread of the log sds. With no tests it is the prior."""
    return _spread(frame)[0]


def problem_of(frame: Frame) -> Problem:
    """Return the frame's tests as a problem of variance components; the prediction's mean slope is taken out beforehand."""
    priors = priors_of(frame)
    fixed, stack = kernels(frame)
    return Problem(
        residual=frame.y - SLOPE_MEAN * frame.predicted[frame.setup],
        fixed=fixed,
        stack=stack,
        group=frame.setup,
        groups=frame.rig.size,
        centre=np.log([p.median for p in priors]),
        precision=np.array([p.spread for p in priors]) ** -2.0,
        factor_precision=FACTOR_SPREAD**-2.0,
    )


def _spread(frame: Frame) -> tuple[Fit, Array, Array]:
    """Return the fit, and the means (P, K) and covariances (P, K, K) of the values at each of its points."""
    problem, how = problem_of(frame), targets(frame)
    mode = find_mode(problem)
    k, n = frame.rig.size, frame.y.size
    z = _directions(mode.theta.size)
    points = mode.theta + z @ np.linalg.cholesky(np.linalg.inv(mode.information)).T
    variances = np.exp(2.0 * points[:, :-1])
    covariances = (variances @ how.own.reshape(-1, k * k)).reshape(-1, k, k) + how.own_fixed
    means = np.tile(SLOPE_MEAN * frame.predicted, (points.shape[0], 1))
    if n:
        cross = (variances @ how.cross.reshape(-1, k * n)).reshape(-1, k, n) + how.cross_fixed
        logs, grams = at_points(problem, points, mode.omega, cross)
        means += grams[:, 0, 1:]
        covariances -= grams[:, 1:, 1:]
    else:
        logs = -0.5 * ((points - problem.centre) ** 2) @ problem.precision
    logs = logs + 0.5 * (z**2).sum(axis=1)
    weights = np.exp(logs - logs.max())
    return Fit(mode, points, _capped(weights / weights.sum())), means, covariances


def _capped(weights: Array) -> Array:
    """Return weights with none above the cap, the rest scaled up to fill."""
    out = weights.copy()
    for _ in range(weights.size):
        over = out > WEIGHT_CAP + 1e-12
        if not over.any():
            break
        free = ~(out >= WEIGHT_CAP - 1e-12)
        out[over] = WEIGHT_CAP
        spare = 1.0 - out[~free].sum()
        if out[free].sum() > 0:
            out[free] *= spare / out[free].sum()
    return np.asarray(out / out.sum())


@lru_cache(maxsize=32)
def _directions(size: int) -> Array:
    """Return the mode and eight quasi-random normal points with their mirror images: an additive recurrence on irrationals."""
    phi = 2.0
    for _ in range(40):
        phi = (1.0 + phi) ** (1.0 / (size + 1))
    alpha = phi ** -np.arange(1, size + 1)
    inverse = NormalDist().inv_cdf
    z = np.array([[inverse(float((0.5 + (i + 1) * a) % 1.0)) for a in alpha] for i in range(PAIRS)])
    return np.vstack([np.zeros(size), z, -z])


@lru_cache(maxsize=64)
def _normals(seed: int, columns: int) -> Array:
    return np.random.default_rng([seed, 4099]).standard_normal((DRAWS, columns))


def _shares(weights: Array, total: int) -> list[int]:
    """Return whole numbers in proportion to the weights that add up to the total (largest remainders)."""
    exact = weights * total
    floor = np.floor(exact).astype(int)
    rest = total - int(floor.sum())
    for i in np.argsort(-(exact - floor), kind="stable")[:rest]:
        floor[i] += 1
    return [int(x) for x in floor]

"""From tests to what the setups are worth: the spread of the variances around their mode, and draws of the values.

Eight quasi-random points and their mirror images around the mode, weighted by likelihood and prior over proposal, stand for what the
data leave open about the variances: the mode alone overstates the certainty. Values follow by Gaussian conditioning at each point.
Same data and seed, same answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np

from bandwright.trials.model import SLOPE_MEAN, Array, Frame, Targets, kernels, priors_of, targets
from bandwright.trials.reml import Mode, Problem, Whitened, extended, find_mode, whitened

__all__ = ["DRAWS", "Fit", "Values", "fit", "problem_of", "values"]

DRAWS: Final = 4000
PAIRS: Final = 8  # of points around the mode
WEIGHT_CAP: Final = 0.25
ALL_UP_TO: Final = 24  # tests: up to here the points move with every test
BASIS_GROWTH: Final = 6  # beyond, with every sixth part more
FACTOR_SPREAD: Final = 0.3  # prior sd of the log of a setup's noise sd over that of all


@dataclass(frozen=True, slots=True)
class Fit:
    """The mode of the log sds, and weighted points around it: (P, J) and (P,). omega: noise factors of the variance at them, (P, G)."""

    mode: Mode
    points: Array
    omega: Array
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


def problem_of(frame: Frame, first: int = 0) -> Problem:
    """Return the frame's tests as a problem of variance components; the prediction's mean slope is taken out beforehand.

    first: of the tests that are its rows; its columns are all of them.
    """
    priors = priors_of(frame)
    fixed, stack = kernels(frame, first)
    return Problem(
        residual=(frame.y - SLOPE_MEAN * frame.predicted[frame.setup])[first:],
        fixed=fixed,
        stack=stack,
        group=frame.setup[first:],
        groups=frame.rig.size,
        centre=np.log([p.median for p in priors]),
        precision=np.array([p.spread for p in priors]) ** -2.0,
        factor_precision=FACTOR_SPREAD**-2.0,
    )


@dataclass(frozen=True, slots=True)
class _Basis:
    """What is learned of the log sds from a trial's first tests: the mode, points around it, and the tests whitened at each.

    lean: (P,), log of what a point counts for more than its share of the proposal, but for likelihood and prior of the log sds.
    white is None where there are no tests.
    """

    mode: Mode
    points: Array
    omega: Array
    lean: Array
    white: Whitened | None


def _basis_tests(tests: int) -> int:
    """Return how many of the first tests the points around the mode are taken from: all of few, then each time a sixth more."""
    if tests <= ALL_UP_TO:
        return tests
    at = ALL_UP_TO
    while (following := at + at // BASIS_GROWTH) <= tests:
        at = following
    return at


@lru_cache(maxsize=2)
def _problem(key: _Key) -> Problem:
    """Return the problem of a frame: its mode and the points around it ask for the same one."""
    return problem_of(key.frame)


@lru_cache(maxsize=128)
def _mode(key: _Key) -> Mode:
    """Return the mode of a frame. The search begins at the mode of half its tests, and so on back: the same whatever was asked before."""
    frame = key.frame
    if frame.y.size <= ALL_UP_TO:
        return find_mode(_problem(key))
    near = _mode(_Key(frame.first(_basis_tests(frame.y.size // 2)), 0))
    return find_mode(_problem(key), near=near)


@lru_cache(maxsize=4)
def _basis(key: _Key) -> _Basis:
    frame = key.frame
    fresh = _Key(frame.first(frame.y.size), 0)
    mode = _mode(fresh)
    j = mode.theta.size
    steps = _directions(mode.information.shape[0])
    shifts = steps @ np.linalg.cholesky(np.linalg.inv(mode.information)).T
    points, factors = mode.theta + shifts[:, :j], 0.5 * np.log(mode.omega) + shifts[:, j:]
    omega = np.exp(2.0 * factors)
    lean = 0.5 * ((steps**2).sum(axis=1) - (factors**2).sum(axis=1) / FACTOR_SPREAD**2)
    if not frame.y.size:
        return _Basis(mode, points, omega, lean, None)
    cross = _cross(targets(frame), np.exp(2.0 * points[:, :-1]))
    return _Basis(mode, points, omega, lean, whitened(_problem(fresh), points, omega, cross))


def _cross(how: Targets, variances: Array, first: int = 0) -> Array:
    """Return the covariances (P, K, M) of the values with the tests from `first` on, at each row of variances."""
    parts = how.cross[:, :, first:]
    j, k, m = parts.shape
    return np.asarray((variances @ parts.reshape(j, k * m)).reshape(-1, k, m) + how.cross_fixed[:, first:])


def _spread(frame: Frame) -> tuple[Fit, Array, Array]:
    """Return the fit, and the means (P, K) and covariances (P, K, K) of the values at each of its points.

    Between two bases the points stay where they are, and weights and values follow the later tests exactly.
    """
    n, k = frame.y.size, frame.rig.size
    base = _basis_tests(n)
    basis = _basis(_Key(replace(frame.first(base), standing=frame.standing), 0))
    points, how = basis.points, targets(frame)
    variances = np.exp(2.0 * points[:, :-1])
    covariances = (variances @ how.own.reshape(-1, k * k)).reshape(-1, k, k) + how.own_fixed
    means = np.tile(SLOPE_MEAN * frame.predicted, (points.shape[0], 1))
    if basis.white is None:
        logs = -0.5 * ((points - basis.mode.theta) ** 2) @ np.diag(basis.mode.information)[: basis.mode.theta.size]
    else:
        logs, grams = basis.white.logs, basis.white.grams
        if n > base:
            logs, grams = extended(basis.white, problem_of(frame, base), points, basis.omega, _cross(how, variances, base))
        means += grams[:, 0, 1:]
        covariances -= grams[:, 1:, 1:]
    logs = logs + basis.lean
    weights = np.exp(logs - logs.max())
    return Fit(basis.mode, points, basis.omega, _capped(weights / weights.sum())), means, covariances


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

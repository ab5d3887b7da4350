"""From tests to what the setups are worth: restricted likelihood, its mode, the spread of the variances, and draws of the values.

Newton steps with average information (Gilmour, Thompson and Cullis, Biometrics 51, 1995) find the mode of the log standard
deviations; eight quasi-random points and their mirror images around it, weighted by likelihood and prior over proposal, stand for
what the data leave open about them. Values follow by Gaussian conditioning at each point. Same data and seed, same answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np

from bandwright.errors import OurFault
from bandwright.trials.model import SLOPE_MEAN, Array, Frame, Targets, kernels, priors_of, targets

__all__ = ["DRAWS", "Fit", "Values", "fit", "log_posterior", "values"]

DRAWS: Final = 4000
GRADIENT_TOLERANCE: Final = 0.05
MAX_STEPS: Final = 60
PSEUDO_TESTS: Final = 6.0
WEIGHT_CAP: Final = 0.25


@dataclass(frozen=True, slots=True)
class Fit:
    """The mode of the log sds, what is known of them around it, and the noise factor of each setup."""

    mode: Array
    information: Array
    omega: Array
    gradient: float
    steps: int
    points: Array  # (P, J)
    weights: Array  # (P,)


@dataclass(frozen=True, slots=True)
class Values:
    """Draws (S, K) of the values of the setups, with their means and covariance."""

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
    how = targets(frame)
    n_setups = frame.rig.size
    base = SLOPE_MEAN * frame.predicted
    spread = fit(frame)
    fixed, stack = kernels(frame)
    residual = frame.y - base[frame.setup]
    counts = _shares(spread.weights, DRAWS)
    normals = _normals(seed, n_setups)
    draws = np.empty((DRAWS, n_setups))
    at = 0
    mean = np.zeros(n_setups)
    second = np.zeros((n_setups, n_setups))
    for theta, weight, count in zip(spread.points, spread.weights, counts, strict=True):
        m, c = _condition(frame, theta, spread.omega, fixed, stack, how, residual)
        m = m + base
        mean += weight * m
        second += weight * (c + np.outer(m, m))
        if count:
            root = np.linalg.cholesky(c + 1e-10 * np.eye(n_setups))
            draws[at : at + count] = m + normals[at : at + count] @ root.T
            at += count
    return Values(draws=draws, mean=mean, covariance=second - np.outer(mean, mean))


def _condition(frame: Frame, theta: Array, omega: Array, fixed: Array, stack: Array, how: Targets, residual: Array) -> tuple[Array, Array]:
    """Return mean (less the prediction) and covariance of the values at one point of the log sds."""
    variance = np.exp(2.0 * theta)
    prior = how.own_fixed + np.tensordot(variance[:-1], how.own, 1)
    if residual.size == 0:
        return np.zeros(prior.shape[0]), prior
    cross = how.cross_fixed + np.tensordot(variance[:-1], how.cross, 1)
    factor = _factor(_sigma(frame, variance, omega, fixed, stack))
    solved = _solve(factor, np.column_stack([residual, cross]))
    return solved[:, 0] @ cross, prior - cross.T @ solved[:, 1:]


def _sigma(frame: Frame, variance: Array, omega: Array, fixed: Array, stack: Array) -> Array:
    sigma = (variance[:-1] @ stack.reshape(stack.shape[0], -1)).reshape(fixed.shape)
    sigma += fixed
    np.einsum("ii->i", sigma)[:] += variance[-1] * omega[frame.setup]
    return np.asarray(sigma)


def _factor(sigma: Array) -> Array:
    from scipy.linalg.lapack import dpotrf

    factor, info = dpotrf(sigma.T, lower=1, clean=0)
    if info:
        raise OurFault("covariance of the tests", given=f"not positive definite at {info}")
    return np.asarray(factor)


def _solve(factor: Array, right: Array) -> Array:
    from scipy.linalg.lapack import dpotrs

    return np.asarray(dpotrs(factor, right, lower=1)[0])


def fit(frame: Frame) -> Fit:
    """Return the mode and spread of the log sds. With no tests it is the prior."""
    priors = priors_of(frame)
    centre = np.log([p.median for p in priors])
    precision = np.array([p.spread for p in priors]) ** -2.0
    omega = np.ones(frame.rig.size)
    if frame.y.size == 0:
        return _spread(frame, centre, np.diag(precision), omega, 0.0, 0)
    fixed, stack = kernels(frame)
    residual = frame.y - SLOPE_MEAN * frame.predicted[frame.setup]
    theta = centre.copy()
    information = np.diag(precision)
    worst = np.inf
    step = 0
    for step in range(MAX_STEPS):
        gradient, information, ratio = _score(frame, theta, omega, fixed, stack, residual, centre, precision)
        moved = _omega(frame, omega, ratio)
        drift = float(np.abs(np.log(moved / omega)).max())
        worst = float(np.abs(gradient).max())
        if worst < GRADIENT_TOLERANCE and drift < 0.02:
            break
        if step >= 2:
            omega = moved
        theta = theta + np.clip(np.linalg.solve(information, gradient), -0.7, 0.7)
    return _spread(frame, theta, information, omega, worst, step)


def _score(
    frame: Frame, theta: Array, omega: Array, fixed: Array, stack: Array, residual: Array, centre: Array, precision: Array
) -> tuple[Array, Array, Array]:
    """Return gradient and average information of the log posterior of theta, and per test the pair a_i^2, (Sigma^-1)_ii."""
    from scipy.linalg.lapack import dpotri

    variance = np.exp(2.0 * theta)
    n = residual.size
    factor = _factor(_sigma(frame, variance, omega, fixed, stack))
    lower, _ = dpotri(factor, lower=1)
    inverse = np.tril(lower)
    inverse += np.tril(lower, -1).T
    a = inverse @ residual
    diagonal = inverse.ravel()[:: n + 1]
    noise = omega[frame.setup]
    effects = np.vstack([stack @ a, (noise * a)[None]])
    traces = np.append(stack.reshape(stack.shape[0], -1) @ inverse.ravel(), noise @ diagonal)
    u = 2.0 * variance[:, None] * effects
    gradient = 0.5 * (u @ a - 2.0 * variance * traces) - (theta - centre) * precision
    information = 0.5 * u @ (inverse @ u.T) + np.diag(precision)
    return gradient, information, np.vstack([a * a, diagonal])


def _omega(frame: Frame, omega: Array, ratio: Array) -> Array:
    """Return the noise factors moved towards their fixed point: a setup's squared residuals over what they should be, shrunk."""
    k = omega.size
    n = np.bincount(frame.setup, minlength=k).astype(float)
    observed = np.bincount(frame.setup, weights=ratio[0], minlength=k)
    expected = np.bincount(frame.setup, weights=ratio[1], minlength=k)
    raw = omega * np.divide(observed, expected, out=np.ones(k), where=expected > 0)
    return np.asarray(np.clip((n * raw + PSEUDO_TESTS) / (n + PSEUDO_TESTS), 0.3, 3.0))


def log_posterior(frame: Frame, theta: Array, omega: Array) -> float:
    """Return log likelihood plus log prior of the log sds, up to a constant."""
    priors = priors_of(frame)
    centre = np.log([p.median for p in priors])
    precision = np.array([p.spread for p in priors]) ** -2.0
    prior = -0.5 * float(((theta - centre) ** 2 * precision).sum())
    if frame.y.size == 0:
        return prior
    fixed, stack = kernels(frame)
    residual = frame.y - SLOPE_MEAN * frame.predicted[frame.setup]
    return prior + _log_likelihood(frame, theta, omega, fixed, stack, residual)


def _log_likelihood(frame: Frame, theta: Array, omega: Array, fixed: Array, stack: Array, residual: Array) -> float:
    factor = _factor(_sigma(frame, np.exp(2.0 * theta), omega, fixed, stack))
    return -float(np.log(np.diagonal(factor)).sum()) - 0.5 * float(residual @ _solve(factor, residual))


def _spread(frame: Frame, mode: Array, information: Array, omega: Array, worst: float, steps: int) -> Fit:
    """Return the fit with its 17 weighted points."""
    z = _directions(mode.size)
    root = np.linalg.cholesky(np.linalg.inv(information))
    points = mode + z @ root.T
    logs = np.array([log_posterior(frame, theta, omega) for theta in points]) + 0.5 * (z**2).sum(axis=1)
    weights = np.exp(logs - logs.max())
    return Fit(mode, information, omega, worst, steps, points, _capped(weights / weights.sum()))


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
    z = np.array([[inverse(float((0.5 + (i + 1) * a) % 1.0)) for a in alpha] for i in range(8)])
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

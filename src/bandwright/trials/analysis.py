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
from bandwright.trials.model import SLOPE_MEAN, Array, Frame, kernels, priors_of, targets

__all__ = ["DRAWS", "Fit", "Values", "fit", "log_posterior", "values"]

DRAWS: Final = 4000
GRADIENT_TOLERANCE: Final = 0.05
MAX_STEPS: Final = 60
MAX_MOVE: Final = 0.7  # of any log sd in one step
FACTOR_SPREAD: Final = 0.3  # prior sd of the log of a setup's noise sd over that of all
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
    problem = _Problem(frame)
    spread, means, covariances = _spread(problem, *_mode(problem))
    n_setups = frame.rig.size
    roots = np.linalg.cholesky(covariances + 1e-10 * np.eye(n_setups))
    normals = _normals(seed, n_setups)
    draws = np.empty((DRAWS, n_setups))
    at = 0
    for m, root, count in zip(means, roots, _shares(spread.weights, DRAWS), strict=True):
        np.matmul(normals[at : at + count], root.T, out=draws[at : at + count])
        draws[at : at + count] += m
        at += count
    mean = spread.weights @ means
    off = means - mean
    covariance = np.tensordot(spread.weights, covariances, 1) + (off * spread.weights[:, None]).T @ off
    return Values(draws=draws, mean=mean, covariance=covariance)


class _Problem:
    """A frame with its kernels, laid out for the sums that a fit repeats.

    flat: (J - 1, N * N) unit kernels. half: the same with every pair counted once, twofold, and nothing below the diagonal,
    so that a sum over it with one triangle of an inverse is a trace.
    """

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.priors = priors_of(frame)
        self.centre = np.log([p.median for p in self.priors])
        self.precision = np.array([p.spread for p in self.priors]) ** -2.0
        self.base = SLOPE_MEAN * frame.predicted
        self.fixed, self.stack = kernels(frame)
        n = frame.y.size
        self.flat = self.stack.reshape(len(self.priors) - 1, n * n)
        self.residual = frame.y - self.base[frame.setup]

    def sigmas(self, variances: Array, omega: Array) -> Array:
        """Return the covariance of the tests at each row of variances: (P, N, N)."""
        n = self.residual.size
        out = (variances[:, :-1] @ self.flat).reshape(-1, n, n)
        out += self.fixed
        np.einsum("pii->pi", out)[:] += variances[:, -1:] * omega[self.frame.setup]
        return np.asarray(out)

    def half(self) -> Array:
        """Return the kernels with each pair once, twofold, on and above the diagonal."""
        n = self.residual.size
        twice = 2.0 * np.triu(np.ones((n, n)))
        np.einsum("ii->i", twice)[:] = 1.0
        return self.flat * twice.ravel()


def fit(frame: Frame) -> Fit:
    """Return the mode and spread of the log sds. With no tests it is the prior."""
    problem = _Problem(frame)
    return _spread(problem, *_mode(problem))[0]


def _mode(problem: _Problem) -> tuple[Array, Array, Array, float, int]:
    """Return mode, information, noise factors, the largest gradient left, and steps taken.

    The log noise factors of the setups are found together with the log sds; the information is that of the log sds.
    """
    j, k = problem.centre.size, problem.frame.rig.size
    x = np.append(problem.centre, np.zeros(k))
    if problem.residual.size == 0:
        return x[:j], np.diag(problem.precision), np.ones(k), 0.0, 0
    half = problem.half()
    steps = 0
    pull = np.append(problem.precision, np.full(k, FACTOR_SPREAD**-2))
    centre = np.append(problem.centre, np.zeros(k))
    gradient, information = _score(problem, half, x)
    while np.abs(gradient).max() >= GRADIENT_TOLERANCE and steps < MAX_STEPS:
        # the curvature that average information leaves out where a variance is smaller than its prior says: d2/dtheta2 has 2 dl/dtheta
        likelihood = gradient + (x - centre) * pull
        curvature = information + np.diag(np.maximum(-2.0 * likelihood, 0.0))
        x = x + np.clip(np.linalg.solve(curvature, gradient), -MAX_MOVE, MAX_MOVE)
        gradient, information = _score(problem, half, x)
        steps += 1
    return x[:j], information[:j, :j], np.exp(2.0 * x[j:]), float(np.abs(gradient).max()), steps


def _score(problem: _Problem, half: Array, x: Array) -> tuple[Array, Array]:
    """Return gradient and average information of the log posterior. x: log sds (J,), then log noise factors (K,) of the sd."""
    from scipy.linalg.lapack import dpotrf, dpotri, dpotrs

    j, k = problem.centre.size, problem.frame.rig.size
    variance, omega = np.exp(2.0 * x[:j]), np.exp(2.0 * x[j:])
    setup = problem.frame.setup
    factor, info = dpotrf(problem.sigmas(variance[None], omega)[0].T, lower=1, clean=0, overwrite_a=1)
    if info:
        raise OurFault("covariance of the tests", given=f"not positive definite at {info}")
    a = dpotrs(factor, problem.residual, lower=1)[0]
    noise = variance[-1] * omega[setup]
    u = np.zeros((j + k, a.size))
    np.matmul(problem.stack, a, out=u[: j - 1])
    u[: j - 1] *= variance[:-1, None]
    u[j - 1] = noise * a
    u[j + setup, np.arange(a.size)] = u[j - 1]
    u *= 2.0
    solved = dpotrs(factor, u.T, lower=1)[0]
    inverse = dpotri(factor, lower=1, overwrite_c=1)[0].T  # one triangle of it
    own = noise * np.einsum("ii->i", inverse)
    traces = np.concatenate([variance[:-1] * (half @ inverse.ravel()), [own.sum()], np.bincount(setup, weights=own, minlength=k)])
    gradient = 0.5 * (u @ a) - traces
    gradient[:j] -= (x[:j] - problem.centre) * problem.precision
    gradient[j:] -= x[j:] / FACTOR_SPREAD**2
    information = 0.5 * u @ solved
    np.einsum("ii->i", information)[:j] += problem.precision
    np.einsum("ii->i", information)[j:] += FACTOR_SPREAD**-2
    return gradient, information


def log_posterior(frame: Frame, theta: Array, omega: Array) -> float:
    """Return log likelihood plus log prior of the log sds, up to a constant."""
    problem = _Problem(frame)
    return float(_at_points(problem, theta[None], omega)[0][0])


def _at_points(problem: _Problem, points: Array, omega: Array) -> tuple[Array, Array, Array]:
    """Return at each point (P, J) of the log sds: log posterior (P,), means (P, K) and covariances (P, K, K) of the values."""
    from scipy.linalg.blas import dtrsm
    from scipy.linalg.lapack import dpotrf

    how, n = targets(problem.frame), problem.residual.size
    variances = np.exp(2.0 * points)
    k = problem.base.size
    covariances = (variances[:, :-1] @ how.own.reshape(-1, k * k)).reshape(-1, k, k) + how.own_fixed
    means = np.tile(problem.base, (points.shape[0], 1))
    logs = -0.5 * ((points - problem.centre) ** 2) @ problem.precision
    if n == 0:
        return logs, means, covariances
    right = np.empty((points.shape[0], k + 1, n))
    right[:, 0] = problem.residual
    right[:, 1:] = (variances[:, :-1] @ how.cross.reshape(-1, k * n)).reshape(-1, k, n) + how.cross_fixed
    for i, sigma in enumerate(problem.sigmas(variances, omega)):
        factor, info = dpotrf(sigma.T, lower=1, clean=0, overwrite_a=1)
        if info:
            raise OurFault("covariance of the tests", given=f"not positive definite at {info}")
        half = dtrsm(1.0, factor, right[i].T, lower=1)
        gram = half.T @ half
        logs[i] -= np.log(np.einsum("ii->i", factor)).sum() + 0.5 * gram[0, 0]
        means[i] += gram[0, 1:]
        covariances[i] -= gram[1:, 1:]
    return logs, means, covariances


def _spread(problem: _Problem, mode: Array, information: Array, omega: Array, worst: float, steps: int) -> tuple[Fit, Array, Array]:
    """Return the fit with its weighted points, and the means and covariances of the values at each."""
    z = _directions(mode.size)
    points = mode + z @ np.linalg.cholesky(np.linalg.inv(information)).T
    logs, means, covariances = _at_points(problem, points, omega)
    logs += 0.5 * (z**2).sum(axis=1)
    weights = np.exp(logs - logs.max())
    return Fit(mode, information, omega, worst, steps, points, _capped(weights / weights.sum())), means, covariances


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

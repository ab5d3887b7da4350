"""Restricted likelihood of variance components: its gradient, average information, and the mode of the log standard deviations.

The covariance of the observations is linear in the variances: a fixed part, plus a sum of known kernels times their variances, plus
noise whose variance may differ by group. Newton steps with average information: Gilmour, Thompson and Cullis, Biometrics 51 (1995).
Departure from it: components carry lognormal priors on their sds, and the term of the second derivative that average information
leaves out is put back where a variance is smaller than its prior says; without it the steps go to and fro there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bandwright.errors import OurFault

__all__ = ["GRADIENT_TOLERANCE", "Mode", "Problem", "Whitened", "at_points", "extended", "find_mode", "score", "whitened"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

GRADIENT_TOLERANCE: Final = 0.05
MAX_STEPS: Final = 60
MAX_MOVE: Final = 0.7  # of any log sd in one step


@dataclass(frozen=True, slots=True)
class Problem:
    """What is observed and how it may go together. N observations, J components of which noise is the last, G groups.

    residual: (N,), less what is known beforehand. fixed: (N, N), covariance that is not learned. stack: (J - 1, N, N), kernels.
    group: (N,), whose noise factor an observation has. centre, precision: (J,), prior of the log sds; factor_precision: of the log
    noise factors, around 0.
    """

    residual: Array
    fixed: Array
    stack: Array
    group: Index
    groups: int
    centre: Array
    precision: Array
    factor_precision: float

    def sigmas(self, variances: Array, omega: Array) -> Array:
        """Return the covariance of the observations at each row of variances (P, J): (P, N, N). omega: (G,) or (P, G), of the noise variance."""
        n = self.residual.size
        out = (variances[:, :-1] @ self.stack.reshape(self.stack.shape[0], n * n)).reshape(-1, n, n)
        out += self.fixed
        np.einsum("pii->pi", out)[:] += variances[:, -1:] * omega[..., self.group]
        return np.asarray(out)

    def half(self) -> Array:
        """Return the kernels with each pair once, twofold, on and above the diagonal: a sum over one triangle of an inverse is then a trace."""
        n = self.residual.size
        twice = 2.0 * np.triu(np.ones((n, n)))
        np.einsum("ii->i", twice)[:] = 1.0
        return np.asarray(self.stack.reshape(self.stack.shape[0], n * n) * twice.ravel())


@dataclass(frozen=True, slots=True)
class Mode:
    """The mode: log sds (J,), noise factors (G,) of the variance, what gradient is left.

    information: average information with the prior's, of the log sds, then of the log noise factors of the sd (J + G, J + G).
    """

    theta: Array
    information: Array
    omega: Array
    gradient: float
    steps: int


def find_mode(problem: Problem, *, tolerance: float = GRADIENT_TOLERANCE, near: Mode | None = None) -> Mode:
    """Return the mode of the log sds and noise factors. With nothing observed it is the prior.

    near: where the search begins, the mode of fewer of the observations; the centre of the prior where None.
    """
    j, g = problem.centre.size, problem.groups
    prior = np.append(problem.centre, np.zeros(g))
    x = prior if near is None else np.append(near.theta, 0.5 * np.log(near.omega))
    if problem.residual.size == 0:
        return Mode(x[:j], np.diag(np.append(problem.precision, np.full(g, problem.factor_precision))), np.ones(g), 0.0, 0)
    half = problem.half()
    pull = np.append(problem.precision, np.full(g, problem.factor_precision))
    steps = 0
    gradient, information = score(problem, half, x)
    while np.abs(gradient).max() >= tolerance and steps < MAX_STEPS:
        likelihood = gradient + (x - prior) * pull
        curvature = information + np.diag(np.maximum(-2.0 * likelihood, 0.0))  # d2/dtheta2 has 2 dl/dtheta, theta being a log
        x = x + np.clip(np.linalg.solve(curvature, gradient), -MAX_MOVE, MAX_MOVE)
        gradient, information = score(problem, half, x)
        steps += 1
    return Mode(x[:j], information, np.exp(2.0 * x[j:]), float(np.abs(gradient).max()), steps)


def score(problem: Problem, half: Array, x: Array) -> tuple[Array, Array]:
    """Return gradient and average information of the log posterior. x: log sds (J,), then log noise factors (G,) of the sd."""
    from scipy.linalg.lapack import dpotri, dpotrs

    j, g = problem.centre.size, problem.groups
    variance, omega = np.exp(2.0 * x[:j]), np.exp(2.0 * x[j:])
    group = problem.group
    factor = _factor(problem.sigmas(variance[None], omega)[0])
    a = dpotrs(factor, problem.residual, lower=1)[0]
    noise = variance[-1] * omega[group]
    u = np.zeros((j + g, a.size))
    np.matmul(problem.stack, a, out=u[: j - 1])
    u[: j - 1] *= variance[:-1, None]
    u[j - 1] = noise * a
    u[j + group, np.arange(a.size)] = u[j - 1]
    u *= 2.0
    solved = dpotrs(factor, u.T, lower=1)[0]
    inverse = dpotri(factor, lower=1, overwrite_c=1)[0].T  # one triangle of it
    own = noise * np.einsum("ii->i", inverse)
    traces = np.concatenate([variance[:-1] * (half @ inverse.ravel()), [own.sum()], np.bincount(group, weights=own, minlength=g)])
    gradient = 0.5 * (u @ a) - traces
    gradient[:j] -= (x[:j] - problem.centre) * problem.precision
    gradient[j:] -= x[j:] * problem.factor_precision
    information = 0.5 * u @ solved
    np.einsum("ii->i", information)[:j] += problem.precision
    np.einsum("ii->i", information)[j:] += problem.factor_precision
    return gradient, information


@dataclass(frozen=True, slots=True)
class Whitened:
    """At P points: Cholesky factors of the covariance, what they make of residual and targets, and the log posteriors.

    factors: P of (N, N), lower. white: (P, N, K + 1), the residual first. grams: (P, K + 1, K + 1), their products. logs: (P,).
    """

    factors: tuple[Array, ...]
    white: Array
    grams: Array
    logs: Array


def whitened(problem: Problem, points: Array, omega: Array, cross: Array) -> Whitened:
    """Return residual and targets whitened at each point (P, J) of the log sds.

    omega: noise factors of the variance, (G,) or of each point (P, G). cross: (P, K, N), covariances of K targets with the observations.
    """
    from scipy.linalg.blas import dtrsm

    logs = -0.5 * ((points - problem.centre) ** 2) @ problem.precision
    right = _right(problem.residual, cross)
    grams = np.empty((points.shape[0], right.shape[1], right.shape[1]))
    white = np.empty((points.shape[0], problem.residual.size, right.shape[1]))
    factors = []
    for i, sigma in enumerate(problem.sigmas(np.exp(2.0 * points), omega)):
        factors.append(_factor(sigma))
        white[i] = dtrsm(1.0, factors[i], right[i].T, lower=1)
        np.matmul(white[i].T, white[i], out=grams[i])
        logs[i] -= np.log(np.einsum("ii->i", factors[i])).sum() + 0.5 * grams[i, 0, 0]
    return Whitened(tuple(factors), white, grams, logs)


def extended(before: Whitened, strip: Problem, points: Array, omega: Array, cross: Array) -> tuple[Array, Array]:
    """Return log posteriors and Gram matrices at the points, as `at_points` does, once M more observations are there.

    before: of the first N. strip: the problem with the M latest as rows and all N + M as columns. cross: (P, K, M), of the latest.
    """
    from scipy.linalg.blas import dtrsm

    n, m = before.factors[0].shape[0], strip.residual.size
    variances = np.exp(2.0 * points)
    sigmas = (variances[:, :-1] @ strip.stack.reshape(strip.stack.shape[0], m * (n + m))).reshape(-1, m, n + m)
    sigmas += strip.fixed
    np.einsum("pii->pi", sigmas[:, :, n:])[:] += variances[:, -1:] * omega[..., strip.group]
    right = _right(strip.residual, cross)
    known = np.stack([dtrsm(1.0, factor, sigma[:, :n].T, lower=1) for factor, sigma in zip(before.factors, sigmas, strict=True)]).transpose(0, 2, 1)
    try:
        factors = np.linalg.cholesky(sigmas[:, :, n:] - known @ known.transpose(0, 2, 1))
    except np.linalg.LinAlgError as error:
        raise OurFault("covariance of the observations", given="not positive definite with the later ones") from error
    white = np.linalg.solve(factors, right.transpose(0, 2, 1) - known @ before.white)
    grams = white.transpose(0, 2, 1) @ white
    logs = before.logs - np.log(np.einsum("pii->pi", factors)).sum(axis=1) - 0.5 * grams[:, 0, 0]
    return logs, before.grams + grams


def at_points(problem: Problem, points: Array, omega: Array, cross: Array) -> tuple[Array, Array]:
    """Return, at each point (P, J) of the log sds, the log posterior (P,) up to a constant, and a Gram matrix (P, K + 1, K + 1).

    cross: (P, K, N), covariances of K targets with the observations. The Gram matrix is that of the whitened residual and the whitened
    covariances: its first row gives the targets' means, the rest what conditioning takes from their covariance.
    """
    found = whitened(problem, points, omega, cross)
    return found.logs, found.grams


def _right(residual: Array, cross: Array) -> Array:
    right = np.empty((cross.shape[0], cross.shape[1] + 1, residual.size))
    right[:, 0] = residual
    right[:, 1:] = cross
    return right


def _factor(sigma: Array) -> Array:
    """Return the Cholesky factor, in the lower triangle; sigma is overwritten."""
    from scipy.linalg.lapack import dpotrf

    factor, info = dpotrf(sigma.T, lower=1, clean=0, overwrite_a=1)
    if info:
        raise OurFault("covariance of the observations", given=f"not positive definite at {info}")
    return np.asarray(factor)

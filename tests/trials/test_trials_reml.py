"""The gradient, the mode and the posterior of the model, by independent derivations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bandwright.trials.analysis import fit, problem_of, values
from bandwright.trials.model import MU_SD, PRIORS, SLOPE_MEAN, SLOPE_SD, Frame, kernels, priors_of
from bandwright.trials.reml import GRADIENT_TOLERANCE, Problem, at_points, find_mode, score


def frame(n: int = 40, rigs: int = 2, tunings: int = 3, *, seed: int = 1) -> Frame:
    """Random tests of every setup on several days: shaped like a campaign, not drawn from the model."""
    rng = np.random.default_rng(seed)
    k = rigs * tunings
    rig, tuning = np.repeat(np.arange(rigs), tunings), np.tile(np.arange(tunings), rigs)
    minute = np.sort(rng.uniform(0, 6 * 1440, n))
    visit = (minute // 2000).astype(np.intp)
    setup = rng.integers(0, tunings, n) + (visit % rigs) * tunings
    y = rng.normal(0, 0.3, n) + 0.2 * (setup % tunings)
    predicted = rng.normal(0, 0.3, k)
    weights = np.zeros(24)
    weights[8:22] = 1 / 14
    return Frame(
        rig=rig, tuning=tuning, predicted=predicted - predicted.mean(), y=y, setup=setup.astype(np.intp), visit=visit, minute=minute,
        hour=(minute / 60.0) % 24, weights=weights, standing=np.full(k, -1),
    )  # fmt: skip


def _log_posterior(problem: Problem, x: np.ndarray) -> float:
    """The log posterior written out with a determinant and an inverse, sharing no code with what is tested."""
    j = problem.centre.size
    variance, omega = np.exp(2 * x[:j]), np.exp(2 * x[j:])
    sigma = problem.fixed + sum(v * k for v, k in zip(variance[:-1], problem.stack, strict=True)) + np.diag(variance[-1] * omega[problem.group])
    likelihood = -0.5 * np.linalg.slogdet(sigma)[1] - 0.5 * problem.residual @ np.linalg.inv(sigma) @ problem.residual
    return float(likelihood - 0.5 * ((x[:j] - problem.centre) ** 2) @ problem.precision - 0.5 * problem.factor_precision * (x[j:] ** 2).sum())


@pytest.mark.parametrize("rigs", [1, 2])
def test_the_gradient_is_that_of_the_log_posterior(rigs: int) -> None:
    problem = problem_of(frame(rigs=rigs))
    x = np.append(problem.centre, np.zeros(problem.groups)) + 0.1 * np.random.default_rng(2).standard_normal(problem.centre.size + problem.groups)
    gradient, information = score(problem, problem.half(), x)
    step = 1e-5
    numeric = np.array([(_log_posterior(problem, x + step * e) - _log_posterior(problem, x - step * e)) / (2 * step) for e in np.eye(x.size)])
    assert np.abs(gradient - numeric).max() <= 1e-6 * max(1.0, np.abs(numeric).max())  # relative to the largest
    assert np.linalg.eigvalsh(information).min() > 0


def test_the_mode_is_reached_and_no_neighbour_is_higher() -> None:
    for seed in range(6):
        problem = problem_of(frame(n=60, seed=seed))
        mode = find_mode(problem)
        assert mode.gradient < GRADIENT_TOLERANCE
        x = np.append(mode.theta, 0.5 * np.log(mode.omega))
        at_mode = _log_posterior(problem, x)
        assert all(_log_posterior(problem, x + s * e) <= at_mode + 0.01 for e in np.eye(x.size) for s in (-0.3, 0.3))


def test_points_give_the_same_log_posterior_as_the_plain_formula() -> None:
    problem = problem_of(frame())
    points = problem.centre + 0.2 * np.random.default_rng(3).standard_normal((4, problem.centre.size))
    logs, _ = at_points(problem, points, np.ones(problem.groups), np.zeros((4, 1, problem.residual.size)))
    plain = [_log_posterior(problem, np.append(p, np.zeros(problem.groups))) for p in points]
    assert np.diff(logs) == pytest.approx(np.diff(plain), abs=1e-9)


def test_without_tests_the_draws_follow_the_prior() -> None:
    empty = frame(n=0)
    found = values(empty, 5)
    weights = empty.weights
    hours = np.arange(24) + 0.5
    spread = {p.name: p.median**2 * np.exp(2 * p.spread**2) for p in PRIORS}  # mean of a squared lognormal sd
    own = float(weights @ np.exp(-2 * np.sin(np.pi * (hours[:, None] - hours) / 24) ** 2 / 0.8**2) @ weights)
    p = empty.predicted
    expected = MU_SD**2 + SLOPE_SD**2 * np.outer(p, p) + (spread["tuning"] + spread["profile"] * own) * (empty.tuning[:, None] == empty.tuning)
    expected += spread["rig"] * (empty.rig[:, None] == empty.rig) + spread["setup"] * np.eye(6)
    assert found.mean == pytest.approx(SLOPE_MEAN * p, abs=1e-12)
    # the 17 points around the mode stand for the spread of the variances: the mean of their squares is met to a fifth
    assert np.diag(found.covariance) == pytest.approx(np.diag(expected), rel=0.2)
    assert np.cov(found.draws.T) == pytest.approx(found.covariance, abs=0.03)  # 4,000 draws: 0.5 * sqrt(2 / 4000) = 0.011


def test_values_are_those_of_plain_gaussian_conditioning() -> None:
    """At the mode alone, by building the joint covariance of tests and values and inverting it."""
    from bandwright.trials.model import targets

    f = frame()
    problem, how = problem_of(f), targets(f)
    theta = find_mode(problem).theta
    variance = np.exp(2 * theta)
    sigma = problem.sigmas(variance[None], np.ones(problem.groups))[0]
    cross = how.cross_fixed + np.tensordot(variance[:-1], how.cross, 1)
    _, grams = at_points(problem, theta[None], np.ones(problem.groups), cross[None])
    assert grams[0, 0, 1:] == pytest.approx(cross @ np.linalg.inv(sigma) @ problem.residual, abs=1e-9)
    assert grams[0, 1:, 1:] == pytest.approx(cross @ np.linalg.inv(sigma) @ cross.T, abs=1e-9)


def test_kernels_are_covariances_and_noise_is_last() -> None:
    f = frame()
    fixed, stack = kernels(f)
    assert priors_of(f)[-1].name == "noise"
    assert len(stack) == len(priors_of(f)) - 1
    for kernel in (fixed, *stack):
        assert kernel == pytest.approx(kernel.T)
        assert np.linalg.eigvalsh(kernel).min() > -1e-9
    one = frame(rigs=1)
    assert not any(p.several_rigs_only for p in priors_of(one))


def test_flat_priors_agree_with_statsmodels() -> None:
    """Rounds and visits as crossed components, setups as fixed effects: statsmodels MixedLM, REML."""
    pd = pytest.importorskip("pandas")
    smf = pytest.importorskip("statsmodels.formula.api")
    rng = np.random.default_rng(11)
    n = 180
    setup, round_, visit = np.tile(np.arange(3), 60), np.repeat(np.arange(60), 3), np.repeat(np.arange(12), 15)
    y = 0.2 * setup + rng.normal(0, 0.25, 60)[round_] + rng.normal(0, 0.35, 12)[visit] + rng.normal(0, 0.3, n)
    data = pd.DataFrame({"y": y, "setup": setup.astype(str), "round": round_, "visit": visit, "one": 1})
    theirs = smf.mixedlm("y ~ setup", data, groups="one", re_formula="0", vc_formula={"round": "0 + C(round)", "visit": "0 + C(visit)"}).fit(
        reml=True, gtol=1e-9
    )
    columns = (setup[:, None] == np.arange(3)).astype(float)
    problem = Problem(
        residual=y - y.mean(), fixed=1e5 * columns @ columns.T, stack=np.array([(round_[:, None] == round_) * 1.0, (visit[:, None] == visit) * 1.0]),
        group=np.zeros(n, dtype=np.intp), groups=1, centre=np.log([0.2, 0.2, 0.2]), precision=np.full(3, 1e-9), factor_precision=1e9,
    )  # fmt: skip
    ours = np.exp(2 * find_mode(problem, tolerance=1e-5).theta)
    assert ours == pytest.approx([*theirs.vcomp, theirs.scale], rel=1e-3)


def _difference(f: Frame, theta: np.ndarray, a: int, b: int) -> tuple[float, float]:
    from bandwright.trials.model import targets

    problem, how = problem_of(f), targets(f)
    variance = np.exp(2 * theta)
    cross = how.cross_fixed + np.tensordot(variance[:-1], how.cross, 1)
    _, grams = at_points(problem, theta[None], np.ones(problem.groups), cross[None])
    mean = SLOPE_MEAN * f.predicted + grams[0, 0, 1:]
    covariance = how.own_fixed + np.tensordot(variance[:-1], how.own, 1) - grams[0, 1:, 1:]
    e = np.zeros(f.rig.size)
    e[a], e[b] = 1, -1
    return float(e @ mean), float(np.sqrt(e @ covariance @ e))


def test_a_constant_added_to_a_day_of_rounds_moves_no_difference_by_a_tenth_of_its_sd() -> None:
    rng = np.random.default_rng(4)
    days, per_day = 6, 4
    minute = np.concatenate([1440 * d + 480 + 200 * r + np.arange(3) for d in range(days) for r in range(per_day)]).astype(float)
    setup = np.tile(np.arange(3), days * per_day)
    y = 0.1 * setup + rng.normal(0, 0.2, setup.size)
    shift = np.repeat([0.0, 0.4, -0.3, 0.0, 0.25, -0.2], 3 * per_day)
    zeros = np.zeros(3, dtype=np.intp)
    plain = Frame(
        rig=zeros, tuning=np.arange(3), predicted=np.zeros(3), y=y, setup=setup, visit=np.zeros(setup.size, dtype=np.intp), minute=minute,
        hour=(minute / 60) % 24, weights=np.full(24, 1 / 24), standing=np.full(3, -1),
    )  # fmt: skip
    frames = [plain, replace(plain, y=y + shift)]
    theta = fit(frames[1]).mode.theta
    for a, b in ((0, 1), (1, 2), (0, 2)):
        first, second = (_difference(f, theta, a, b) for f in frames)
        assert abs(first[0] - second[0]) < 0.1 * second[1]

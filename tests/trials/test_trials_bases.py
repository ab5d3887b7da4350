"""What makes a refit fast, held to the plain way: bases of the points, the mode found from fewer tests, kernels by squaring."""

from __future__ import annotations

import numpy as np
import pytest

from bandwright.trials import analysis
from bandwright.trials.allocation import chances
from bandwright.trials.analysis import problem_of, values
from bandwright.trials.course import course
from bandwright.trials.ledger import read
from bandwright.trials.model import PRIORS, Frame, frame_of, kernels, targets
from bandwright.trials.prior import PriorWorld
from bandwright.trials.reml import GRADIENT_TOLERANCE, at_points, extended, find_mode, whitened
from bandwright.trials.simulate import run
from bandwright.words.campaign import Allowance


def _forget() -> None:
    for cache in (analysis._values_cached, analysis._problem, analysis._mode, analysis._basis):
        cache.cache_clear()


def _frame(make, *, rigs: int, seed: int) -> Frame:
    design = make.design(rigs=rigs, tunings=3, seed=seed, risk=0.01, allowance=Allowance(days=6.0))
    return frame_of(read(design, run(design, PriorWorld(design, seed=seed))))


@pytest.mark.parametrize("rigs", [1, 2])
def test_later_tests_added_to_factors_give_what_all_tests_at_once_give(make, rigs: int) -> None:
    frame = _frame(make, rigs=rigs, seed=3)
    n, first = frame.y.size, frame.y.size - 11
    rng = np.random.default_rng(5)
    whole, early = problem_of(frame), frame.first(first)
    points = whole.centre + 0.3 * rng.standard_normal((5, whole.centre.size))
    omega = np.exp(0.2 * rng.standard_normal(whole.groups))
    variances = np.exp(2 * points[:, :-1])

    def cross(f: Frame) -> np.ndarray:
        how = targets(f)
        return how.cross_fixed + np.einsum("pj,jkn->pkn", variances, how.cross)

    logs, grams = at_points(whole, points, omega, cross(frame))
    before = whitened(problem_of(early), points, omega, cross(early))
    later, their_grams = extended(before, problem_of(frame, first), points, omega, cross(frame)[:, :, first:])
    assert n > first > 0
    assert later == pytest.approx(logs, abs=1e-8)  # absolute, of log posteriors of some tens
    assert their_grams == pytest.approx(grams, abs=1e-8 * float(np.abs(grams).max()))


def test_the_mode_found_from_fewer_tests_is_the_mode_found_from_the_prior(make) -> None:
    for seed in range(3):
        problem = problem_of(_frame(make, rigs=2, seed=seed))
        near = find_mode(problem_of(_frame(make, rigs=2, seed=seed).first(20)), tolerance=1e-6)
        here, there = (find_mode(problem, tolerance=1e-6, near=start) for start in (None, near))
        assert there.gradient < GRADIENT_TOLERANCE
        assert there.theta == pytest.approx(here.theta, abs=1e-4)  # the gradient left is 1e-6, the curvature about 4


@pytest.mark.parametrize("rigs", [1, 2])
def test_between_two_bases_the_answer_stays_what_a_fresh_basis_gives(make, rigs: int, monkeypatch) -> None:
    """The points of somewhat fewer tests, weighted by all: as sure of the lead as points of all tests, to within what seventeen points can say."""
    apart, moved = [], []
    for seed in range(8):
        frame = _frame(make, rigs=rigs, seed=seed)
        frame = frame.first(analysis._basis_tests(frame.y.size) - 1)  # the furthest from its basis
        _forget()
        ours = values(frame, 1)
        with monkeypatch.context() as patched:
            patched.setattr(analysis, "_basis_tests", lambda tests: tests)
            _forget()
            fresh = values(frame, 1)
        names = [str(i) for i in range(frame.rig.size)]
        apart.append(chances(ours.draws, names, 0.1).certainty - chances(fresh.draws, names, 0.1).certainty)
        sd = np.sqrt(np.diag(fresh.covariance))
        moved += list(np.abs(ours.mean - fresh.mean) / sd)
        assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(sd, rel=0.2)
    _forget()
    assert float(np.mean(moved)) < 0.06
    assert max(moved) < 0.35
    assert abs(float(np.mean(apart))) < 0.01
    assert max(map(abs, apart)) < 0.05


def test_an_answer_does_not_depend_on_what_was_asked_before(make) -> None:
    """Asked step by step, and asked once with nothing remembered: the same bits."""
    design = make.design(rigs=2, tunings=2, allowance=Allowance(days=4.0))
    records = run(design, PriorWorld(design, seed=6))
    stepwise = [course(design, records[:cut]) for cut in range(0, len(records), 5)]
    warm = values(frame_of(read(design, records)), 1)
    _forget()
    cold = values(frame_of(read(design, records)), 1)
    assert np.array_equal(warm.draws, cold.draws)
    _forget()
    assert [course(design, records[:cut]) for cut in reversed(range(0, len(records), 5))] == stepwise[::-1]


def test_bases_grow_with_the_tests() -> None:
    sizes = [analysis._basis_tests(n) for n in range(300)]
    assert sizes[:25] == list(range(25))
    assert all(n / 1.2 < size <= n for n, size in enumerate(sizes) if n)
    assert len(set(sizes[25:])) < 20


def test_kernels_in_time_are_exponentials_of_the_gaps(make) -> None:
    frame = _frame(make, rigs=2, seed=1)
    gap = np.abs(frame.minute[:, None] - frame.minute)
    same = frame.tuning[frame.setup][:, None] == frame.tuning[frame.setup]
    _, stack = kernels(frame)
    for kernel, prior in zip(stack, PRIORS, strict=False):
        if prior.name.startswith(("common", "own")):
            plain = np.exp(-gap / prior.minutes) * (same if prior.name.startswith("own") else 1.0)
            assert kernel == pytest.approx(plain, rel=1e-12, abs=1e-300)
    strip_fixed, strip = kernels(frame, 7)
    fixed, _ = kernels(frame)
    assert np.array_equal(strip_fixed, fixed[7:])
    assert np.array_equal(strip, stack[:, 7:])

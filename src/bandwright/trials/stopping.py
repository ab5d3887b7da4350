"""Where a campaign stands: whether it has seen enough of the site to speak, and whether its lead is settled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

from bandwright.trials.allocation import Chances, chances, risks
from bandwright.trials.analysis import Values, values
from bandwright.trials.ledger import Ledger
from bandwright.trials.model import Array, frame_of
from bandwright.words.campaign import Design

__all__ = ["Standing", "challenger", "equality_open", "first_rounds_open", "joint_equals", "rounds_needed", "sessions", "standing"]

MIN_ROUNDS: Final = 6
MIN_SESSIONS: Final = 3
SESSION_GAP_MIN: Final = 90.0
MIN_SPAN_MIN: Final = 18 * 60.0
MIN_LEAD_TESTS: Final = 8
FIRST_TESTS: Final = 2  # of every setup before anything is dropped


@dataclass(frozen=True, slots=True)
class Standing:
    """The posterior of the contending setups, and what follows. draws, mean: columns in the order of `odds.setups`."""

    values: Values
    draws: Array
    mean: Array
    odds: Chances
    risk: Array  # per contending setup: chance that it is better than the lead by more than the indifference, and the best of those
    ready: bool
    lacking: str  # what readiness still lacks, "" where nothing
    settled: bool
    rounds: int
    sessions: int


def standing(ledger: Ledger, seed: int | None = None) -> Standing | None:
    """Return where the campaign stands, or None where no setup contends."""
    if not ledger.active:
        return None
    found = values(frame_of(ledger), ledger.design.seed if seed is None else seed)
    order = {s.key: i for i, s in enumerate(ledger.setups)}
    columns = [order[k] for k in ledger.active]
    draws = found.draws[:, columns]
    odds = chances(draws, ledger.active, ledger.design.indifference)
    lacking = _lacking(ledger, odds)
    return Standing(
        values=found,
        draws=draws,
        mean=found.mean[columns],
        odds=odds,
        risk=risks(draws, odds, ledger.design.indifference),
        ready=not lacking,
        lacking=lacking,
        settled=not lacking and odds.certainty >= 1.0 - ledger.design.risk,
        rounds=len({r.round for r in ledger.results}),
        sessions=sessions([r.minute for r in ledger.results]),
    )


def sessions(minutes: Sequence[float]) -> int:
    """Return how many sessions the tests fall into: stretches with no gap of 90 minutes. minutes: in order."""
    return sum(1 for i, m in enumerate(minutes) if i == 0 or m - minutes[i - 1] >= SESSION_GAP_MIN)


def first_rounds_open(ledger: Ledger) -> tuple[str, ...]:
    """Return the contending setups that have not had their first tests."""
    counts = dict.fromkeys(ledger.active, 0)
    for r in ledger.results:
        if r.setup in counts:
            counts[r.setup] += 1
    return tuple(k for k, n in counts.items() if n < FIRST_TESTS)


def challenger(where: Standing) -> int | None:
    """Return the setup most likely to be best once the lead is set aside, or None where there is no other."""
    if len(where.odds.setups) < 2:
        return None
    return int(np.lexsort((-where.mean, -where.odds.second))[0])


def rounds_needed(where: Standing, against: int, indifference: float) -> float:
    """Return about how many more rounds a decision takes, if the difference to the challenger stays what it looks like now."""
    difference = where.draws[:, where.odds.lead] - where.draws[:, against]
    ratio = NormalDist().inv_cdf(0.95) * float(difference.std()) / (max(float(difference.mean()), 0.0) + indifference)
    return max(1.0, where.rounds * (ratio**2 - 1.0))


def joint_equals(draws: Array, odds: Chances, indifference: float, certainty: float) -> tuple[int, ...]:
    """Return the largest set, the lead in it, of which all are good with the asked certainty, taken greedily."""
    good = draws >= draws.max(axis=1)[:, None] - indifference
    together = good[:, odds.lead].copy()
    chosen = [odds.lead]
    for i in np.argsort(-odds.good, kind="stable"):
        if i != odds.lead and (together & good[:, i]).mean() >= certainty:
            together &= good[:, i]
            chosen.append(int(i))
    return tuple(chosen)


def equality_open(where: Standing, design: Design) -> bool:
    """Return whether it is still open if another setup is as good as the lead: neither shown, nor very unlikely."""
    against = challenger(where)
    if against is None:
        return False
    if len(joint_equals(where.draws, where.odds, design.indifference, 1.0 - design.risk)) > 1:
        return False
    return float(where.odds.good[against]) > design.risk


def _lacking(ledger: Ledger, odds: Chances) -> str:
    minutes = [r.minute for r in ledger.results]
    if len({r.round for r in ledger.results}) < MIN_ROUNDS:
        return "rounds"
    if sessions(minutes) < MIN_SESSIONS:
        return "sessions"
    if minutes[-1] - minutes[0] < MIN_SPAN_MIN:
        return "hours"
    if sum(r.setup == odds.lead_key for r in ledger.results) < min(MIN_LEAD_TESTS, len(minutes)):
        return "tests of the lead"
    if first_rounds_open(ledger):
        return "tests of every setup"
    return ""

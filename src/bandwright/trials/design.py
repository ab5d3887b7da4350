"""What a trial will take, before anything runs: by simulation on this site's prior, with a cheaper and a longer design beside it.

Each simulated campaign is run once, under the longest design; what a shorter one would have come to is read off the same path: it
is clear where it was settled before any of the shorter one's resources ended.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import Final

import numpy as np

from bandwright.trials.course import course
from bandwright.trials.prior import PriorWorld
from bandwright.trials.simulate import run
from bandwright.words.answers import Outlook, Plan, Span
from bandwright.words.campaign import Allowance, CampaignEvent, Design, RigMounted, Tested

__all__ = ["plan"]

CHEAPER: Final = 0.5
LONGER: Final = 1.5
MINUTES_A_TEST_BY_HAND: Final = 4.0  # to set, read and note one; assumed, no source


@dataclass(frozen=True, slots=True)
class _Path:
    """One simulated campaign under the longest design: (days, tests, gigabytes, rig changes, minutes) after each test, and whether it was settled."""

    used: np.ndarray
    settled: bool


def plan(design: Design, *, campaigns: int = 60, seed: int | None = None, executor: Executor | None = None) -> Plan:
    """Return what the design will take. seed: of the simulated sites; the design's where None. executor: to share the work."""
    first = design.seed if seed is None else seed
    longest = replace(design, allowance=_scaled(design.allowance, LONGER))
    numbers = range(first * 1000, first * 1000 + campaigns)
    paths = list((map if executor is None else executor.map)(partial(_path, longest), numbers))
    return Plan(
        as_designed=_outlook("as designed", design.allowance, paths),
        cheaper=_outlook("cheaper", _scaled(design.allowance, CHEAPER), paths),
        longer=_outlook("longer", longest.allowance, paths),
        campaigns=campaigns,
        seed=first,
    )


def _scaled(allowance: Allowance, factor: float) -> Allowance:
    """Return an allowance of so many times the days, data, changes and minutes; the deadline stays."""
    return replace(
        allowance,
        days=allowance.days * factor,
        data_gb=allowance.data_gb * factor,
        rig_changes=max(1, round(allowance.rig_changes * factor)),
        person_minutes=None if allowance.person_minutes is None else allowance.person_minutes * factor,
    )


def _path(design: Design, number: int) -> _Path:
    records = run(design, PriorWorld(design, seed=number))
    return _Path(_used(design, records), course(design, records).next.why == "settled")


def _used(design: Design, records: Sequence[CampaignEvent]) -> np.ndarray:
    rows = []
    tests = changes = 0
    megabytes = minutes = 0.0
    for record in records:
        if isinstance(record, RigMounted):
            changes += 1
            minutes += record.person_minutes
        elif isinstance(record, Tested):
            tests += 1
            megabytes += record.megabytes + record.load_megabytes
            minutes += MINUTES_A_TEST_BY_HAND if design.by_hand else 0.0
            rows.append((_days(design.start, record.at), tests, megabytes / 1000.0, changes, minutes))
    return np.array(rows or [(0.0, 0, 0.0, 0, 0.0)], dtype=float)


def _days(start: datetime, at: datetime) -> float:
    return (at - start).total_seconds() / 86400.0


def _outlook(name: str, allowance: Allowance, paths: Sequence[_Path]) -> Outlook:
    ends = np.array(
        [allowance.days, np.inf, allowance.data_gb, allowance.rig_changes, np.inf if allowance.person_minutes is None else allowance.person_minutes]
    )
    last, clear = [], []
    for path in paths:
        inside = (path.used <= ends).all(axis=1)
        clear.append(path.settled and bool(inside.all()))
        last.append(path.used[np.flatnonzero(inside)[-1]] if inside.any() else path.used[0])
    half, most = np.quantile(np.array(last), [0.5, 0.9], axis=0)
    spans = [Span(p50=float(a), p90=float(b)) for a, b in zip(half, most, strict=True)]
    return Outlook(
        name=name,
        allowance=allowance,
        chance_clear=float(np.mean(clear)),
        days=spans[0],
        tests=spans[1],
        gigabytes=spans[2],
        rig_changes=spans[3],
        person_minutes=spans[4],
    )

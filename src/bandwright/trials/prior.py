"""Worlds drawn from the model itself: for planning a trial before anything runs, and for proving that the analysis is calibrated.

A world draws its variances from the priors, then every component in order of time: constant effects once, mountings once a visit,
what passes with time as first-order Markov processes (their covariance is the exponential kernel of the model), the profile over
the day on a grid of hours.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from bandwright.trials.hours import hour_weights
from bandwright.trials.model import MU_SD, PRIORS, SLOPE_MEAN, SLOPE_SD, hour_kernel
from bandwright.trials.simulate import Sample
from bandwright.words.campaign import Design

__all__ = ["PriorWorld"]

STEPS_AN_HOUR = 4


class PriorWorld:
    """One site drawn from the model's prior, given the predicted scores of the design.

    truth: per setup key, what it is worth. clipped: scores end at -1 and 1, as real ones do; the model's own do not.
    """

    def __init__(self, design: Design, *, seed: int, clipped: bool = True) -> None:
        self._design, self._clipped = design, clipped
        self._rng = np.random.default_rng([seed, 1009])
        self._zone = ZoneInfo(design.timezone)
        several = len({s.rig for s in design.setups}) > 1
        self._sd = {p.name: p.median * math.exp(p.spread * self._normal()) if several or not p.several_rigs_only else 0.0 for p in PRIORS}
        self._minutes = {p.name: p.minutes for p in PRIORS if p.minutes is not None}
        self._held: dict[Hashable, float] = {}
        self._walks: dict[Hashable, tuple[float, float]] = {}
        known = [s.predicted_score for s in design.setups if s.predicted_score is not None]
        middle = sum(known) / len(known) if known else 0.0
        slope, level = SLOPE_MEAN + SLOPE_SD * self._normal(), MU_SD * self._normal()
        grid = np.arange(24 * STEPS_AN_HOUR) / STEPS_AN_HOUR
        root = np.linalg.cholesky(hour_kernel(grid, grid) + 1e-6 * np.eye(grid.size))
        self._profiles = {t: self._sd["profile"] * (root @ self._rng.standard_normal(grid.size)) for t in dict.fromkeys(s.tuning for s in design.setups)}
        weights = np.repeat(hour_weights(design.needs), STEPS_AN_HOUR) / STEPS_AN_HOUR
        self._setups = {s.key: s for s in design.setups}
        self._base: dict[str, float] = {}
        self.truth: dict[str, float] = {}
        for s in design.setups:
            predicted = 0.0 if s.predicted_score is None else s.predicted_score - middle
            self._base[s.key] = level + slope * predicted + self._hold("tuning", s.tuning) + self._hold("rig", s.rig) + self._hold("setup", s.key)
            self.truth[s.key] = self._base[s.key] + float(weights @ self._profiles[s.tuning])

    def test(self, *, setup: str, visit: int, at: datetime, warmup_s: float) -> Sample:
        """Test a setup. warmup_s changes nothing: the model has no warm-up."""
        del warmup_s
        s = self._setups[setup]
        minute = (at - self._design.start).total_seconds() / 60.0
        local = at.astimezone(self._zone)
        score = self._base[setup] + self._hold("mounting", (visit, s.rig))
        for name, scale in self._minutes.items():
            what = None if name.startswith("common") else setup if name.startswith("setup") else s.tuning
            score += self._walk(name, what, minute, scale)
        hour = int((local.hour + local.minute / 60.0) * STEPS_AN_HOUR)
        score += float(self._profiles[s.tuning][hour]) + self._sd["noise"] * self._normal()
        if self._clipped:
            score = min(1.0, max(-1.0, score))
        return Sample(score=score, megabytes=self._design.megabytes_per_test)

    def _normal(self) -> float:
        return float(self._rng.standard_normal())

    def _hold(self, name: str, what: Hashable) -> float:
        """Return an effect that is drawn once."""
        if (name, what) not in self._held:
            self._held[name, what] = self._sd[name] * self._normal()
        return self._held[name, what]

    def _walk(self, name: str, what: Hashable, minute: float, scale: float) -> float:
        """Return an effect that forgets with time; asked for in order of time."""
        before = self._walks.get((name, what))
        z = self._normal()
        if before is not None:
            rho = math.exp(-(minute - before[0]) / scale)
            z = rho * before[1] + math.sqrt(max(0.0, 1.0 - rho * rho)) * z
        self._walks[name, what] = (minute, z)
        return self._sd[name] * z

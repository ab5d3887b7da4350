"""The statistical model of a trial: which tests go together, as sums of fixed kernels with learned sizes.

A score is the sum of what the setup is worth and of everything else that moves it: the prediction's slope, tuning, rig, setup,
mounting, what all setups share in time (four time scales), what a tuning does on its own in time (two), and a setup by the day, the
tuning's profile over the day, and noise. The covariance is linear in the variances because no length scale is estimated. Pure arithmetic on arrays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bandwright.trials.hours import hour_weights
from bandwright.trials.ledger import Ledger

__all__ = ["PRIORS", "Frame", "Prior", "Targets", "frame_of", "hour_kernel", "kernels", "priors_of", "targets"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MU_SD: Final = 0.5
SLOPE_MEAN: Final = 0.25
SLOPE_SD: Final = 0.2


@dataclass(frozen=True, slots=True)
class Prior:
    """One variance component: the sd of its effect is lognormal. time: scale in minutes, where it has one."""

    name: str
    median: float
    spread: float  # sd of ln(sd)
    minutes: float | None = None
    several_rigs_only: bool = False


PRIORS: Final[tuple[Prior, ...]] = (
    Prior("tuning", 0.20, 0.5),
    Prior("rig", 0.15, 0.5, several_rigs_only=True),
    Prior("setup", 0.12, 0.5, several_rigs_only=True),
    Prior("mounting", 0.09, 0.6, several_rigs_only=True),
    Prior("common, minutes", 0.15, 0.5, 4.0),
    Prior("common, quarter hour", 0.15, 0.5, 16.0),
    Prior("common, hours", 0.18, 0.5, 240.0),
    Prior("common, days", 0.07, 0.7, 2880.0),
    Prior("own, hours", 0.08, 0.7, 120.0),
    Prior("own, days", 0.07, 0.75, 2160.0),
    Prior("setup's own, days", 0.035, 0.7, 2160.0, several_rigs_only=True),
    Prior("profile", 0.08, 0.6),
    Prior("noise", 0.22, 0.6),
)


@dataclass(frozen=True)
class Frame:
    """A trial as arrays. N tests of K setups, in order of time.

    rig, tuning: index per setup. predicted: per setup, less its mean; 0 where there is none. y: score -1..1.
    setup, visit: index per test; minute: after the start; hour: of the local day. weights: of the 24 hours, adding up to 1.
    standing: per setup, the visit in which its rig stands and will stay, or -1 where its value is that of a fresh mounting.
    """

    rig: Index
    tuning: Index
    predicted: Array
    y: Array
    setup: Index
    visit: Index
    minute: Array
    hour: Array
    weights: Array
    standing: Index

    @cached_property
    def several_rigs(self) -> bool:
        """Whether rigs are compared."""
        return bool(self.rig.size) and int(self.rig.max()) > 0

    def first(self, tests: int) -> Frame:
        """Return the trial as it stood after so many tests, every value that of a fresh mounting."""
        return replace(
            self,
            y=self.y[:tests],
            setup=self.setup[:tests],
            visit=self.visit[:tests],
            minute=self.minute[:tests],
            hour=self.hour[:tests],
            standing=np.full(self.standing.size, -1),
        )

    @cached_property
    def key(self) -> tuple[bytes, ...]:
        """What makes two frames the same."""
        arrays = (self.rig, self.tuning, self.predicted, self.y, self.setup, self.visit, self.minute, self.hour, self.weights, self.standing)
        return tuple(a.tobytes() for a in arrays)


def priors_of(frame: Frame) -> tuple[Prior, ...]:
    """Return the components that this trial has; noise is the last."""
    return PRIORS if frame.several_rigs else tuple(p for p in PRIORS if not p.several_rigs_only)


def kernels(frame: Frame, first: int = 0) -> tuple[Array, Array]:
    """Return the fixed part (M, N) and the stack (J - 1, M, N) of unit kernels between tests; noise is diagonal and not in it.

    first: of the M rows; the tests from it on, against all N. All where 0.
    """
    k = frame.setup
    tuning, rig = frame.tuning[k], frame.rig[k]
    same_tuning = (tuning[first:, None] == tuning).astype(float)
    predicted = frame.predicted[k]
    fixed = MU_SD**2 + SLOPE_SD**2 * predicted[first:, None] * predicted
    fading = _fading(np.abs(frame.minute[first:, None] - frame.minute), {p.minutes for p in priors_of(frame) if p.minutes is not None})
    stack = np.empty((len(priors_of(frame)) - 1, k.size - first, k.size))
    for row, prior in zip(stack, priors_of(frame), strict=False):
        match prior.name.split(",")[0]:
            case "tuning":
                row[:] = same_tuning
            case "rig":
                row[:] = rig[first:, None] == rig
            case "setup":
                row[:] = k[first:, None] == k
            case "mounting":
                row[:] = frame.visit[first:, None] == frame.visit
            case "common":
                row[:] = fading[prior.minutes or 0.0]
            case "own":
                np.multiply(fading[prior.minutes or 0.0], same_tuning, out=row)
            case "rig's own":
                np.multiply(fading[prior.minutes or 0.0], rig[first:, None] == rig, out=row)
            case "setup's own":
                np.multiply(fading[prior.minutes or 0.0], k[first:, None] == k, out=row)
            case "profile":
                np.multiply(same_tuning, hour_kernel(frame.hour[first:], frame.hour), out=row)
    return fixed, stack


def _fading(gaps: Array, scales: set[float]) -> dict[float, Array]:
    """Return exp(-gap / scale) for each scale; where half or a quarter of another scale is asked for, by squaring."""
    found: dict[float, Array] = {}
    for scale in sorted(scales, reverse=True):
        if 2.0 * scale in found:
            found[scale] = np.square(found[2.0 * scale])
        elif 4.0 * scale in found:
            found[scale] = np.square(np.square(found[4.0 * scale]))
        else:
            found[scale] = np.exp(gaps * (-1.0 / scale))
    return found


def hour_kernel(hours: Array, others: Array) -> Array:
    """Return the correlation of a tuning's profile at hours of the day (N,) and others (M,): (N, M). Period 24 h.

    exp(-2 sin^2(pi d / 24) / 0.8^2) of the difference d, with 2 sin^2(x / 2) = 1 - cos x and the cosine of a difference as a product.
    """
    a, b = hours * (np.pi / 12.0), others * (np.pi / 12.0)
    cosine = np.column_stack([np.cos(a), np.sin(a)]) @ np.vstack([np.cos(b), np.sin(b)])
    cosine -= 1.0
    cosine /= 0.64
    return np.asarray(np.exp(cosine, out=cosine))


@dataclass(frozen=True, slots=True)
class Targets:
    """How the values of the setups go with the tests, per component: what posteriors need."""

    cross_fixed: Array  # (K, N)
    cross: Array  # (J - 1, K, N)
    own_fixed: Array  # (K, K)
    own: Array  # (J - 1, K, K)


def targets(frame: Frame) -> Targets:
    """Return the covariances of the values V with the tests and among themselves, by component."""
    k = frame.setup
    n_setups = frame.rig.size
    names = [p.name for p in priors_of(frame)][:-1]
    own = np.zeros((len(names), n_setups, n_setups))
    cross = np.zeros((len(names), n_setups, k.size))
    stands = frame.standing >= 0
    centres = np.linspace(0.5, 23.5, 24)
    for i, name in enumerate(names):
        match name:
            case "tuning":
                own[i] = frame.tuning[:, None] == frame.tuning
                cross[i] = own[i][:, k]
            case "rig":
                own[i] = frame.rig[:, None] == frame.rig
                cross[i] = own[i][:, k]
            case "setup":
                own[i] = np.eye(n_setups)
                cross[i] = own[i][:, k]
            case "mounting":
                own[i] = (frame.standing[:, None] == frame.standing) & stands[:, None] & stands
                cross[i] = (frame.standing[:, None] == frame.visit) & stands[:, None]
            case "profile":
                same = frame.tuning[:, None] == frame.tuning
                own[i] = float(frame.weights @ hour_kernel(centres, centres) @ frame.weights) * same
                cross[i] = same[:, k] * (frame.weights @ hour_kernel(centres, frame.hour))
            case _:
                pass  # what passes with the minutes or the days is not part of a value
    p = frame.predicted
    own_fixed = MU_SD**2 + SLOPE_SD**2 * p[:, None] * p
    return Targets(cross_fixed=own_fixed[:, k], cross=cross, own_fixed=own_fixed, own=own)


def frame_of(ledger: Ledger) -> Frame:
    """Return a campaign's tests as arrays."""
    order = {s.key: i for i, s in enumerate(ledger.setups)}
    rigs = {r: i for i, r in enumerate(dict.fromkeys(s.rig for s in ledger.setups))}
    tunings = {t: i for i, t in enumerate(dict.fromkeys(s.tuning for s in ledger.setups))}
    predicted = np.array([np.nan if s.predicted_score is None else s.predicted_score for s in ledger.setups])
    known = ~np.isnan(predicted)
    centred = np.where(known, predicted - (predicted[known].mean() if known.any() else 0.0), 0.0)
    visits: dict[tuple[int, str], int] = {}
    for r in ledger.results:
        visits.setdefault(r.visit, len(visits))
    together = ledger.together(ledger.mounted)
    latest = {r.visit[1]: visits[r.visit] for r in ledger.results if len(together) > 1 and r.visit[1] in together}
    return Frame(
        rig=np.array([rigs[s.rig] for s in ledger.setups], dtype=np.intp),
        tuning=np.array([tunings[s.tuning] for s in ledger.setups], dtype=np.intp),
        predicted=centred,
        y=np.array([r.score for r in ledger.results], dtype=float),
        setup=np.array([order[r.setup] for r in ledger.results], dtype=np.intp),
        visit=np.array([visits[r.visit] for r in ledger.results], dtype=np.intp),
        minute=np.array([r.minute for r in ledger.results], dtype=float),
        hour=np.array([r.hour for r in ledger.results], dtype=float),
        weights=np.array(hour_weights(ledger.design.needs)),
        standing=np.array([latest.get(s.rig, -1) for s in ledger.setups], dtype=np.intp),
    )

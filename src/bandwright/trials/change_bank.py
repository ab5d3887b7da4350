"""One watched quantity: a bank of Kalman filters, and what a lasting change at each past time would have left in them.

An observation is y = level + profile of the hour + weekend + fast and slow wander + offset of the serving cell + white noise. All sds are
relative to the white one, which is never estimated but integrated out, and how much of the variance is slow stays a mixture over the
filters: it is the number a threshold needs most and the data say least about. Each candidate change carries its signature through the
same filters, so that its likelihood ratio needs no window and no second pass.
Source of the signature sums: Willsky and Jones, "A generalized likelihood ratio approach to the detection and estimation of jumps in
linear systems" (IEEE TAC, 1976); here shift and noise are integrated out instead of maximised.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bank", "BankKind", "Moment", "Shift"]

Array = NDArray[np.float64]

_LEVEL, _WEEKEND, _FAST, _DAY, _WALK, _CELL = 0, 7, 8, 9, 10, 11  # places in the state; 1..6 are the waves of the day
_CELLS: Final = 3  # offsets beside the reference
_SIZE: Final = _CELL + _CELLS
_WAVE_SD = (0.7, 0.7, 0.4, 0.4, 0.25, 0.25)
_WEEKEND_SD, _LEVEL_SD, _LEVEL_SD_AFTER, _WALK_SD = 0.25, 20.0, 5.0, 0.03  # the walk: per square root of a day
_A0: Final = 2.0
_CLIP_AFTER: Final = 6
_KEEP_TESTS: Final = 80.0  # what is known of the noise after an accepted change
_TINY: Final = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class BankKind:
    """What kind of quantity is watched. Times in hours; sds relative to the white sd, except `floor` and `matters` (the quantity's unit).

    shapes: (first hour, last hour excluded, share): a change that lasts only in those hours of the day. kappas: sds of the shift.
    per_h: prior chance of a change in an hour. clip: innovations beyond so many sds count as that many.
    """

    floor: float
    matters: float
    fast_h: float = 4.0
    day_h: float = 36.0
    fast_sds: tuple[float, ...] = (0.25, 0.8)
    day_sds: tuple[float, ...] = (0.12, 0.35, 0.8, 1.5)
    cell_sd: float = 0.6
    clip: float = 2.5
    shapes: tuple[tuple[int, int, float], ...] = ((0, 24, 0.70), (16, 24, 0.20), (8, 16, 0.05), (0, 8, 0.05))
    kappas: tuple[float, ...] = (0.7, 2.5)
    candidates: int = 36
    per_h: float = 1.0 / (180.0 * 24.0)


@dataclass(frozen=True, slots=True)
class Moment:
    """When an observation was made: hours on one scale, the local hour 0..24, and the weekend. cell: 0 the reference, 1..3 an offset's place."""

    at_h: float
    hour: float
    weekend: bool = False
    cell: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """What is believed of a change: ln odds that there was one; since when (median, 5 and 95 %); how large; and in which hours."""

    ln_odds: float
    since_h: float
    since_low_h: float
    since_high_h: float
    size: float
    sd: float
    shapes: tuple[float, ...]


class Bank:
    """The filters and candidates of one quantity. `learn` teaches without looking for changes; `observe` looks."""

    def __init__(self, kind: BankKind) -> None:
        self.kind = kind
        pairs = [(f, d) for f in kind.fast_sds for d in kind.day_sds]
        self._fast_var, self._day_var = np.array([f * f for f, _ in pairs]), np.array([d * d for _, d in pairs])
        n_filters = len(pairs)
        start = np.zeros((n_filters, _SIZE))
        start[:, _LEVEL], start[:, 1:7], start[:, _WEEKEND] = _LEVEL_SD**2, np.square(_WAVE_SD), _WEEKEND_SD**2
        start[:, _FAST], start[:, _DAY], start[:, _CELL:] = self._fast_var, self._day_var, kind.cell_sd**2
        self._p = start[:, :, None] * np.eye(_SIZE)
        self._m = np.zeros((n_filters, _SIZE))
        self._b0 = _A0 * kind.floor**2
        self._n, self._q, self._l = 0.0, np.zeros(n_filters), np.zeros(n_filters)
        self._last_h: float | None = None
        self._count = 0
        room = kind.candidates + 1
        self._times, self._mass = np.zeros(room), np.zeros(room)
        self._sig = np.zeros((n_filters, room, len(kind.shapes), _SIZE))
        self._a, self._b = np.zeros((n_filters, room, len(kind.shapes))), np.zeros((n_filters, room, len(kind.shapes)))
        self._ln_share = np.log([s for _, _, s in kind.shapes]) - math.log(len(kind.kappas))
        self._precisions = np.array(kind.kappas) ** -2.0
        self._extra: list[tuple[float, float]] = []

    @property
    def tests(self) -> float:
        """How many observations the noise is known by."""
        return self._n

    @property
    def candidates(self) -> int:
        """How many change times are open."""
        return self._count

    def learn(self, moment: Moment, y: float) -> None:
        """Take an observation without looking for a change."""
        self._update(moment, y)

    def observe(self, moment: Moment, y: float) -> None:
        """Take an observation; a change may have come since the one before it."""
        if self._last_h is not None:
            self._open(moment.at_h)
        self._update(moment, y)

    def stalled(self, moment: Moment) -> None:
        """Take a test that carried nothing while there was service: as low as an observation may count."""
        self.observe(moment, -math.inf)

    def add_mass(self, at_h: float, mass: float) -> None:
        """Say that something else changed at that time: the change time nearest to it becomes likelier by so much, once it is open."""
        self._extra.append((at_h, mass))

    def predicted(self, moment: Moment) -> tuple[float, float]:
        """Return what is expected of an observation and its sd, over the bank."""
        h, p, m = self._at(moment)
        mean, var = m @ h, (p @ h) @ h + 1.0
        w, sigma2 = self._weights(), (self._b0 + self._q / 2.0) / (_A0 + self._n / 2.0)
        middle = float(w @ mean)
        return middle, math.sqrt(float(w @ (var * sigma2 + (mean - middle) ** 2)))

    def signature_sums(self) -> tuple[Array, Array, Array]:
        """Return the open change times (C,), and A and B (filters, C, shapes) of each: x' V^-1 x and x' V^-1 y over what was seen since."""
        c = self._count
        return self._times[:c].copy(), self._a[:, :c].copy(), self._b[:, :c].copy()

    def accept(self) -> None:
        """Take the new level as it comes: the change is known, profile and noise stay known."""
        self._p[:, _LEVEL, :] = 0.0
        self._p[:, :, _LEVEL] = 0.0
        self._p[:, _LEVEL, _LEVEL] = _LEVEL_SD_AFTER**2
        self._count = 0
        self._extra.clear()
        scale = min(1.0, _KEEP_TESTS / max(self._n, 1.0))
        self._n, self._q, self._l = self._n * scale, self._q * scale, self._l * scale

    def ln_odds(self) -> float:
        """Return the ln odds that there was a change, -inf while no candidate is open: what `shift` says too, for less."""
        if self._count == 0:
            return -math.inf
        ln = self._evidence()[0]
        top = float(ln.max())
        return top + math.log(float(np.exp(ln - top).sum()))

    def shift(self) -> Shift | None:
        """Return what is believed of a change, or None while no candidate is open."""
        c = self._count
        if c == 0:
            return None
        ln, tight, rest = self._evidence()
        top = float(ln.max())
        p = np.exp(ln - top)
        total = float(p.sum())
        p /= total
        means = self._b[:, :c, :, None] / tight
        size = float((p * means).sum())
        aa, bb = _A0 + self._n / 2.0, (self._b0 + self._q / 2.0)[:, None, None, None]
        variance = bb * rest / (aa * tight)
        sd = math.sqrt(float((p * (variance + (means - size) ** 2)).sum()))
        low, middle, high = _quantiles(self._times[:c], p.sum(axis=(0, 2, 3)))
        return Shift(
            ln_odds=top + math.log(total),
            since_h=middle,
            since_low_h=low,
            since_high_h=high,
            size=size,
            sd=sd,
            shapes=tuple(float(x) for x in p.sum(axis=(0, 1, 3))),
        )

    def _evidence(self) -> tuple[Array, Array, Array]:
        """Return the log evidence of each (filter, change time, shape, kappa), A + kappa^-2, and what the change leaves of the squares."""
        c = self._count
        a, b = self._a[:, :c, :, None], self._b[:, :c, :, None]
        aa, bb = _A0 + self._n / 2.0, (self._b0 + self._q / 2.0)[:, None, None, None]
        tight = a + self._precisions
        rest = np.maximum(1.0 - b * b / (2.0 * bb * tight), _TINY)
        ln = -0.5 * np.log(tight / self._precisions) - aa * np.log(rest)
        ln += (np.log(np.maximum(self._mass[:c], _TINY))[:, None] + self._ln_share)[None, :, :, None] + np.log(np.maximum(self._weights(), _TINY))[:, None, None, None]
        return ln, tight, rest

    # the filters

    def _weights(self) -> Array:
        ln = -self._l / 2.0 - (_A0 + self._n / 2.0) * np.log(self._b0 + self._q / 2.0)
        w = np.exp(ln - ln.max())
        return np.asarray(w / w.sum())

    def _at(self, moment: Moment) -> tuple[Array, Array, Array]:
        """Return the observation's row, and covariances and means brought forward to its time."""
        h = np.zeros(_SIZE)
        angle = moment.hour * (math.pi / 12.0)
        h[_LEVEL] = h[_FAST] = h[_DAY] = h[_WALK] = 1.0
        h[1], h[2], h[3], h[4], h[5], h[6] = (
            math.cos(angle),
            math.sin(angle),
            math.cos(2 * angle),
            math.sin(2 * angle),
            math.cos(3 * angle),
            math.sin(3 * angle),
        )
        h[_WEEKEND] = float(moment.weekend)
        if moment.cell:
            h[_CELL + moment.cell - 1] = 1.0
        if self._last_h is None or moment.at_h <= self._last_h:
            return h, self._p, self._m
        gap_h = moment.at_h - self._last_h
        f, d = math.exp(-gap_h / self.kind.fast_h), math.exp(-gap_h / self.kind.day_h)
        keep = np.ones(_SIZE)
        keep[_FAST], keep[_DAY] = f, d
        p = self._p * (keep[:, None] * keep)
        p[:, _FAST, _FAST] += self._fast_var * (1.0 - f * f)
        p[:, _DAY, _DAY] += self._day_var * (1.0 - d * d)
        p[:, _WALK, _WALK] += _WALK_SD**2 * gap_h / 24.0
        c = self._count
        if c:
            self._sig[:, :c, :, _FAST] *= f
            self._sig[:, :c, :, _DAY] *= d
        return h, p, self._m * keep

    def _update(self, moment: Moment, y: float) -> None:
        if self._last_h is None:
            self._m[:, _LEVEL] = y if math.isfinite(y) else 0.0
        h, p, m = self._at(moment)
        ph = p @ h
        s = ph @ h + 1.0
        z = y - m @ h
        limit = self.kind.clip * np.sqrt(s * (self._b0 + self._q / 2.0) / (_A0 + self._n / 2.0))
        if self._n >= _CLIP_AFTER or not math.isfinite(y):
            z = np.clip(z, -limit, limit)
        gain = ph / s[:, None]
        c = self._count
        if c:
            x = np.array([1.0 if low <= moment.hour < high else 0.0 for low, high, _ in self.kind.shapes])
            sig = self._sig[:, :c]
            g = x - sig @ h
            sig += g[..., None] * gain[:, None, None, :]
            over = g / s[:, None, None]
            self._a[:, :c] += g * over
            self._b[:, :c] += over * z[:, None, None]
        self._m = m + gain * z[:, None]
        self._p = p - gain[:, :, None] * ph[:, None, :]
        self._q = self._q + z * z / s
        self._l = self._l + np.log(s)
        self._n += 1.0
        self._last_h = moment.at_h if self._last_h is None else max(self._last_h, moment.at_h)

    # the candidates

    def _open(self, at_h: float) -> None:
        last_h = self._last_h if self._last_h is not None else at_h
        gap_h = max(at_h - last_h, 1e-3)
        c = self._count
        self._times[c], self._mass[c] = last_h + gap_h / 2.0, gap_h * self.kind.per_h
        self._sig[:, c] = 0.0
        self._a[:, c] = 0.0
        self._b[:, c] = 0.0
        self._count = c + 1
        for when_h, mass in self._extra:
            self._mass[int(np.abs(self._times[: self._count] - when_h).argmin())] += mass
        self._extra.clear()
        if self._count > self.kind.candidates:
            self._drop(at_h)

    def _drop(self, now_h: float) -> None:
        """Drop the candidate that is least missed; its mass goes to the nearer neighbour."""
        c = self._count
        t = self._times[:c]
        missed = (t[2:] - t[:-2]) / (now_h - t[1:-1] + 12.0)
        k = 1 + int(missed.argmin())
        nearer = k - 1 if t[k] - t[k - 1] < t[k + 1] - t[k] else k + 1
        self._mass[nearer] += self._mass[k]
        for rows in (self._times, self._mass):
            rows[k : c - 1] = rows[k + 1 : c]
        for table in (self._sig, self._a, self._b):
            table[:, k : c - 1] = table[:, k + 1 : c]
        self._count = c - 1


def _quantiles(times: Array, weights: Array) -> tuple[float, float, float]:
    upto = np.cumsum(weights) - weights / 2.0
    low, middle, high = (float(np.interp(q, upto, times)) for q in (0.05, 0.5, 0.95))
    return low, middle, high

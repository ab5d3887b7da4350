"""Families of simulated sites for the trial, at the level of the margin of a need, defined apart from the code that analyses them.

A site is a product of layers on the log of a rate, as open traces of LTE and NSA links show them: level of the setup, load by the
hour of the day, days, minutes, regimes, dips and failures, plus what a mounting, a slow carrier or a network that moves the
device does. No kernel or prior of the analysis is used here: hours follow a load curve, days are independent draws held from
midnight to midnight, minutes are a two-part process, regimes a Markov chain.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from bandwright.trials.simulate import Sample
from bandwright.words.campaign import Allowance, Design
from bandwright.words.rig import Setup
from bandwright.words.site import Hours, Need, Requirements

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
# Share of the busiest hour's load, local hours 0..23: shaped like the hourly LTE tests of "Deriving Cell Load from RSRQ
# Measurements" (TMA 2018), rounded and smoothed here.
LOAD = np.array(
    [0.30, 0.20, 0.12, 0.06, 0.03, 0.03, 0.05, 0.25, 0.45, 0.42, 0.45, 0.48, 0.52, 0.50, 0.48, 0.52, 0.60, 0.68, 0.80, 0.88, 1.00, 0.85, 0.65, 0.45]
)
HOURS = {
    "office": Hours(text="Mon-Fri 09:00-17:00", spans=tuple((d, 540, 1020) for d in range(5))),
    "evening": Hours(text="daily 18:00-23:00", spans=tuple((d, 1080, 1380) for d in range(7))),
    "waking": Hours(text="daily 07:00-23:00", spans=tuple((d, 420, 1380) for d in range(7))),
}


@dataclass
class Site:
    """One simulated site; all sds on the natural log. Levels are margins: 0 is the need just met."""

    rigs: list[int]
    tunings: list[int]
    level: np.ndarray
    load: np.ndarray  # per tuning: depth of the load curve
    day_common: float
    day_own: float  # per tuning and day
    day_setup: float  # per setup and day
    slow_share: float  # of the minute-to-minute variance that lasts an hour or two
    shared: float  # of the minute-to-minute variance that all setups share
    noise: np.ndarray  # per setup
    dip: float  # chance that a test falls into a dip
    dip_depth: float
    fail: np.ndarray  # per setup
    moved: float  # chance that the network serves a test from another setup of the rig
    mount: float
    regime: np.ndarray  # per setup: depth of the lower regime, 0 where there is none
    regime_share: float
    warm_s: np.ndarray  # load that a setup needs before it is at its level
    warm_loss: float
    predicted: np.ndarray
    hours: str
    allowance: Allowance
    void: float = 0.0
    draw: int = 0
    kind: str = ""
    _state: dict = field(default_factory=dict)

    @property
    def keys(self) -> list[str]:
        return [f"r{r}/t{t}" for r, t in zip(self.rigs, self.tunings, strict=True)]

    def design(self, **changes) -> Design:
        need = Need(key="use", kind="use", requirements=Requirements(uplink_mbps=5.0), hours=HOURS[self.hours])
        setups = tuple(
            Setup(key=k, rig=f"r{r}", tuning=f"t{t}", predicted_score=float(p))
            for k, r, t, p in zip(self.keys, self.rigs, self.tunings, self.predicted, strict=True)
        )
        fields = {"key": self.kind, "setups": setups, "needs": (need,), "start": START, "seed": self.draw, "allowance": self.allowance, "mounted": "r0"}
        return Design(**(fields | changes))

    def truth(self, n: int = 6000) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return per setup: expected score, chance of meeting the need, and the variance of the score within a moment.

        Over hours, days, minutes and mountings; the variance is of what a test sees that the next setup, a minute later, does not.
        """
        rng = np.random.default_rng([self.draw, 77])
        hours = np.concatenate([np.arange(a, b, 15) for _, a, b in HOURS[self.hours].spans]) / 60.0
        k = len(self.rigs)
        common_sd = np.sqrt(self.day_common**2 + self.shared * self.noise.mean() ** 2)
        hour, common = rng.choice(hours, n), rng.normal(0, common_sd, n)
        slow = np.sqrt(self.day_own**2 + self.day_setup**2 + self.mount**2)
        score, ok, moment = np.empty((k, n)), np.empty((k, n)), np.empty(k)
        for i in range(k):
            base = self.level[i] + np.log1p(-self.load[self.tunings[i]] * LOAD[hour.astype(int)]) + common + rng.normal(0, slow, n)
            pair = [self._scored(i, base, rng) for _ in range(2)]
            score[i], ok[i] = pair[0]
            moment[i] = np.mean((pair[0][0] - pair[1][0]) ** 2) / 2.0
        value, met = score.mean(axis=1), ok.mean(axis=1)
        if self.moved > 0:
            rig = np.array(self.rigs)
            away = [np.flatnonzero((rig == rig[i]) & (np.arange(k) != i)) for i in range(k)]
            value, met = (
                np.array([x[i] if not away[i].size else (1 - self.moved) * x[i] + self.moved * x[away[i]].mean() for i in range(k)]) for x in (value, met)
            )
        return value, met, moment

    def _scored(self, i: int, base: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        n = base.size
        m = base + rng.normal(0, self.noise[i] * np.sqrt(1 - self.shared), n)
        m -= np.where(rng.random(n) < self.dip, rng.exponential(self.dip_depth, n), 0.0)
        m -= np.where(rng.random(n) < self.regime_share, self.regime[i], 0.0)
        failed = rng.random(n) < self.fail[i]
        return np.where(failed, -1.0, np.clip(m, -1, 1)), ~failed & (m >= 0)

    def world(self) -> Run:
        return Run(self)


class Run:
    """One run of a site's processes, in order of time."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.rng = np.random.default_rng([site.draw, 5])
        self.index = {k: i for i, k in enumerate(site.keys)}
        self.walks: dict = {}
        self.days: dict = {}
        self.mounts: dict = {}
        self.regimes: dict = {}

    def _day(self, what, day: int, sd: float) -> float:
        key = (what, day)
        if key not in self.days:
            self.days[key] = float(self.rng.normal(0, sd)) if sd else 0.0
        return self.days[key]

    def _walk(self, what, minute: float, tau: float) -> float:
        last = self.walks.get(what)
        z = float(self.rng.standard_normal())
        if last is not None:
            rho = float(np.exp(-(minute - last[0]) / tau))
            z = rho * last[1] + np.sqrt(1 - rho**2) * z
        self.walks[what] = (minute, z)
        return z

    def test(self, *, setup: str, visit: int, at: datetime, warmup_s: float) -> Sample:
        s, rng = self.site, self.rng
        asked = i = self.index[setup]
        if rng.random() < s.void:
            return Sample(score=None, outcome="void", megabytes=20.0)
        others = [j for j in range(len(s.rigs)) if s.rigs[j] == s.rigs[i] and j != i]
        moved = bool(others) and rng.random() < s.moved
        if moved:
            i = int(rng.choice(others))
        if rng.random() < s.fail[i]:
            return Sample(score=-1.0, outcome="failed", met=(("use", False),), moved=moved, megabytes=10.0)
        minute = (at - START).total_seconds() / 60.0
        day, t = int(minute // 1440), s.tunings[i]
        hour = (at.hour + at.minute / 60.0) % 24
        m = s.level[i] + np.log1p(-s.load[t] * LOAD[int(hour)])
        m += self._day("all", day, s.day_common) + self._day(("t", t), day, s.day_own) + self._day(("s", i), day, s.day_setup)
        key = (visit, s.rigs[i])
        if key not in self.mounts:
            self.mounts[key] = float(rng.normal(0, s.mount))
        m += self.mounts[key]
        sd = s.noise[i]
        common = self._walk("slow", minute, 80.0) * np.sqrt(s.slow_share) + self._walk("quick", minute, 4.0) * np.sqrt(1 - s.slow_share)
        own = self._walk(("slow", i), minute, 80.0) * np.sqrt(s.slow_share) + float(rng.standard_normal()) * np.sqrt(1 - s.slow_share)
        m += sd * (np.sqrt(s.shared) * common + np.sqrt(1 - s.shared) * own)
        if rng.random() < s.dip:
            m -= rng.exponential(s.dip_depth)
        if s.regime[i] and self._low(i, minute):
            m -= s.regime[i]
        short = max(0.0, 1.0 - warmup_s / s.warm_s[asked]) if s.warm_s[asked] else 0.0
        ramping = short > 0 and rng.random() < 0.8
        m -= s.warm_loss * short
        return Sample(score=float(np.clip(m, -1, 1)), met=(("use", bool(m >= 0)),), moved=moved, ramping=bool(ramping))

    def _low(self, i: int, minute: float) -> bool:
        """Regimes: two states, dwelling some minutes; drawn anew after a gap."""
        share = self.site.regime_share
        last = self.regimes.get(i)
        anew = last is None or self.rng.random() > np.exp(-(minute - last[0]) / 12.0)
        state = bool(self.rng.random() < share) if anew else last[1]
        self.regimes[i] = (minute, state)
        return state


def _site(
    rng: np.random.Generator, draw: int, kind: str, *, rigs: int, tunings: tuple[int, int], noise: tuple[float, float], spread: float = 0.3, **over
) -> Site:
    """Draw a site. noise: median and sd of ln of the minute-to-minute sd; spread: sd of the tunings' levels."""
    n_t = int(rng.integers(tunings[0], tunings[1] + 1))
    full = [(r, t) for r in range(rigs) for t in range(n_t)]
    base = rng.normal(0.1, 0.35)
    tuning, rig = rng.normal(0, spread, n_t), rng.normal(0, spread * 0.8, rigs)
    level = np.array([base + tuning[t] + rig[r] + rng.normal(0, spread * 0.4) for r, t in full])
    k = len(full)
    sd = float(np.clip(noise[0] * np.exp(noise[1] * rng.standard_normal()), 0.08, 1.0))
    fields = {
        "level": level,
        "load": np.clip(rng.normal(0.35, 0.15, n_t), 0.05, 0.8),
        "day_common": rng.uniform(0.03, 0.2),
        "day_own": rng.uniform(0.0, 0.08),
        "day_setup": rng.uniform(0.0, 0.04),
        "slow_share": rng.uniform(0.1, 0.4),
        "shared": rng.uniform(0.1, 0.6),
        "noise": np.clip(sd * np.exp(rng.normal(0, 0.2, k)), 0.06, 1.2),
        "dip": rng.uniform(0.0, 0.06),
        "dip_depth": 0.6,
        "fail": np.full(k, rng.uniform(0.0, 0.02)),
        "moved": 0.0 if rng.random() < 0.5 else rng.uniform(0.0, 0.1),
        "mount": rng.uniform(0.02, 0.10) if rigs > 1 else 0.0,
        "regime": np.zeros(k),
        "regime_share": 0.0,
        "warm_s": np.full(k, 0.0),
        "warm_loss": 0.0,
        "hours": ("office", "evening", "waking")[int(rng.integers(3))],
        "allowance": Allowance(),
        "void": 0.01,
    }
    fields |= {name: value(rng, k, n_t, fields) if callable(value) else value for name, value in over.items()}
    fields.setdefault("predicted", np.clip(fields["level"] - 0.2, -1, 1) + rng.normal(0, 0.35, k))
    return Site(rigs=[r for r, _ in full], tunings=[t for _, t in full], draw=draw, kind=kind, **fields)


def _one_low(rng, k, n_t, f):
    regime = np.zeros(k)
    regime[rng.random(k) < 0.5] = rng.uniform(0.5, 1.3)
    return regime


def _tied(rng, k, n_t, f):
    return np.full(k, f["level"].mean()) + rng.normal(0, 0.03, k)


def _near(rng, k, n_t, f):
    level = np.full(k, f["level"].mean() - 0.12)
    level[int(rng.integers(k))] += 0.12
    return level + rng.normal(0, 0.04, k)


def _rig_tied(rng, k, n_t, f):
    tuning = rng.normal(0, 0.3, n_t)
    return np.array([f["level"].mean() + tuning[i % n_t] + rng.normal(0, 0.04) for i in range(k)])


def _fails(rng, k, n_t, f):
    return np.where(rng.random(k) < 0.4, rng.uniform(0.05, 0.3, k), 0.01)


def _slow(rng, k, n_t, f):
    return np.where(rng.random(k) < 0.6, rng.uniform(10, 35, k), 0.0)


def _misleading(rng, k, n_t, f):
    return -f["level"] + rng.normal(0, 0.3, k)


def _small(rng, k, n_t, f):
    return Allowance(data_gb=float(rng.uniform(2.0, 5.0)), days=float(rng.uniform(4, 7)), rig_changes=int(rng.integers(3, 6)))


MIDDLE = (0.30, 0.4)
FAMILIES = {
    # one rig
    "calm": {"rigs": 1, "tunings": (2, 5), "noise": (0.14, 0.2)},
    "middle": {"rigs": 1, "tunings": (2, 6), "noise": MIDDLE},
    "wild": {"rigs": 1, "tunings": (2, 4), "noise": (0.50, 0.3), "spread": 0.4, "regime": _one_low, "regime_share": 0.4},
    "tied": {"rigs": 1, "tunings": (2, 4), "noise": (0.20, 0.3), "level": _tied},
    "near": {"rigs": 1, "tunings": (3, 5), "noise": (0.22, 0.3), "level": _near},
    "hours": {"rigs": 1, "tunings": (2, 4), "noise": MIDDLE, "load": lambda rng, k, n_t, f: rng.permutation(np.linspace(0.1, 0.75, n_t)), "hours": "evening"},
    "drift": {"rigs": 1, "tunings": (2, 5), "noise": MIDDLE, "day_own": lambda rng, k, n_t, f: rng.uniform(0.10, 0.25)},
    "many": {"rigs": 1, "tunings": (9, 18), "noise": MIDDLE},
    "failing": {
        "rigs": 1,
        "tunings": (2, 5),
        "noise": MIDDLE,
        "fail": _fails,
        "dip": 0.12,
        "dip_depth": 0.9,
        "moved": lambda rng, k, n_t, f: rng.uniform(0.05, 0.3),
    },
    "slow carriers": {"rigs": 1, "tunings": (2, 5), "noise": MIDDLE, "warm_s": _slow, "warm_loss": 0.8, "predicted": _misleading},
    # several
    "two rigs": {"rigs": 2, "tunings": (1, 4), "noise": MIDDLE},
    "two rigs, loose mounts": {"rigs": 2, "tunings": (1, 3), "noise": (0.22, 0.3), "mount": lambda rng, k, n_t, f: rng.uniform(0.12, 0.25)},
    "two rigs, near": {"rigs": 2, "tunings": (2, 3), "noise": (0.22, 0.3), "level": _rig_tied},
    "two rigs, drift": {
        "rigs": 2,
        "tunings": (1, 3),
        "noise": MIDDLE,
        "day_own": lambda rng, k, n_t, f: rng.uniform(0.08, 0.18),
        "day_setup": lambda rng, k, n_t, f: rng.uniform(0.05, 0.15),
    },
    "three rigs": {"rigs": 3, "tunings": (1, 3), "noise": MIDDLE},
    "small allowance": {"rigs": 2, "tunings": (1, 3), "noise": (0.18, 0.3), "spread": 0.4, "allowance": _small},
}


def site(family: str, draw: int) -> Site:
    """Return one site of a family. Same family and draw, same site."""
    rng = np.random.default_rng([list(FAMILIES).index(family), draw])
    return _site(rng, draw, family, **FAMILIES[family])

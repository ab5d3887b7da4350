"""The arithmetic of a simulated place: from the values of its layers to rates, delays and loss.

`ln rate = level + load(hour) + day + drift of the setup + test to test + mounting + serving set + within the test`. The same
function serves one time (`twin.site` evaluates the hashed noise there) and many fresh draws at once. Sources by number as in
`twin.plan`, and [8] "An In-Depth Study of Uplink Performance of 5G mmWave Networks", 5G-MeMU 2022. What none gives is marked "assumed".
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from bandwright.twin.noise import Batch, Part, Process, key_of, unit_uniforms
from bandwright.twin.plan import Layers, Regimes, RigPlan, SetupPlan, SitePlan
from bandwright.words.measurement import Phase

__all__ = ["HOURLY_DOWN_LN", "HOURLY_UP_LN", "Chain", "Draw", "Figures", "PreparedSetup", "bare_factor", "busyness", "figures", "mounted"]

Floats = NDArray[np.float64]

# Mean of ln rate by local hour 0..23, less its mean over the day. Source: [1], hourly tests, 21 days.
HOURLY_DOWN_LN = (.05, .09, .11, .11, .12, .11, .11, .03, -.03, 0, -.03, -.01, -.04, -.03, -.01, -.01, -.06, -.06, -.11, -.09, -.15, -.05, -.04, .02)  # fmt: skip
HOURLY_UP_LN = (.05, .16, .18, .23, .26, .22, .19, .04, .02, .05, -.06, -.05, -.14, -.12, -.07, -.12, -.11, -.16, -.12, -.17, -.15, -.06, -.08, -.01)  # fmt: skip

# p(hour), how busy the cell is: rate ~ 1 - rho p. rho .24 gives back the downlink profile above. Above rho .36 it is a model, not measured.
_BUSY = tuple((1.0 - math.exp(x - 0.12)) / 0.24 for x in HOURLY_DOWN_LN)
_BUSY_LIST = [_BUSY[-1], *_BUSY, _BUSY[0]]  # at hours -0.5, 0.5, .. 24.5
_BUSY_MEAN = sum(_BUSY) / 24.0

_FAILURE_GAIN = 1.5  # how much failures bunch (ln of their chance, sd); assumed
_FAILURE_PHASES = ((0.30, Phase.UPLINK), (0.55, Phase.DOWNLINK), (0.75, Phase.CONNECT), (0.90, Phase.IDLE), (1.0, Phase.RADIO))  # assumed
_QUEUE_LIMIT_MS = 4000.0  # assumed


def busyness(hour: Any) -> Any:
    """Return p(hour): how busy a cell is at a local hour 0..24 (between hours, on the line between their middles), about 0 to 1."""
    if isinstance(hour, float):
        place = hour % 24.0 + 0.5
        low = int(place)
        return _BUSY_LIST[low] + (place - low) * (_BUSY_LIST[low + 1] - _BUSY_LIST[low])
    return np.interp(np.mod(hour, 24.0), np.arange(26) - 0.5, _BUSY_LIST)


@dataclass(slots=True)
class Draw:
    """The values of all layers for one time (numbers, and arrays of T seconds) or for n draws (arrays of n, and n by T)."""

    hour: Any
    test_a: Any
    test_b: Any
    day_a: Any
    day_b: Any
    drift_a: Any
    drift_b: Any
    delay_a: Any
    delay_b: Any
    loss: Any
    serving: Any  # 0..1
    dip: Any  # 0..1
    mount_down: Any
    mount_up: Any
    within_down: Any  # ln, per second
    within_up: Any
    added_s: Any
    load_s: Any
    shift_down: float = 0.0
    shift_up: float = 0.0


@dataclass(slots=True)
class Figures:
    """Figures of one draw (numbers) or of n (arrays of n): rates in Mbit/s, delays in ms."""

    down: Any
    up: Any
    idle: Any
    loaded_down: Any
    loaded_up: Any
    loss: Any


class PreparedSetup:
    """A setup with its batches laid out, and the parts of the model that belong to it alone."""

    def __init__(self, site: SitePlan, plan: SetupPlan, seed: int, zone: ZoneInfo) -> None:
        self.plan = plan
        self.layers = plan.layers or site.layers
        self.window = site.window_s
        self.seed = seed
        self._regime_key = key_of(seed, "regime", plan.cell or plan.key, plan.key)
        self._regime = None if plan.regimes is None else Chain(plan.regimes)
        self.batch = Batch(seed, _processes(self.layers, plan, self.window, zone))
        self.one = {name: self.batch[name].start for name in _SINGLE}
        self.move, self.target_choice, self.phase = self.one["move"], self.batch["target"].start, self.batch["phase"].start
        self._within_down, self._within_up = self.batch["within_a"], self.batch["within_b"]
        self._failed_u = self.batch["failed"].start
        total = sum(s.share for s in plan.serving) or 1.0
        chance = 0.0
        self._set_upto: list[float] = []
        for serving in plan.serving:
            chance += serving.share / total
            self._set_upto.append(chance)
        # rate by total bandwidth: exponent .56 within a place [7]; half of it for the uplink, which mostly stays on one carrier (assumed)
        widths_mhz = [sum(plan.carriers[i].bandwidth_mhz for i in s.carriers) for s in plan.serving] or [1.0]
        self.set_ln = 0.56 * np.log(np.array(widths_mhz) / max(widths_mhz))

    @cached_property
    def readings(self) -> Batch:
        """Return the noise of the readings: RSRP .73 .42 .25 .09 at 3, 30, 60, 300 s; SINR .26 .13 .09 .04 [3] [5] [6]."""
        key = self.plan.key
        rows: list[Process] = []
        for i, c in enumerate(self.plan.carriers):
            cell = f"{c.arfcn}/{c.pci}"
            rows += [
                Process(f"rsrp{i}", (Part(f"{cell} r1", 15, 0.33), Part(f"{cell} r2", 90, 0.40), Part(f"{cell} r3", 3600, 0.08), Part(f"{cell} r4", 1, 0.19, held=True))),
                Process(f"sinr{i}", (Part(f"{cell} s1", 40, 0.20), Part(f"{cell} s2", 900, 0.07), Part(f"{cell} s3", 1, 0.73, held=True))),
                Process(f"rsrq{i}", (Part(f"{cell} q1", 20, 0.45), Part(f"{cell} q2", 1, 0.55, held=True))),
            ]
        rows.append(Process("idle nr", (Part(f"{key} idle nr", 15, 1.0, held=True),), uniform=True))
        return Batch(self.seed, rows)

    def serving_indices(self, chance: float) -> tuple[int, ...]:
        """Return the places of the carriers that serve, for a number 0..1."""
        if not self.plan.serving:
            return tuple(range(len(self.plan.carriers)))
        return self.plan.serving[min(bisect.bisect_left(self._set_upto, chance), len(self._set_upto) - 1)].carriers

    def serving_ln(self, chance: Any) -> Any:
        """Return ln rate of the serving set against all carriers, for numbers 0..1."""
        if not self.plan.serving:
            return 0.0
        return self.set_ln[np.minimum(np.searchsorted(self._set_upto, chance), len(self.set_ln) - 1)]

    def moved_share_at(self, hour: Any) -> Any:
        """Return how often the network holds the device elsewhere at an hour: more where the cell is busy (assumed)."""
        return np.minimum(0.95, self.plan.moved_share * busyness(hour - self.plan.hour_shift_h) / _BUSY_MEAN)

    def target(self, wander: float, choice: float, hour: float) -> str | None:
        """Return the setup that the device was moved to, or None."""
        if not self.plan.moved_to or self.plan.moved_share <= 0.0:
            return None
        if 0.5 * math.erfc(-wander / math.sqrt(2.0)) >= float(self.moved_share_at(hour)):
            return None
        return self.plan.moved_to[min(int(choice * len(self.plan.moved_to)), len(self.plan.moved_to) - 1)]

    def failure_chance(self, wander: Any, factor: float) -> Any:
        """Return the chance of failure where the burst process stands at `wander`; its mean is failed_share while that is small."""
        return np.minimum(1.0, factor * self.plan.failed_share * np.exp(_FAILURE_GAIN * wander - _FAILURE_GAIN**2 / 2.0))

    def failure(self, v: Floats, factor: float) -> Phase | None:
        """Return the phase in which a test fails, or None."""
        if float(v[self._failed_u]) >= float(self.failure_chance(v[self.one["burst"]], factor)):
            return None
        u = float(v[self.phase])
        return next(phase for upto, phase in _FAILURE_PHASES if u <= upto)

    def within(self, v: Floats, time_s: float) -> tuple[Floats, Floats]:
        """Return ln of each second's rate against the setup's level, down and up."""
        a, b = v[self._within_down], v[self._within_up]
        down, up = a, self.layers.within_corr * a + math.sqrt(1.0 - self.layers.within_corr**2) * b
        if self._regime is None:
            return self.layers.within_down * down, self.layers.within_up * up
        states = self._regime.states(self._regime_key, math.floor(time_s), self.window)
        r = self._regime
        return r.down_ln[states] + r.sd[states] * down, r.up_ln[states] + r.sd[states] * up

    def fresh_within(self, n: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Return n fresh windows of the same process: arrays of n by T."""
        corr = self.layers.within_corr
        if self._regime is not None:
            states = self._regime.fresh(n, self.window, rng)
            a, b = rng.standard_normal((2, n, self.window))
            r = self._regime
            return r.down_ln[states] + r.sd[states] * a, r.up_ln[states] + r.sd[states] * (corr * a + math.sqrt(1.0 - corr**2) * b)
        lay = self.layers
        a = _fresh_seconds(n, self.window, lay.within_ar_down, lay.within_s_down, rng)
        b = _fresh_seconds(n, self.window, lay.within_ar_up, lay.within_s_up, rng)
        return lay.within_down * a, lay.within_up * (corr * a + math.sqrt(1.0 - corr**2) * b)


_SINGLE = ("test_a", "test_b", "day_a", "day_b", "drift_a", "drift_b", "burst", "move", "serving", "delay_a", "delay_b", "loss")


def _processes(layers: Layers, plan: SetupPlan, window: int, zone: ZoneInfo) -> list[Process]:
    """Return the rows of noise of one setup. Parts named "common" are shared by all setups of the cell."""
    own, common = plan.key, plan.cell or "site"
    noon = datetime(2026, 1, 1, 12, tzinfo=zone)
    midnight_s = noon.timestamp() % 86400.0 - 43200.0
    slow_s, fast_s = layers.slow_h * 3600.0, layers.fast_min * 60.0
    c, s = layers.common_share, layers.slow_share

    def test(name: str) -> Process:
        parts = [
            Part(f"common {common} {name} slow", slow_s, c * s),
            Part(f"common {common} {name} fast", fast_s, c * (1 - s)),
            Part(f"{own} {name} slow", slow_s, (1 - c) * s),
            Part(f"{own} {name} fast", fast_s, (1 - c) * (1 - s)),
        ]
        return Process(name, tuple(p for p in parts if p.share > 0.0))

    def seconds(name: str, ar: float, tau_s: float) -> Process:
        white = Part(f"{own} {name} white", 1.0, 1.0, held=True)
        parts = (white,) if plan.regimes is not None else (Part(f"{own} {name}", tau_s, ar), Part(white.key, 1.0, 1.0 - ar, held=True))
        return Process(name, parts, at_s=tuple(float(i) for i in range(window)))

    def uniform(name: str, width_s: float) -> Process:
        return Process(name, (Part(f"{own} {name}", width_s, 1.0, held=True),), uniform=True)

    burst_s = plan.failed_burst_min * 60.0
    return [
        test("test_a"),
        test("test_b"),
        Process("day_a", (Part(f"common {common} day_a", 86400.0, 1.0, held=True, offset_s=midnight_s),)),
        Process("day_b", (Part(f"common {common} day_b", 86400.0, 1.0, held=True, offset_s=midnight_s),)),
        Process("drift_a", (Part(f"{own} drift_a days", 108000.0, 0.6), Part(f"{own} drift_a hours", 7200.0, 0.4))),
        Process("drift_b", (Part(f"{own} drift_b days", 108000.0, 0.6), Part(f"{own} drift_b hours", 7200.0, 0.4))),
        Process("burst", (Part(f"common {common} burst", burst_s, 0.5), Part(f"{own} burst", burst_s, 0.5))),
        Process("move", (Part(f"{own} move", 2400.0, 1.0),)),
        Process("serving", (Part(f"{own} serving", 720.0, 1.0),)),
        Process("delay_a", (Part(f"common {common} delay", 1800.0, 0.4), Part(f"{own} delay", 60.0, 0.6))),
        Process("delay_b", (Part(f"{own} queue", 60.0, 1.0),)),
        Process("loss", (Part(f"{own} loss", 60.0, 1.0),)),
        seconds("within_a", layers.within_ar_down, layers.within_s_down),
        seconds("within_b", layers.within_ar_up, layers.within_s_up),
        uniform("failed", 10.0),
        uniform("phase", 60.0),
        uniform("target", 2400.0),
        uniform("dip", 10.0),
    ]


def mounted(rig: RigPlan, rig_a: Any, setup_a: Any, rig_b: Any, setup_b: Any, chance: Any) -> tuple[Any, Any]:
    """Return ln rate down and up of one mounting: four fifths of its variance is common to all tunings of the rig (assumed)."""
    shared, own = rig.mount_sd * math.sqrt(0.8), rig.mount_sd * math.sqrt(0.2)
    bad = np.where(chance < rig.bad_mount_share, -rig.bad_mount_ln, 0.0)
    both = shared * rig_a + bad
    return both + own * setup_a, both + own * (0.6 * setup_a + 0.8 * setup_b) + 0.3 * shared * rig_b


def figures(ready: PreparedSetup, d: Draw) -> Figures:
    """Return the figures of one draw or of many: the model's whole arithmetic."""
    plan, lay = ready.plan, ready.layers
    busy = busyness(d.hour - plan.hour_shift_h)
    amplitude, peak_h = plan.hour_ln
    wave = amplitude * np.cos((d.hour - peak_h) * (math.pi / 12.0))
    corr = lay.test_corr
    other = math.sqrt(1.0 - corr**2)
    dip = np.where(d.dip < lay.dip_share, lay.dip_ln * np.log(np.maximum(d.dip, 1e-12) / max(lay.dip_share, 1e-12)), 0.0)
    served = ready.serving_ln(d.serving)
    bare = bare_factor(ready, d)
    ln_down = (
        np.log(1.0 - plan.load_down * busy) + wave + lay.day_down * d.day_a + lay.drift * d.drift_a + lay.test_down * d.test_a + d.mount_down + dip + served + d.shift_down
    )
    ln_up = (
        np.log(1.0 - plan.load_up * busy)
        + wave
        + lay.day_up * (corr * d.day_a + other * d.day_b)
        + lay.drift * (corr * d.drift_a + other * d.drift_b)
        + lay.test_up * (corr * d.test_a + other * d.test_b)
        + d.mount_up
        + 0.5 * dip
        + 0.5 * served
        + d.shift_up
    )
    down = plan.down_mbps * np.exp(ln_down) * _window_mean(d.within_down) * bare
    up = plan.up_mbps * np.exp(ln_up) * _window_mean(d.within_up) * (0.5 + 0.5 * bare)
    if plan.ceiling_down_mbps is not None:
        down = np.minimum(down, plan.ceiling_down_mbps)
    if plan.ceiling_up_mbps is not None:
        up = np.minimum(up, plan.ceiling_up_mbps)
    # the right tail is the longer: 95th percentile over median about 3 for single round trips, less for a test's mean [8]
    idle = plan.delay_idle_ms * np.exp(lay.delay * np.where(d.delay_a > 0.0, 1.5, 1.0) * d.delay_a) * (1.0 + 0.3 * plan.load_down * busy)
    fill = np.exp(0.25 * d.delay_b)
    queue_down = np.minimum(_QUEUE_LIMIT_MS, 8.0 * plan.buffer_down_kilobytes / down * fill)  # kilobytes * 8 / (Mbit/s) = ms
    queue_up = np.minimum(_QUEUE_LIMIT_MS, 8.0 * plan.buffer_up_kilobytes / up * fill)
    loss = np.minimum(1.0, plan.loss_ratio * np.exp(lay.loss * d.loss - lay.loss**2 / 2.0))
    return Figures(down=down, up=up, idle=idle, loaded_down=idle + queue_down, loaded_up=idle + queue_up, loss=loss)


def _window_mean(within: Floats) -> Any:
    return np.add.reduce(np.exp(within), axis=-1) / within.shape[-1]


def bare_factor(ready: PreparedSetup, d: Draw, *, per_second: bool = False) -> Any:
    """Return the rate of the window against its rate with all carriers there."""
    bare = math.exp(ready.plan.bare_ln)
    missing = np.clip(d.added_s - d.load_s - np.arange(ready.window), 0.0, 1.0) if per_second else min(1.0, max(0.0, (d.added_s - d.load_s) / ready.window))
    return 1.0 - missing * (1.0 - bare)


def _fresh_seconds(n: int, seconds: int, ar: float, tau_s: float, rng: np.random.Generator) -> Floats:
    """Return n stretches of an Ornstein-Uhlenbeck process sampled each second plus white noise, of variance 1."""
    keep = math.exp(-1.0 / tau_s)
    state = rng.standard_normal(n)
    out = np.empty((n, seconds))
    for i in range(seconds):
        out[:, i] = state
        state = keep * state + math.sqrt(1.0 - keep**2) * rng.standard_normal(n)
    return np.asarray(math.sqrt(ar) * out + math.sqrt(1.0 - ar) * rng.standard_normal((n, seconds)))


class Chain:
    """The regimes' chain. To be askable at any second it starts anew, from its stationary shares, every BLOCK seconds."""

    BLOCK = 240

    def __init__(self, regimes: Regimes) -> None:
        self.down_ln, self.up_ln, self.sd = np.array(regimes.down_ln), np.array(regimes.up_ln), np.array(regimes.sd)
        matrix = np.array(regimes.transitions)
        self._rows = np.cumsum(matrix / matrix.sum(axis=1, keepdims=True), axis=1)
        self._begin = np.cumsum(regimes.shares)
        self._row_lists = [row[:-1].tolist() for row in self._rows]

    def states(self, key: int, second: int, count: int) -> NDArray[np.int64]:
        """Return the states of `count` seconds from `second` on."""
        out: list[int] = []
        while len(out) < count:
            now = second + len(out)
            block = now // self.BLOCK
            steps = now % self.BLOCK
            wanted = min(self.BLOCK - steps, count - len(out))
            seconds = np.arange(block * self.BLOCK, block * self.BLOCK + steps + wanted, dtype=np.uint64)
            drawn = unit_uniforms(seconds * np.uint64(0x9E3779B97F4A7C15) + np.uint64(key)).tolist()
            state = bisect.bisect_left(self._begin[:-1].tolist(), drawn[0])
            path = [state]
            for u in drawn[1:]:
                state = bisect.bisect_left(self._row_lists[state], u)
                path.append(state)
            out += path[steps:]
        return np.array(out)

    def fresh(self, n: int, seconds: int, rng: np.random.Generator) -> NDArray[np.int64]:
        """Return n fresh stretches of states: an array of n by seconds."""
        out = np.empty((n, seconds), dtype=np.int64)
        state = np.searchsorted(self._begin[:-1], rng.random(n))
        for i in range(seconds):
            out[:, i] = state
            state = (rng.random(n)[:, None] > self._rows[state, :-1]).sum(axis=1)
        return out

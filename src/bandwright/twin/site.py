"""A simulated place: what each setup would give there at any time.

A `SimulatedSite` is one draw of a `SitePlan`. `moment` is a function of (seed, setup, time, mounting) alone: all noise is hashed
from the time asked for (see `twin.noise`), so the order of calls does not matter and nothing has to be kept. `sample_fresh`
draws the same layers anew (fresh days, mountings, minutes), many at a time, for whoever wants the truth by brute force.
The arithmetic is in `twin.model`. Sources by number as in `twin.plan`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from bandwright.errors import UsageError
from bandwright.twin.model import Draw, PreparedSetup, bare_factor, busyness, figures, mounted
from bandwright.twin.noise import Floats, key_of, unit_normals, unit_uniform, unit_uniforms
from bandwright.twin.plan import SetupPlan, SitePlan
from bandwright.words.measurement import Phase
from bandwright.words.radio import Rat, Registration, Role

__all__ = ["FreshSample", "Moment", "SimulatedSite"]

Flags = NDArray[np.bool_]
CarrierShown = Mapping[str, float | int | str | None]

# Seconds of load until the added carriers carry, among downloads that got them. Source: [3], 25 / 50 / 75 / 90 % after 1 / 2 / 6 / 12 s; the ends are assumed.
_ADDED_CHANCE = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0)
_ADDED_LN_S = tuple(math.log(s) for s in (0.3, 1.0, 2.0, 6.0, 12.0, 25.0))
_DB_PER_LN = 1.0 / 0.062  # ln rate per dB of RSRP, unloaded: .062, SUTD walk 2022
_IDLE_NR_SHARE = 0.075  # an idle gateway showed the NR leg 7.5 % of the time [6]


@dataclass(frozen=True, kw_only=True)
class Moment:
    """What a test that begins now would find, averaged over the plan's window. moved_to: the setup that it really is on.

    Figures are what the link carries; where `failed` names a phase, a test does not get past that phase. added_s: load until all carriers are there.
    """

    at: datetime
    setup: str
    down_mbps: float
    up_mbps: float
    delay_idle_ms: float
    delay_loaded_down_ms: float
    delay_loaded_up_ms: float
    loss_ratio: float
    failed: Phase | None
    moved_to: str | None
    ramping: bool
    registration: Registration
    added_s: float
    show: Callable[[], tuple[CarrierShown, ...]] = field(repr=False, compare=False)

    @cached_property
    def carriers(self) -> tuple[CarrierShown, ...]:
        """What the modem would show: rat, role, band, arfcn, pci, bandwidth_mhz, scs_khz, rsrp_dbm, rsrq_db, sinr_db, tx_power_dbm, cell_id, tac."""
        return self.show()


@dataclass(frozen=True, kw_only=True)
class FreshSample:
    """Fresh independent draws of one setup's figures; `failed` and `moved` are flags, `hour` is the local hour 0..24 of each draw."""

    setup: str
    hour: Floats
    down_mbps: Floats
    up_mbps: Floats
    delay_idle_ms: Floats
    delay_loaded_down_ms: Floats
    delay_loaded_up_ms: Floats
    loss_ratio: Floats
    failed: Flags
    moved: Flags

    def __len__(self) -> int:
        return len(self.hour)


class SimulatedSite:
    """One draw of a plan. The seed decides everything; all methods but `sample_fresh` are functions of their arguments."""

    def __init__(self, plan: SitePlan, seed: int) -> None:
        self.plan = plan
        self.seed = seed
        self._zone = ZoneInfo(plan.timezone)
        self._setups = {s.key: s for s in plan.setups}
        self._rigs = {r.key: r for r in plan.rigs}
        self._prepared: dict[str, PreparedSetup] = {}
        self._mounts: dict[tuple[str, int], tuple[float, float]] = {}

    def moment(self, setup_key: str, at_utc: datetime, *, mounting: int = 0, since_change_s: float = 3600.0, load_s: float = 0.0) -> Moment:
        """Return what a test of `setup_key` that begins at `at_utc` finds.

        mounting: number of the mounting of its rig, a new draw each. since_change_s: since the tuning was applied.
        load_s: how long the device has been under load. Raises UsageError for a setup that the plan has not.
        """
        time_s = at_utc.timestamp()
        asked = self._ready(setup_key)
        values = asked.batch.at(time_s)
        hour = self._local_hour(at_utc)
        moved_to = asked.target(float(values[asked.move]), float(values[asked.target_choice]), hour)
        actual, actual_values = asked, values
        if moved_to is not None:
            actual = self._ready(moved_to)
            actual_values = actual.batch.at(time_s)
        added_s = self._added_s(actual.plan, time_s, load_s)
        found = figures(actual, self._draw(actual, actual_values, at_utc, mounting=mounting, hour=hour, added_s=added_s, load_s=load_s))
        attach_s = 6.0 + 14.0 * float(values[asked.phase])  # until service is back after a change; assumed
        failed = Phase.RADIO if since_change_s < attach_s else asked.failure(values, self._failed_factor(setup_key, time_s))
        gone = failed is Phase.RADIO
        return Moment(
            at=at_utc,
            setup=setup_key,
            down_mbps=float(found.down),
            up_mbps=float(found.up),
            delay_idle_ms=float(found.idle),
            delay_loaded_down_ms=float(found.loaded_down),
            delay_loaded_up_ms=float(found.loaded_up),
            loss_ratio=float(found.loss),
            failed=failed,
            moved_to=moved_to,
            ramping=load_s < added_s,
            registration=Registration.SEARCHING if gone else Registration.HOME,
            added_s=added_s,
            show=lambda: () if gone else self._carriers(actual, time_s, hour, actual_values, mounting=mounting, load_s=load_s, added_s=added_s),
        )

    def shown_at_rest(self, setup_key: str, at_utc: datetime) -> tuple[CarrierShown, ...]:
        """Return what the modem shows at rest, as `moment` does for a setup long in force, without working out what a test would find."""
        time_s = at_utc.timestamp()
        asked = self._ready(setup_key)
        values = asked.batch.at(time_s)
        hour = self._local_hour(at_utc)
        moved_to = asked.target(float(values[asked.move]), float(values[asked.target_choice]), hour)
        if asked.failure(values, self._failed_factor(setup_key, time_s)) is Phase.RADIO:
            return ()
        actual = asked
        if moved_to is not None:
            actual = self._ready(moved_to)
            values = actual.batch.at(time_s)
        return self._carriers(actual, time_s, hour, values, mounting=0, load_s=0.0, added_s=self._added_s(actual.plan, time_s, 0.0))

    def trace(self, setup_key: str, at_utc: datetime, *, seconds: int, mounting: int = 0, load_s: float = 0.0) -> tuple[Floats, Floats]:
        """Return downlink and uplink rates, Mbit/s, for each of the seconds from `at_utc` on.

        The second that a moment's window begins with is this one's first, and the means over the window agree.
        """
        down: list[Floats] = []
        up: list[Floats] = []
        window = self.plan.window_s
        for begin in range(0, seconds, window):
            at = datetime.fromtimestamp(at_utc.timestamp() + begin, UTC)
            moment = self.moment(setup_key, at, mounting=mounting, load_s=load_s + begin)
            actual = self._ready(moment.moved_to or setup_key)
            values = actual.batch.at(at.timestamp())
            draw = self._draw(actual, values, at, mounting=mounting, hour=self._local_hour(at), added_s=moment.added_s, load_s=load_s + begin)
            bare = bare_factor(actual, draw, per_second=True)
            for out, ln, mean in ((down, draw.within_down, moment.down_mbps), (up, draw.within_up, moment.up_mbps)):
                shape = np.exp(ln) * bare
                out.append(np.asarray(shape * (mean / float(shape.mean()))))
        return np.concatenate(down)[:seconds], np.concatenate(up)[:seconds]

    def sample_fresh(self, setup_key: str, n: int, hours_by_weight: Sequence[float], rng: np.random.Generator) -> FreshSample:
        """Return n independent draws: fresh days, fresh mountings, fresh minutes within hours drawn by 24 weights, fully warmed up.

        What the network does after the setting was applied is part of it: moves and failures are drawn too.
        """
        weights = np.asarray(hours_by_weight, dtype=np.float64)
        if weights.shape != (24,) or weights.min() < 0 or weights.sum() <= 0:
            raise UsageError("hours_by_weight", given=len(weights), allowed="24 numbers of 0 or more that are not all 0")
        hour = rng.choice(24, size=n, p=weights / weights.sum()) + rng.random(n)
        asked = self._ready(setup_key)
        found = figures(asked, self._fresh_draw(asked, hour, rng))
        moved = np.zeros(n, dtype=bool)
        if asked.plan.moved_to and asked.plan.moved_share > 0:
            moved = rng.random(n) < asked.moved_share_at(hour)
            choice = rng.integers(len(asked.plan.moved_to), size=n)
            for number, target in enumerate(asked.plan.moved_to):
                there = moved & (choice == number)
                if there.any():
                    other = self._ready(target)
                    elsewhere = figures(other, self._fresh_draw(other, hour[there], rng))
                    for name in ("down", "up", "idle", "loaded_down", "loaded_up", "loss"):
                        getattr(found, name)[there] = getattr(elsewhere, name)
        chance = asked.failure_chance(rng.standard_normal(n), 1.0)
        return FreshSample(
            setup=setup_key,
            hour=hour,
            down_mbps=found.down,
            up_mbps=found.up,
            delay_idle_ms=found.idle,
            delay_loaded_down_ms=found.loaded_down,
            delay_loaded_up_ms=found.loaded_up,
            loss_ratio=found.loss,
            failed=rng.random(n) < chance,
            moved=moved,
        )

    def _ready(self, setup_key: str) -> PreparedSetup:
        ready = self._prepared.get(setup_key)
        if ready is None:
            ready = self._prepared[setup_key] = PreparedSetup(self.plan, self.plan.setup(setup_key), self.seed, self._zone)
        return ready

    def _local_hour(self, at_utc: datetime) -> float:
        local = at_utc.astimezone(self._zone)
        return local.hour + local.minute / 60.0 + local.second / 3600.0

    def _mount(self, ready: PreparedSetup, mounting: int) -> tuple[float, float]:
        place = (ready.plan.key, mounting)
        if place not in self._mounts:
            keys = np.array([key_of(self.seed, "mount", ready.plan.rig, mounting), key_of(self.seed, "mount", ready.plan.key, mounting)], dtype=np.uint64)
            step = np.uint64(0x9E3779B97F4A7C15)
            z = unit_normals(np.concatenate((keys, keys + step)))
            down, up = mounted(self._rigs[ready.plan.rig], z[0], z[1], z[2], z[3], unit_uniforms(keys[:1] - step)[0])
            self._mounts[place] = float(down), float(up)
        return self._mounts[place]

    def _draw(self, ready: PreparedSetup, v: Floats, at_utc: datetime, *, mounting: int, hour: float, added_s: float, load_s: float) -> Draw:
        b = ready.batch
        within_down, within_up = ready.within(v, at_utc.timestamp())
        mount_down, mount_up = self._mount(ready, mounting)
        shift_down = shift_up = 0.0
        for shift in self.plan.shifts:
            if at_utc >= shift.at and (not shift.setups or ready.plan.key in shift.setups):
                shift_down += shift.down_ln
                shift_up += shift.up_ln
        one = ready.one
        return Draw(
            hour=hour, test_a=v[one["test_a"]], test_b=v[one["test_b"]], day_a=v[one["day_a"]], day_b=v[one["day_b"]], drift_a=v[one["drift_a"]],
            drift_b=v[one["drift_b"]], delay_a=v[one["delay_a"]], delay_b=v[one["delay_b"]], loss=v[one["loss"]],
            serving=0.5 * math.erfc(-float(v[one["serving"]]) / math.sqrt(2.0)), dip=float(v[b["dip"].start]), mount_down=mount_down, mount_up=mount_up,
            within_down=within_down, within_up=within_up, added_s=added_s, load_s=load_s, shift_down=shift_down, shift_up=shift_up,
        )  # fmt: skip

    def _fresh_draw(self, ready: PreparedSetup, hour: Floats, rng: np.random.Generator) -> Draw:
        n = len(hour)
        z = rng.standard_normal((14, n))
        within_down, within_up = ready.fresh_within(n, rng)
        mount_down, mount_up = mounted(self._rigs[ready.plan.rig], z[0], z[1], z[2], z[3], rng.random(n))
        return Draw(
            hour=hour, test_a=z[4], test_b=z[5], day_a=z[6], day_b=z[7], drift_a=z[8], drift_b=z[9], delay_a=z[10], delay_b=z[11], loss=z[12],
            serving=rng.random(n), dip=rng.random(n), mount_down=mount_down, mount_up=mount_up, within_down=within_down, within_up=within_up,
            added_s=0.0, load_s=1e6,
        )  # fmt: skip

    def _added_s(self, plan: SetupPlan, time_s: float, load_s: float) -> float:
        """Return how long load must last until all carriers carry; one draw for each stretch of load."""
        if plan.warmup_scale <= 0.0:
            return 0.0
        began = round(time_s - load_s)
        u = unit_uniform(key_of(self.seed, "added", plan.key, began))
        return plan.warmup_scale * math.exp(float(np.interp(u, _ADDED_CHANCE, _ADDED_LN_S)))

    def _failed_factor(self, setup_key: str, time_s: float) -> float:
        factor = 1.0
        for shift in self.plan.shifts:
            if time_s >= shift.at.timestamp() and (not shift.setups or setup_key in shift.setups):
                factor *= shift.failed_factor
        return factor

    def _carriers(self, ready: PreparedSetup, time_s: float, hour: float, values: Floats, *, mounting: int, load_s: float, added_s: float) -> tuple[CarrierShown, ...]:
        """Return what the modem shows. sd and autocorrelation of readings: [3] [5] [6]; RSRQ and transmit power by formulas of this function."""
        plan = ready.plan
        v = ready.readings.at(time_s)
        one_u = float(v[-1])
        indices = ready.serving_indices(0.5 * math.erfc(-float(values[ready.one["serving"]]) / math.sqrt(2.0)))
        loaded = load_s > 0.0
        busy = 1.0 if loaded else min(1.0, 1 / 6 + plan.load_down * float(busyness(hour - plan.hour_shift_h)))
        better_db = min(12.0, max(-12.0, self._mount(ready, mounting)[0] * _DB_PER_LN))
        shown: list[CarrierShown] = []
        for place in indices:
            carrier = plan.carriers[place]
            added = carrier.role in (Role.SCELL, Role.PSCELL)
            if added and (load_s < added_s if loaded else carrier.role is Role.SCELL or one_u > _IDLE_NR_SHARE):
                continue
            nr = carrier.rat is Rat.NR
            rsrp = carrier.rsrp_dbm + better_db + (1.6 if nr else 1.3) * float(v[3 * place])
            sinr = carrier.sinr_db + better_db / 2.0 + 3.5 * float(v[3 * place + 1])
            rsrq = -10.0 * math.log10(12.0 * (busy + 10.0 ** (-sinr / 10.0))) + 0.7 * float(v[3 * place + 2])
            # open-loop power control of 25 blocks: P0 -90 dBm a block, alpha .8, reference power 15 dBm a resource element
            power = min(23.0, -90.0 + 0.8 * (15.0 - rsrp) + 10.0 * math.log10(25.0)) if loaded and (carrier.up or not added) else None
            shown.append(
                {
                    "rat": carrier.rat.value, "role": carrier.role.value, "band": carrier.band, "arfcn": carrier.arfcn, "pci": carrier.pci,
                    "bandwidth_mhz": carrier.bandwidth_mhz, "scs_khz": carrier.scs_khz, "rsrp_dbm": round(rsrp, 1), "rsrq_db": round(rsrq, 1),
                    "sinr_db": round(max(-20.0, min(40.0, sinr)), 1), "tx_power_dbm": None if power is None else round(power, 1),
                    "cell_id": carrier.cell_id, "tac": carrier.tac,
                }
            )  # fmt: skip
        return tuple(shown)

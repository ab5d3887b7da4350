"""The simulated site behind the Probe port: a measurement takes simulated seconds and finds what the site gives at that moment.

A measurement goes through the phases of a real one (connect, idle, downlink, uplink), awaits its listener at each, and lets the clock
pass. Its figures are the site's moment; its series follow the site's seconds with a tenth-of-a-second grain of their own. A failure
ends it in the phase that the site names, with what was measured before. Load that goes on, with gaps below the release time, keeps
carriers added, as on a real network.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from bandwright.ports import Clock, ProbeEvent, ProbeListener
from bandwright.twin.noise import key_of, unit_normals
from bandwright.twin.site import Moment, SimulatedSite
from bandwright.words.measurement import Fact, Measurement, MeasurementPlan, Method, Outcome, Phase, Size, Value
from bandwright.words.radio import Registration

__all__ = ["InForce", "SimulatedProbe"]

_CONNECT_S = 0.6
_IDLE_S = 2.0
_PROBES_PER_S = 50
_TRANSFER_S = {Size.LIGHT: 1.0, Size.USUAL: 2.8, Size.FULL: 8.0}
_LEAST_TRANSFER_S = 0.5
_RELEASE_S = 11.0  # silence after which the network lets the connection go: 11 to 13 s ("A Variegated Look at 5G in the Wild", SIGCOMM 2021)
_STALL_S = 5.0  # how long a failing phase takes to give up
_GRAIN = 0.12  # sd of ln rate between tenths of a second within a second; assumed
_BEFORE = {Phase.RADIO: 0, Phase.NAME_LOOKUP: 0, Phase.CONNECT: 0, Phase.TLS: 0, Phase.AUTH: 0, Phase.IDLE: 0, Phase.DOWNLINK: 1, Phase.UPLINK: 2}
_WHY = {
    Phase.RADIO: "no service",
    Phase.CONNECT: "no answer from the far end within 5 s",
    Phase.IDLE: "no probe came back",
    Phase.DOWNLINK: "the downlink stalled for 3 s",
    Phase.UPLINK: "the uplink stalled for 3 s",
}

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """What the twin's gateway is set to. setup: None where its settings are those of no setup of the site: then there is no service."""

    setup: str | None
    since: datetime
    mounting: int = 0


class SimulatedProbe:
    """Measures a simulated site in simulated time.

    in_force: asked at the start of each measurement. void_share: how often the far end itself fails. new_key: makes the measurements' keys.
    """

    def __init__(
        self,
        site: SimulatedSite,
        clock: Clock,
        in_force: Callable[[], InForce],
        *,
        void_share: float = 0.0,
        new_key: Callable[[], str] = lambda: str(uuid.uuid4()),
    ) -> None:
        self._site = site
        self._clock = clock
        self._in_force = in_force
        self._void_share = void_share
        self._new_key = new_key
        self._load_began: datetime | None = None
        self._load_ended: datetime | None = None

    @property
    def load_s(self) -> float:
        """How long the device has been under load without a gap that lets the connection go; 0 where it is idle."""
        now = self._clock.now()
        if self._load_began is None or self._load_ended is None or (now - self._load_ended).total_seconds() > _RELEASE_S or self._in_force().since > self._load_began:
            return 0.0
        return (now - self._load_began).total_seconds()

    def cost_megabytes(self, plan: MeasurementPlan, *, load_s: float = 0.0) -> float:
        """Return about how much one such measurement takes: the rates expected, or typical of the setup in force, for its seconds and those of a load before it."""
        setup = self._in_force().setup
        typical = None if setup is None else self._site.plan.setup(setup)
        down = plan.expected_down_mbps or (typical.down_mbps if typical else 50.0)
        up = plan.expected_up_mbps or (typical.up_mbps if typical else 10.0)
        return (down * plan.downlink + up * plan.uplink) / 8.0 * _TRANSFER_S[plan.size] + _IDLE_S * _PROBES_PER_S * 2 * 140e-6 + down / 8.0 * load_s

    async def load(self, seconds: float, *, plan: MeasurementPlan) -> float:  # noqa: ARG002 -- the port's; load here needs no plan
        """Load the downlink without measuring: a warm-up. Returns the MB it took: at the rate it began with, none where nothing passes."""
        in_force, at, load_s = self._in_force(), self._clock.now(), self.load_s
        self._begin_load()
        await self._clock.sleep(seconds)
        self._load_ended = self._clock.now()
        if in_force.setup is None:
            return 0.0
        found = self._site.moment(in_force.setup, at, mounting=in_force.mounting, since_change_s=(at - in_force.since).total_seconds(), load_s=load_s)
        return 0.0 if found.failed is not None else found.down_mbps / 8.0 * seconds

    async def measure(self, plan: MeasurementPlan, *, listener: ProbeListener | None = None) -> Measurement:
        """Measure once. What fails is in the measurement, never an exception."""
        at, key, in_force = self._clock.now(), self._new_key(), self._in_force()
        begin_s = self._clock.monotonic_s()
        void = self._void_share > 0.0 and _chance(self._site.seed, "void", at.timestamp()) < self._void_share
        moment, load_s = None, self.load_s
        if in_force.setup is not None:
            since_s = (at - in_force.since).total_seconds()
            moment = self._site.moment(in_force.setup, at, mounting=in_force.mounting, since_change_s=since_s, load_s=load_s)
        failed = Phase.RADIO if moment is None else moment.failed
        if void and failed is None:
            failed = Phase.FAR_END
        passed = _BEFORE.get(failed, 0) if failed is not None else 3
        seconds = self._transfer_s(plan, moment)
        if seconds < _LEAST_TRANSFER_S and passed > 0:
            failed, passed = Phase.NEAR_END, 0
        phases = [("idle", _IDLE_S), *[(name, seconds) for name, wanted in (("downlink", plan.downlink), ("uplink", plan.uplink)) if wanted]]
        reached = {"idle": 1, "downlink": 2, "uplink": 3}
        done: list[str] = []
        await self._clock.sleep(_CONNECT_S)
        for name, phase_s in phases:
            if reached[name] > passed + 1 or (passed == 0 and failed is not Phase.IDLE):
                break
            await _tell(listener, ProbeEvent(kind="phase", phase=name))
            if reached[name] > passed:
                break
            if name != "idle":
                self._begin_load()
            await self._clock.sleep(phase_s)
            if name != "idle":
                self._load_ended = self._clock.now()
            done.append(name)
        if failed not in {None, Phase.NEAR_END}:
            await self._clock.sleep(_STALL_S)
        values, series, megabytes = self._found(moment, in_force, done, seconds=seconds, load_s=load_s, first_hop=plan.first_hop is not None) if moment is not None else ((), (), 0.0)
        for value in values:
            if value.quantity in {"goodput_down_mbps", "goodput_up_mbps", "delay_idle_ms"}:
                await _tell(listener, ProbeEvent(kind="sample", phase=done[-1], quantity=value.quantity, value=value.value))
        is_void = failed in {Phase.FAR_END, Phase.NEAR_END}
        moved_to = None if moment is None else moment.moved_to
        return Measurement(
            key=key,
            at=at,
            method=Method.SIMULATED,
            outcome=Outcome.OK if failed is None else Outcome.VOID if is_void else Outcome.FAILED,
            phase=failed,
            reason=None if failed is None else self._why(failed),
            size=plan.size,
            setup_asked=plan.setup,
            setup_seen=moved_to or in_force.setup,
            moved=moved_to is not None,
            ramping=moment is not None and moment.ramping and len(done) > 1,
            values=values,
            series=series,
            facts=self._facts(moment, plan),
            megabytes=megabytes,
            seconds=self._clock.monotonic_s() - begin_s,
            far_end="simulated",
        )

    def _begin_load(self) -> None:
        if self.load_s <= 0.0:
            self._load_began = self._clock.now()
        self._load_ended = self._clock.now()

    def _transfer_s(self, plan: MeasurementPlan, moment: Moment | None) -> float:
        """Return the seconds of load of each direction, cut so that neither octets nor seconds pass what the plan allows."""
        seconds = _TRANSFER_S[plan.size]
        ways = plan.downlink + plan.uplink
        if plan.max_seconds is not None and ways:
            seconds = min(seconds, (plan.max_seconds - _CONNECT_S - _IDLE_S) / ways)
        if plan.max_megabytes is not None and moment is not None and ways:
            rate_mbps = moment.down_mbps * plan.downlink + moment.up_mbps * plan.uplink
            seconds = min(seconds, plan.max_megabytes * 8.0 / max(rate_mbps, 1e-6))
        return seconds

    def _why(self, failed: Phase) -> str:
        if failed is Phase.FAR_END:
            return "the far end stopped"
        if failed is Phase.NEAR_END:
            return "what is left of the allowance is too little for a measurement"
        return _WHY.get(failed, "no answer")

    def _facts(self, moment: Moment | None, plan: MeasurementPlan) -> tuple[tuple[str, Fact], ...]:
        registration = Registration.NONE if moment is None else moment.registration
        return (("streams", plan.streams), ("congestion_control", "simulated"), ("registration", registration.value))

    def _found(
        self, moment: Moment, in_force: InForce, done: list[str], *, seconds: float, load_s: float, first_hop: bool
    ) -> tuple[tuple[Value, ...], tuple[tuple[str, tuple[float, ...]], ...], float]:
        values: list[Value] = []
        series: list[tuple[str, tuple[float, ...]]] = []
        megabytes = 0.0
        seed = key_of(self._site.seed, moment.setup, moment.at.timestamp())
        if "idle" in done:
            sent = int(_IDLE_S * _PROBES_PER_S)
            low, high = _wilson(moment.loss_ratio, sent)
            values += [
                Value(quantity="delay_idle_ms", value=moment.delay_idle_ms, low=0.97 * moment.delay_idle_ms, high=1.03 * moment.delay_idle_ms),
                Value(quantity="loss_ratio", value=moment.loss_ratio, low=low, high=high),
                Value(quantity="probes_sent", value=float(sent)),
                Value(quantity="probes_lost", value=float(round(moment.loss_ratio * sent))),
            ]
            megabytes += sent * 2 * 140e-6
            if first_hop:
                values.append(Value(quantity="first_hop_idle_ms", value=0.6))
        if len(done) > 1:
            down_s, up_s = self._site.trace(moment.setup, moment.at, seconds=math.ceil(seconds), mounting=in_force.mounting, load_s=load_s)
            for name, way, per_second, rate_mbps, loaded_ms, first_hop_ms in (
                ("downlink", "down", down_s, moment.down_mbps, moment.delay_loaded_down_ms, 0.8),
                ("uplink", "up", up_s, moment.up_mbps, moment.delay_loaded_up_ms, 0.7),
            ):
                if name not in done:
                    continue
                tenths = _tenths(per_second, seconds, rate_mbps, seed ^ len(way))
                spread = 1.96 * float(tenths.std()) / math.sqrt(max(1.0, seconds))  # tenths of one second go together
                values += [
                    Value(quantity=f"goodput_{way}_mbps", value=rate_mbps, low=max(0.0, rate_mbps - spread), high=rate_mbps + spread),
                    Value(quantity=f"delay_loaded_{way}_ms", value=loaded_ms, low=0.93 * loaded_ms, high=1.07 * loaded_ms),
                    Value(quantity=f"loss_{way}_ratio", value=moment.loss_ratio),
                ]
                if first_hop:
                    values.append(Value(quantity=f"first_hop_loaded_{way}_ms", value=first_hop_ms))
                series.append((f"series_{way}_mbps", tuple(round(float(x), 3) for x in tenths)))
                megabytes += rate_mbps * seconds / 8.0
        return tuple(values), tuple(series), megabytes


async def _tell(listener: ProbeListener | None, event: ProbeEvent) -> None:
    if listener is not None:
        await listener(event)


def _chance(*words: object) -> float:
    return key_of(*words) / 2.0**64


def _tenths(per_second: Floats, seconds: float, mean_mbps: float, seed: int) -> Floats:
    """Return one rate for each tenth of a second, of the mean that was measured."""
    count = max(1, round(10 * seconds))
    middles = (np.arange(count) + 0.5) / 10.0
    smooth = np.interp(middles, np.arange(len(per_second)) + 0.5, per_second)
    keys = np.arange(count, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(seed)
    grained = smooth * np.exp(_GRAIN * unit_normals(keys))
    return np.asarray(grained * (mean_mbps / float(grained.mean())))


def _wilson(share: float, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share among count. Source: Wilson, JASA 22 (1927)."""
    z2 = 1.96**2
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = 1.96 / (1 + z2 / count) * math.sqrt(share * (1 - share) / count + z2 / (4 * count**2))
    return max(0.0, middle - half), min(1.0, middle + half)

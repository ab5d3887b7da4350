"""Puts the simulated practice together: in simulated time for the demonstration's campaign, and in real time behind real protocols."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Self

from bandwright.jobs.assembly import FAR_END, asker, keep_secret
from bandwright.jobs.house import House
from bandwright.ports import Gateway
from bandwright.privacy import Private
from bandwright.words.measurement import Measurement, MeasurementPlan
from bandwright.words.site import Need

if TYPE_CHECKING:
    from bandwright.jobs.onetest import OneTestAnswer
    from bandwright.twin.site import FreshSample, Moment
    from bandwright.twin.world import TwinPerson, TwinWorld

__all__ = ["LiveTwin", "Twin", "open_twin", "twin_one_test_each", "twin_page"]


def open_twin(folder: Path, *, seed: int | None = None) -> Twin:
    """Return the simulated practice in simulated time: its workspace in `folder`, its modem to be started with `await twin.start()`.

    Raises UsageError where the folder holds another site's declaration.
    """
    from bandwright.twin import practice
    from bandwright.twin.clock import SimulatedClock
    from bandwright.twin.world import TwinPerson, TwinWorld

    clock = SimulatedClock(practice.START)
    world = TwinWorld(clock, seed=practice.SEED if seed is None else seed)
    return Twin(folder=folder, world=world, person=TwinPerson(world))


class Twin:
    """The simulated practice and its workspace. The modem speaks AT over a loopback port; the campaign uses it like any other."""

    def __init__(self, *, folder: Path, world: TwinWorld, person: TwinPerson) -> None:
        self.folder, self.world, self.person = folder, world, person

    async def start(self) -> House:
        """Start the modem, write the site's declaration where there is none, and return the house of the workspace."""
        from bandwright.gateways import kinds
        from bandwright.gateways.connection import lacking
        from bandwright.gateways.proof import shown
        from bandwright.jobs.declare import new
        from bandwright.twin import practice
        from bandwright.workspace.declared import SITE_FILE, read_file
        from bandwright.workspace.lock import RunLock
        from bandwright.workspace.records import DiskRecords

        host, port = await self.world.modem.serve_tcp()
        if not (self.folder / SITE_FILE).exists():
            new(self.folder, text=practice.site_toml())
        declared = read_file(self.folder / SITE_FILE)
        ask = asker(self.person)

        def gateway(key: str) -> Gateway:
            plan = declared.gateway(key)
            if plan.kind == "at-tcp":
                plan = replace(plan, settings=(("address", f"{host}:{port}"),))
            return kinds.open_gateway(plan, clock=self.world.clock, ask=ask)

        return House(
            folder=self.folder,
            declared=declared,
            records=DiskRecords(self.folder),
            clock=self.world.clock,
            gateway_maker=gateway,
            probe_maker=lambda _rig: self.world.probe,
            shown=shown,
            lacking=lacking,
            person=self.person,
            run_lock=lambda: RunLock(self.folder),
        )

    async def close(self) -> None:
        """Stop the modem."""
        await self.world.modem.close()


class LiveTwin:
    """The simulated practice in real time: real AT over a loopback port, and a real far end behind a bottleneck that real bytes pass.

    The bottleneck follows the site second by second. `measure` measures through it with the real near end.
    """

    def __init__(self, folder: Path, *, seed: int | None = None, mounted: str = "gable-own") -> None:
        from bandwright.twin import practice
        from bandwright.twin.world import TwinWorld
        from bandwright.workspace.clock import SystemClock

        self.folder = folder
        self.clock = SystemClock()
        self.world = TwinWorld(self.clock, seed=practice.SEED if seed is None else seed, mounted=mounted, apply_delay_s=4.0)
        self.pairing = ""
        self._stack = AsyncExitStack()

    async def __aenter__(self) -> Self:
        from bandwright.probe import far, keys
        from bandwright.twin.bottleneck import Bottleneck, ip_rate_mbps

        state = self.folder / "far-end"
        state.mkdir(parents=True, exist_ok=True)
        far_end = await self._stack.enter_async_context(far.FarEnd(far.FarEndSettings(state=state, hosts=("127.0.0.1",), port=0)))
        moment = self._moment()
        self.bottleneck = Bottleneck(target=("127.0.0.1", far_end.port), down_mbps=ip_rate_mbps(moment.down_mbps), up_mbps=ip_rate_mbps(moment.up_mbps), delay_ms=moment.delay_idle_ms)
        host, port = await self.bottleneck.start()
        self._stack.push_async_callback(self.bottleneck.close)
        self.modem_address = await self.world.modem.serve_tcp()
        self._stack.push_async_callback(self.world.modem.close)
        row = next(iter(keys.list_keys(state)), None) or keys.add_key(state, "twin")
        self.far_end_address = f"{host}:{port}"
        self.pairing = far.pairing_string(state, address=self.far_end_address, row=row)
        follower = asyncio.create_task(self._follow())
        self._stack.callback(follower.cancel)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._stack.aclose()

    def _moment(self) -> Moment:
        setup = self.world.in_force().setup or "gable-own/automatic"
        return self.world.site.moment(setup, self.clock.now(), mounting=self.world.mounting, load_s=30.0)

    async def _follow(self) -> None:
        from bandwright.twin.bottleneck import ip_rate_mbps

        while True:
            await asyncio.sleep(1.0)
            m = self._moment()
            gone = m.failed is not None or self.world.in_force().setup is None
            buffer_down, buffer_up = m.delay_loaded_down_ms - m.delay_idle_ms, m.delay_loaded_up_ms - m.delay_idle_ms
            self.bottleneck.set(
                down_mbps=0.0 if gone else ip_rate_mbps(m.down_mbps),
                up_mbps=0.0 if gone else ip_rate_mbps(m.up_mbps),
                delay_ms=m.delay_idle_ms,
                buffer_down_ms=max(10.0, buffer_down),
                buffer_up_ms=max(10.0, buffer_up),
                loss_ratio=m.loss_ratio,
            )

    def declare(self) -> None:
        """Write the practice's declaration and keep its pairing string, so that another terminal can use it. Raises UsageError."""
        from bandwright.jobs.declare import new
        from bandwright.twin import practice

        gateway = f"{self.modem_address[0]}:{self.modem_address[1]}"
        (self.folder / "site.toml").unlink(missing_ok=True)
        new(self.folder, text=practice.site_toml(gateway_address=gateway, far_end_address=self.far_end_address).replace('mounted = "sill-supplied"', f'mounted = "{self.world.rig}"'))
        keep_secret(self.folder, FAR_END, Private(self.pairing))

    async def measure(self, plan: MeasurementPlan) -> Measurement:
        """Measure once, in real time, through the bottleneck."""
        from bandwright.probe.near import NearEnd

        return await NearEnd(None, self.pairing).measure(plan)


def twin_one_test_each(needs: Sequence[Need], *, n: int = 1000, seed: int | None = None, indifference: float = 0.10) -> OneTestAnswer:
    """Return how often one test of each of the practice's setups picks wrong, over n redraws."""
    from bandwright.jobs.onetest import hours_by_weight, one_test_each
    from bandwright.twin import practice

    used = practice.SEED if seed is None else seed
    drawn = practice.one_test_each(n, seed=used, hours_by_weight=hours_by_weight(needs), fresh=1500)
    fresh = {key: [(float(s.hour[i]), _drawn(s, i)) for i in range(len(s))] for key, s in drawn.truth}
    return one_test_each(needs=needs, hours=[float(h) for h in drawn.hour], tests=dict(drawn.figures), fresh=fresh, indifference=indifference, seed=used)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """One fresh draw of a setup's figures."""

    down_mbps: float
    up_mbps: float
    delay_idle_ms: float
    delay_loaded_down_ms: float
    delay_loaded_up_ms: float
    loss_ratio: float
    failed: bool


def _drawn(s: FreshSample, i: int) -> _Drawn:
    return _Drawn(
        down_mbps=float(s.down_mbps[i]),
        up_mbps=float(s.up_mbps[i]),
        delay_idle_ms=float(s.delay_idle_ms[i]),
        delay_loaded_down_ms=float(s.delay_loaded_down_ms[i]),
        delay_loaded_up_ms=float(s.delay_loaded_up_ms[i]),
        loss_ratio=float(s.loss_ratio[i]),
        failed=bool(s.failed[i]),
    )


def twin_page(seed: int | None = None) -> str:
    """Return what a person would copy from the supplied gateway's page of the practice, under load so that all carriers show."""
    from bandwright.twin import practice

    return practice.supplied_page(practice.site(practice.SEED if seed is None else seed), practice.START, load_s=60.0)

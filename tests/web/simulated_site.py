"""Simulated answers of the place and of aiming: a workspace on real ground and a gateway that a turned antenna reaches, without waiting."""

from __future__ import annotations

import importlib.util
import sys
import tempfile
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

from bandwright.jobs.aim import aim, aim_state, rigs_to_aim, sun_now, undo_heading
from bandwright.jobs.assembly import open_house
from bandwright.jobs.place import place
from bandwright.jobs.room import keep_room, rooms
from bandwright.words.radio import Capture

NOON = datetime(2026, 11, 3, 16, 0, tzinfo=UTC)


def real_place() -> ModuleType:
    """The module that writes the workspace."""
    name = "bandwright_test_real_place"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).resolve().parents[1] / "jobs" / "real_place.py")
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


class StepClock:
    """Time that passes by being slept through; `gate` holds it where a test wants to look."""

    def __init__(self, gate: Any = None) -> None:
        self.seconds, self.gate = 0.0, gate

    def now(self) -> datetime:
        return NOON + timedelta(seconds=self.seconds)

    def monotonic_s(self) -> float:
        return self.seconds

    async def sleep(self, seconds: float) -> None:
        import asyncio

        if self.gate is not None:
            for _ in range(200):  # short waits, since a thread that waits long would hold up the end of its loop
                if await asyncio.to_thread(self.gate.acquire, timeout=0.1):
                    break
        else:
            await asyncio.sleep(0)
        self.seconds += seconds


class Beam:
    """A gateway behind an antenna of 60 degrees whose best heading is 212, with a second, weaker way at 20."""

    kind = "at-tcp"

    def __init__(self, clock: StepClock, heading: Any) -> None:
        self.clock, self.heading, self.count = clock, heading, 0

    async def fetch(self, *, moment: str = "idle") -> Capture:
        self.count += 1

        def down(best: float) -> float:
            return min(25.0, 12.0 * (((self.heading() - best + 180.0) % 360.0 - 180.0) / 60.0) ** 2)

        wobble = (0, 1, 0, -1, 0)[self.count % 5]
        rsrp = round(max(-88.0 - down(212.0), -90.0 - down(20.0))) + wobble
        text = f'+QENG: "servingcell","CONNECT","LTE","FDD",001,01,1A2B30C,12,1300,3,5,5,1A2B,{rsrp},-11,-70,{round((rsrp + 125 + 20) / 2)},9,230,27\nOK\n'
        return Capture(key=f"aim-{self.count}-{id(self)}", at=self.clock.now(), kind=self.kind, text=text, moment=moment)

    async def close(self) -> None:
        return


@dataclass(kw_only=True)
class SimulatedSite:
    """The part of `PageJobs` that `web.site` asks for."""

    site_gate: Any = None
    site_options: dict[str, Any] | None = None
    _site_house: Any = None

    def site_house(self) -> Any:
        """Make the workspace once."""
        if self._site_house is None:
            self._site_dir = tempfile.TemporaryDirectory()
            folder = real_place().write_place(Path(self._site_dir.name) / "here", **(self.site_options or {}))
            clock = StepClock(self.site_gate)
            self.turned_to = [0.0]
            beam = Beam(clock, lambda: self.turned_to[-1])
            self._site_house = replace(open_house(folder), clock=clock, gateway_maker=lambda _k: beam, _gateways={}, _probes={})
        return self._site_house

    def place(self) -> Any:
        return place(self.site_house())

    def rigs_to_aim(self) -> Any:
        return rigs_to_aim(self.site_house())

    def aim_state(self, rig: str, *, from_deg: float, arc_deg: float) -> Any:
        return aim_state(self.site_house(), rig, from_deg=from_deg, arc_deg=arc_deg)

    def undo_heading(self, rig: str) -> Any:
        return undo_heading(self.site_house(), rig)

    def sun(self) -> Any:
        return sun_now(self.site_house())

    def keep_room(self, measured: Any) -> Any:
        return keep_room(self.site_house(), measured)

    def rooms(self) -> Any:
        return rooms(self.site_house())

    async def aim(self, person: Any, rig: str, *, from_deg: float, arc_deg: float) -> AsyncIterator[Any]:
        async for event in aim(replace(self.site_house(), person=person, _gateways={}), rig=rig, from_deg=from_deg, arc_deg=arc_deg):
            if event.kind == "turn":
                self.turned_to.append(event.heading_deg)
            yield event

    def read_timing(self, steps: int) -> None:
        """Keep a reading that shows a timing advance of so many steps."""
        house = self.site_house()
        text = f'{{"cell": {{"rat": "LTE", "band": 3, "earfcn": 1300, "pci": 12, "rsrp": -97, "timing_advance": {steps}}}}}\n'
        house.records.add_capture(Capture(key="timing", at=house.clock.now(), kind="pasted", text=text))

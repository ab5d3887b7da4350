"""A campaign on real input: two rigs and two tunings, measured by the real probe across network namespaces whose path follows the tuning.

The gateway is the twin's modem, reached over a loopback port with its real AT dialect; what its settings allow decides the rates,
delays and losses of the path. Waits run on a clock of their own that jumps; measurements take real time and real bytes.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from bed import Bed, Link
from ends import OpenNearEnd, window_of

from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.proof import shown
from bandwright.jobs.house import House
from bandwright.ports import Question
from bandwright.twin.modem import TwinModem
from bandwright.twin.modem_state import RadioState
from bandwright.words.measurement import Measurement, MeasurementPlan
from bandwright.words.rig import GatewayPlan
from bandwright.workspace.declared import read_declared
from bandwright.workspace.records import DiskRecords

__all__ = ["LINKS", "SITE", "BedWorld", "JumpClock", "Seen", "make_bed"]

SITE = """
[site]
name = "Test bed"

[[need]]
kind = "video call"
hours = "always"
weight = 2

[[need]]
kind = "large upload"
hours = "always"

[[line]]
key = "A"
plmn = "001-01"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.1:5000"

[[rig]]
key = "window"
line = "A"
gateway = "own"

[[rig]]
key = "gable"
line = "A"
gateway = "own"
change_minutes = 5

[[tuning]]
key = "standalone"
mode = "nr-sa"

[[tuning]]
key = "4G only"
mode = "lte"

[campaign]
allowance_days = 6
rig_changes = 8
seed = 5
mounted = "window"

[settings]
measurement_size = "usual"
rounds_per_day = 6
"""


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a setup's path carries: IP-layer rates, one-way delays, random loss each way."""

    down_mbps: float
    up_mbps: float
    one_way_ms: float
    loss_percent: float = 0.0


# The fastest download is not the one that serves: its uplink starves. Invented figures.
LINKS = {
    "window/standalone": Truth(down_mbps=30, up_mbps=5, one_way_ms=12),
    "window/4G only": Truth(down_mbps=80, up_mbps=2.5, one_way_ms=22),
    "gable/standalone": Truth(down_mbps=45, up_mbps=16, one_way_ms=10),
    "gable/4G only": Truth(down_mbps=120, up_mbps=6, one_way_ms=20, loss_percent=0.5),
}


class JumpClock:
    """Waits pass at once; what happens between them takes its real time."""

    def __init__(self) -> None:
        self._jumped_s = 0.0
        self._start = datetime(2026, 11, 30, 8, 0, tzinfo=UTC)
        self._began = time.monotonic()

    def now(self) -> datetime:
        return self._start + timedelta(seconds=self.monotonic_s())

    def monotonic_s(self) -> float:
        return time.monotonic() - self._began + self._jumped_s

    async def sleep(self, seconds: float) -> None:
        self._jumped_s += max(0.0, seconds)
        await asyncio.sleep(0)


@dataclass(frozen=True)
class Seen:
    """One measurement under the setup that was truly in force, and what the path itself logged in the same windows: goodput and loss."""

    setup: str
    found: Measurement
    carried: dict[str, float]


@dataclass
class BedWorld:
    """The bed, its modem, and the person who changes rigs. measured: in order."""

    bed: Bed
    folder: Path
    pairing: str
    clock: JumpClock = field(default_factory=JumpClock)
    rig: str = "window"
    measured: list[Seen] = field(default_factory=list)

    async def start(self) -> House:
        self.modem = TwinModem(self.radio, clock=self.clock, on_settings=lambda *_: self.lay(), apply_delay_s=3.0, lte_bands=(3, 20), nr_bands=(28, 78))
        host, port = await self.modem.serve_tcp()
        declared = read_declared(SITE)
        self.folder.mkdir(parents=True, exist_ok=True)
        plan = GatewayPlan(key="own", kind="at-tcp", settings=(("address", f"{host}:{port}"),))
        self.lay()
        world = self

        class Probe(OpenNearEnd):
            async def measure(self, plan: MeasurementPlan, *, listener=None) -> Measurement:
                world.lay()
                found = await super().measure(plan, listener=listener)
                world.measured.append(Seen(world.setup(), found, world.carried(self)))
                return found

        probe = Probe(None, self.pairing, clock=self.clock)
        return House(
            folder=self.folder,
            declared=declared,
            records=DiskRecords(self.folder),
            clock=self.clock,
            gateway_maker=lambda _key: open_gateway(plan, clock=self.clock),
            probe_maker=lambda _rig: probe,
            shown=shown,
            person=self,
        )

    async def ask(self, question: Question) -> str:
        """Change the rig, as a person would."""
        if question.kind == "mount" and question.rig is not None:
            await self.clock.sleep(300)
            self.rig = question.rig
            self.lay()
        return "done"

    def carried(self, probe: OpenNearEnd) -> dict[str, float]:
        """Return what the path's own log says of the last measurement's loads."""
        out: dict[str, float] = {}
        for load in probe.conduct.seen.loads:
            if load.kind != "tcp" or f"goodput_{load.direction}_mbps" in out:
                continue
            start, stop = window_of(load)
            out[f"goodput_{load.direction}_mbps"] = self.bed.truth(load.direction, from_ns=start, to_ns=stop).goodput_mbps
            out[f"loss_{load.direction}_ratio"] = self.bed.truth(load.direction, from_ns=load.from_ns - 150_000_000, to_ns=load.to_ns + 150_000_000).loss_ratio
        return out

    def setup(self) -> str:
        """Return the setup that is truly in force."""
        return f"{self.rig}/{'4G only' if self.modem.in_force.mode == 'lte' else 'standalone'}"

    def lay(self) -> None:
        """Make the path that of the setup in force."""
        truth = LINKS[self.setup()]
        for direction, rate in (("down", truth.down_mbps), ("up", truth.up_mbps)):
            self.bed.set(direction, rate=rate, delay=truth.one_way_ms, loss=truth.loss_percent)

    def radio(self) -> RadioState:
        """Return what the modem sees."""
        gain = 9.0 if self.rig == "gable" else 0.0
        if self.modem.in_force.mode == "lte":
            cell = {
                "rat": "lte",
                "role": "pcell",
                "band": "B3",
                "arfcn": 1300,
                "pci": 138,
                "bandwidth_mhz": 20,
                "rsrp_dbm": -104 + gain,
                "rsrq_db": -11,
                "sinr_db": 6 + gain,
                "cell_id": 27439884,
            }
            return RadioState(mode="lte", registration="home", carriers=(cell,), connected=True)
        nr = {
            "rat": "nr",
            "role": "pcell",
            "band": "n28",
            "arfcn": 154830,
            "pci": 333,
            "bandwidth_mhz": 10,
            "scs_khz": 15,
            "rsrp_dbm": -100 + gain,
            "rsrq_db": -11,
            "sinr_db": 5 + gain,
            "cell_id": 44843009,
        }
        return RadioState(mode="nr-sa", registration="home", carriers=(nr,), connected=True)


def make_bed() -> Bed:
    """Return a bed with 100 ms of buffer each way."""
    return Bed.make(down=Link(rate_mbps=30, delay_ms=12, buffer_ms=100), up=Link(rate_mbps=5, delay_ms=12, buffer_ms=100))

"""One measurement by near end and far end, phase by phase. What was seen stays in `Seen`, whatever happens next.

Nothing is judged here: `judge` turns what was seen into values. A phase that fails raises PathFault, and all before it is kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from dataclasses import dataclass, field, fields
from typing import Any

from bandwright.ports import ProbeEvent, ProbeListener
from bandwright.probe import nearside, sockets, wire
from bandwright.probe.contact import Contact, Resolve, Timeouts, WayOut, open_contact
from bandwright.probe.nearside import NearSide
from bandwright.probe.outcome import PathFault, fault_from
from bandwright.probe.recipe import Recipe, split_megabytes
from bandwright.probe.search import Interval, capacity_of
from bandwright.probe.wire import WireError
from bandwright.probe.workers import Worker, WorkerDied
from bandwright.words.measurement import MeasurementPlan, Outcome, Phase

__all__ = ["MTUS", "PROBES_AT_LEAST", "PROBE_BITS", "RESPONSIVENESS_INTERVALS", "Conduct", "LoadSeen", "Seen", "trace_of"]

RESPONSIVENESS_INTERVALS = 8  # about how many it takes until goodput and responsiveness have both settled; at most twice as many

MTUS = (1500, 1492, 1480, 1460, 1430, 1400, 1358, 1300, 1280)  # octets: Ethernet, PPPoE, tunnels, TS 24.301 6.6.4.2, RFC 8200
PROBES_AT_LEAST = 20.0  # a second under load: fewer could not tell a 2 s mean
PROBE_BITS = 140 * 8  # of IPv4

_PHASE_OF = {"down": Phase.DOWNLINK, "up": Phase.UPLINK}


@dataclass(slots=True)
class LoadSeen:
    """One load: what this end saw, what the far end said, and when it ran by the near end's clock (monotonic ns)."""

    direction: str
    kind: str
    streams: int
    seconds: float
    from_ns: int = 0
    to_ns: int = 0
    near: dict[str, Any] = field(default_factory=dict)
    far: dict[str, Any] | None = None
    small_segments: bool = False

    @property
    def sender(self) -> dict[str, Any] | None:
        """What the sending end said."""
        return self.far if self.direction == "down" else self.near


def trace_of(load: LoadSeen) -> list[Interval]:
    """Return the intervals of a UDP search."""
    names = [f.name for f in fields(Interval)]
    return [Interval(**dict(zip(names, row, strict=True))) for row in (load.sender or {}).get("trace", ())]


@dataclass(slots=True)
class Seen:
    """Everything a measurement has seen so far."""

    contact: Contact | None = None
    interface: str | None = None
    idle: tuple[int, int] | None = None
    sent: list[int] = field(default_factory=list)
    rows: list[Any] = field(default_factory=list)
    stepped: frozenset[int] = frozenset()
    delay: dict[str, Any] = field(default_factory=dict)
    hop: list[tuple[int, int]] = field(default_factory=list)
    hop_method: str | None = None
    loads: list[LoadSeen] = field(default_factory=list)
    before: NearSide | None = None
    after: NearSide | None = None
    waited_s: float = 0.0
    responsiveness: dict[str, Any] | None = None
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class Conduct:
    """Conducts one measurement: `await conduct.run()`; `seen` holds what came of it, also after a fault."""

    pairing: Any
    address: str
    plan: MeasurementPlan
    recipe: Recipe
    timeouts: Timeouts
    congestion_control: str | None
    listener: ProbeListener | None
    look_up: Resolve
    remembered: list[Any]
    responsiveness_interval_s: float | None = None
    seen: Seen = field(default_factory=Seen)
    _workers: list[Worker] = field(default_factory=list)
    _spare: asyncio.Future[Worker] | None = None
    _tasks: list[asyncio.Task[None]] = field(default_factory=list)
    _delay: Worker | None = None
    _hop: Worker | None = None
    _delay_done: asyncio.Event = field(default_factory=asyncio.Event)

    async def run(self) -> None:
        """Go through the phases. Raises PathFault; leaves no process behind."""
        phase = Phase.NEAR_END
        try:
            self._spare = asyncio.ensure_future(Worker.start())
            contact = await self._reach()
            await self._take_turn(contact)
            phase = Phase.IDLE
            await self._begin_delay(contact)
            await self._idle()
            for load in self._planned():
                await self._load(contact, load)
            if self.responsiveness_interval_s is not None and self.plan.downlink:
                await self._responsiveness(contact, self.responsiveness_interval_s)
            await self._finish(contact)
        except (OSError, EOFError, WorkerDied) as error:
            raise fault_from(error, phase=phase, where=self.address) from None
        except (KeyError, TypeError, ValueError, WireError):
            raise PathFault(
                Phase.FAR_END, f"What {self.address} answered could not be understood. Bring both ends to the same release.", outcome=Outcome.VOID
            ) from None
        finally:
            await self._clear_up()

    async def _worker(self) -> Worker:
        """Return a process that is up already, and start the next."""
        starting = self._spare or asyncio.ensure_future(Worker.start())
        self._spare = asyncio.ensure_future(Worker.start())
        worker = await starting
        self._workers.append(worker)
        return worker

    async def _tell(self, kind: str, phase: Phase | str, text: str = "", **numbers: Any) -> None:
        if self.listener is not None:
            await self.listener(ProbeEvent(kind=kind, phase=str(phase), text=text, **numbers))

    @property
    def _way_out(self) -> WayOut:
        return WayOut(interface=self.plan.interface, source_address=self.plan.source_address)

    # ---- reaching the far end

    async def _reach(self) -> Contact:
        await self._tell("phase", Phase.CONNECT, f"reaching {self.address}")
        contact = await open_contact(
            self.pairing, address=self.address, timeouts=self.timeouts, way_out=self._way_out, look_up=self.look_up, remembered=self.remembered
        )
        self.seen.contact = contact
        self.seen.interface = self.plan.interface or nearside.interface_of(contact.local_address)
        return contact

    async def _take_turn(self, contact: Contact) -> None:
        """Wait until no other test runs at the far end: tests side by side would measure one another."""
        began = time.monotonic()
        try:
            reply = await contact.request({"type": "begin"}, timeout_s=self.timeouts.turn_s)
        except (OSError, EOFError) as error:
            raise fault_from(error, phase=Phase.AUTH, where=self.address) from None
        if reply["type"] != "begun":
            raise PathFault(Phase.FAR_END, str(reply.get("reason", "The far end would not begin.")), outcome=Outcome.VOID)
        self.seen.waited_s = time.monotonic() - began

    # ---- delay

    async def _begin_delay(self, contact: Contact) -> None:
        longest = 10 + self.recipe.idle_s + 3 * (self.recipe.tcp_s + self.recipe.udp_s + self.recipe.single_s + self.timeouts.stall_s)
        reply = await contact.request({"type": "delay", "pps": self.recipe.probes_per_s, "seconds": longest}, timeout_s=self.timeouts.start_s)
        if reply["type"] != "delay_ready":
            raise PathFault(Phase.FAR_END, str(reply.get("reason", "The far end would not answer delay packets.")), outcome=Outcome.VOID)
        self.seen.before = NearSide.look(self.seen.interface)
        way = {"interface": self.plan.interface, "source_address": self.plan.source_address}
        delay = await self._worker()
        delay.give(
            "delay",
            address=contact.address.sockaddr,
            family=contact.address.family,
            ssid=reply["ssid"],
            key=wire.derive(contact.session_key, "stamp").hex(),
            pps=self.recipe.probes_per_s,
            linger_s=0.15,
            max_seconds=longest,
            **way,
        )
        self._delay = delay
        self._tasks.append(asyncio.get_running_loop().create_task(self._read_delay(delay)))
        gateway = self.plan.first_hop or nearside.default_gateway(self.seen.interface)
        if gateway is not None:
            hop = await self._worker()
            hop.give(
                "first hop", address=gateway, family=int(socket.AF_INET6 if ":" in gateway else socket.AF_INET), port=9, pps=15.0, max_seconds=longest, **way
            )
            self._hop = hop
            self._tasks.append(asyncio.get_running_loop().create_task(self._read_hop(hop)))

    async def _read_delay(self, worker: Worker) -> None:
        with contextlib.suppress(WorkerDied):
            while True:
                message = await worker.message()
                if message["type"] == "rows":
                    self.seen.rows += message["rows"]
                elif message["type"] == "sizes" and message["octets"]:
                    self.seen.facts["path_mtu_found"] = max(message["octets"])
                elif message["type"] == "up":
                    self.seen.delay |= message
                elif message["type"] in {"done", "fault"}:
                    self.seen.delay |= message
                    self.seen.sent = message.get("sent", [])
                    self.seen.stepped = frozenset(message.get("stepped", ()))
                    break
        self._delay_done.set()

    async def _read_hop(self, worker: Worker) -> None:
        with contextlib.suppress(WorkerDied):
            while True:
                message = await worker.message()
                if message["type"] == "up":
                    self.seen.hop_method = message["method"]
                elif message["type"] == "done":
                    self.seen.hop = [(at, took) for at, took in message["rows"]]
                    return

    async def _idle(self) -> None:
        await self._tell("phase", Phase.IDLE, "delay while nothing is asked of the line")
        for _ in range(40):  # until the stream is up: it starts within a few hundredths of a second
            if "kernel_stamps" in self.seen.delay:
                break
            await asyncio.sleep(0.025)
        began = time.monotonic_ns()
        await asyncio.sleep(self.recipe.idle_s)
        self.seen.idle = (began, time.monotonic_ns())
        if not self.seen.rows:
            await asyncio.sleep(1.0)  # a very slow path is not a dead one

    def _idle_rtt_ms(self) -> float:
        trips = sorted(r[2] for r in self.seen.rows if self.seen.idle and self.seen.idle[0] <= r[1] < self.seen.idle[1])
        contact = self.seen.contact
        return trips[len(trips) // 2] * 1e-6 if trips else (contact.connect_ms if contact else 100.0)

    async def _until_empty(self) -> None:
        """Wait until delay packets show that the queue of the last load has drained: three in a row near the idle delay."""
        if not self.seen.loads:
            return
        idle_ms = self._idle_rtt_ms()
        enough_ns = (idle_ms + max(3.0, 0.1 * idle_ms)) * 1e6
        deadline = time.monotonic() + 1.5
        began = time.monotonic_ns()
        while time.monotonic() < deadline and self.seen.rows:
            fresh = [r[2] for r in self.seen.rows[-12:] if r[1] >= began]
            if len(fresh) >= 3 and max(fresh[-3:]) <= enough_ns:
                return
            await asyncio.sleep(0.02)
        self.seen.facts["queue_not_seen_empty"] = True

    # ---- loads

    def _planned(self) -> list[LoadSeen]:
        """Return the loads that the recipe asks for, in their order."""
        r, out = self.recipe, []
        for direction, wanted in (("down", self.plan.downlink), ("up", self.plan.uplink)):
            if wanted and r.udp_s:
                out.append(LoadSeen(direction=direction, kind="udp", streams=1, seconds=r.udp_s))
            if wanted and r.tcp_s:
                out.append(LoadSeen(direction=direction, kind="tcp", streams=self.plan.streams, seconds=r.tcp_s))
            if wanted and r.single_s and direction == "down":
                out.append(LoadSeen(direction=direction, kind="tcp", streams=1, seconds=r.single_s))
        return out

    def _octets_left(self, direction: str) -> float:
        """Return what a direction's next load may take: an even part of what is left where several are still to come."""
        down_mb, up_mb = split_megabytes(self.plan)
        allowed = (down_mb if direction == "down" else up_mb) * 1e6
        ran = [load for load in self.seen.loads if load.direction == direction]
        used = sum((load.sender or {}).get("octets_sent", 0) or load.near.get("octets_received") or 0 for load in ran)
        planned = (self.recipe.udp_s > 0) + (self.recipe.tcp_s > 0) + (self.recipe.single_s > 0 and direction == "down")
        return min(1e12, (allowed - used) / max(1, planned - len(ran)))

    async def _load(self, contact: Contact, seen: LoadSeen) -> None:
        """Run one load: prepare it while the queue of the last one drains, then from its start to its result."""
        phase = _PHASE_OF[seen.direction]
        octets = self._octets_left(seen.direction)
        if octets < 20_000:
            self.seen.facts[f"skipped_{seen.direction}"] = "the megabytes allowed are used up"
            return
        (worker, grant, connected), _ = await asyncio.gather(self._prepare(contact, seen, octets, phase), self._until_empty())
        if connected["type"] != "connected" or not connected["streams"]:
            await self._could_not_open(contact, seen, grant, phase)
            return
        await self._tell("phase", phase, "loading the downlink" if seen.direction == "down" else "loading the uplink")
        self.seen.loads.append(seen)
        seen.streams = connected["streams"]
        seen.near = {"cc": connected.get("cc"), "octets_received": 0}
        await self._drive(contact, worker, seen, grant["load"])
        if self._delay is not None:
            self._delay.send({"type": "rate", "pps": self.recipe.probes_per_s})
        await worker.close()
        if seen.kind == "tcp" and not seen.small_segments and await self._is_black_hole(contact, seen):
            self.seen.loads.remove(seen)
            await self._load(contact, LoadSeen(direction=seen.direction, kind="tcp", streams=seen.streams, seconds=seen.seconds, small_segments=True))
            return
        self._check(contact, seen, phase)

    async def _prepare(self, contact: Contact, seen: LoadSeen, octets: float, phase: Phase) -> tuple[Worker, dict[str, Any], dict[str, Any]]:
        """Have a load granted and its connections opened; return its process, the grant, and what the process said."""
        grant = await self._grant(contact, seen, octets, phase)
        worker = await self._worker()
        worker.give(seen.kind, **self._job(contact, seen, grant))
        try:
            async with asyncio.timeout(self.timeouts.start_s + 2):
                return worker, grant, await worker.message()
        except (TimeoutError, WorkerDied):
            return worker, grant, {"type": "fault"}

    async def _grant(self, contact: Contact, seen: LoadSeen, octets: float, phase: Phase) -> dict[str, Any]:
        """Ask for a load. Raises PathFault where the far end will not, or does not answer."""
        expected = self.plan.expected_down_mbps if seen.direction == "down" else self.plan.expected_up_mbps
        asked = {
            "type": "load",
            "kind": seen.kind,
            "direction": seen.direction,
            "streams": seen.streams,
            "cc": self.congestion_control,
            "seconds": seen.seconds,
            "max_octets": octets,
            "start_mbps": expected or 0.0,
            "enough_s": self.recipe.udp_enough_s,
        }
        try:
            reply = await self._asked_again(contact, asked)
        except (OSError, EOFError) as error:
            raise fault_from(error, phase=phase, where=self.address) from None
        if reply["type"] != "ready":
            raise PathFault(Phase.FAR_END, str(reply.get("reason", "The far end would not load the line.")), outcome=Outcome.VOID)
        return reply

    async def _asked_again(self, contact: Contact, request: dict[str, Any]) -> dict[str, Any]:
        """Return the reply to a request; where the connection turns out to be lost, over a new one."""
        try:
            return await contact.request(request, timeout_s=self.timeouts.start_s)
        except (EOFError, ConnectionError):
            await self._reconnect(contact)
        return await contact.request(request, timeout_s=self.timeouts.start_s)

    def _job(self, contact: Contact, seen: LoadSeen, grant: dict[str, Any]) -> dict[str, Any]:
        """Return what the near end's load process is told."""
        key = wire.derive(contact.session_key, f"load {grant['load']}")
        expected = self.plan.expected_down_mbps if seen.direction == "down" else self.plan.expected_up_mbps
        common = {
            "side": "near",
            "sends": seen.direction == "up",
            "address": contact.address.sockaddr,
            "family": contact.address.family,
            "streams": seen.streams,
            "seconds": seen.seconds,
            "max_octets": grant["max_octets"],
            "stall_s": self.timeouts.stall_s,
            "start_s": self.timeouts.start_s,
            "interface": self.plan.interface,
            "source_address": self.plan.source_address,
        }
        if seen.kind == "tcp":
            openings = [wire.pack_opening(bytes.fromhex(tag), key).hex() for tag in grant["tags"]]
            return {
                **common,
                "openings": openings,
                "cc": self.congestion_control,
                "max_mbps": grant["max_mbps"],
                "max_segment": sockets.SMALL_SEGMENT if seen.small_segments else None,
            }
        return {
            **common,
            "key": key.hex(),
            "tag": grant["tags"][0],
            "payload": grant["payload"],
            "start_mbps": expected or 0.0,
            "enough_s": self.recipe.udp_enough_s,
            "max_mbps": grant["max_mbps"],
        }

    async def _could_not_open(self, contact: Contact, seen: LoadSeen, grant: dict[str, Any], phase: Phase) -> None:
        """Control answers and a load cannot begin: UDP that does not pass is noted, where TCP says the rest; else it is a fault."""
        with contextlib.suppress(OSError, EOFError):
            await contact.channel.send({"type": "stop", "load": grant["load"]})
        if seen.kind == "udp" and self.recipe.tcp_s:
            self.seen.facts[f"udp_{seen.direction}"] = "UDP loads do not pass"
            await self._result(contact, grant["load"])
            return
        raise PathFault(phase, f"{self.address} answers, but no connection for the load could be opened.")

    async def _drive(self, contact: Contact, worker: Worker, seen: LoadSeen, number: int) -> None:
        """Start both ends, follow the load to its end, and fetch the far end's half."""
        if seen.direction == "down":
            worker.send({"type": "go"})
        with contextlib.suppress(OSError, EOFError):
            await contact.channel.send({"type": "go", "load": number})
        if seen.direction == "up":
            worker.send({"type": "go"})
        seen.from_ns = time.monotonic_ns()
        ours = asyncio.ensure_future(self._follow(worker, seen))
        theirs = asyncio.ensure_future(self._result(contact, number))
        await asyncio.wait({ours, theirs}, timeout=seen.seconds + self.timeouts.stall_s + 4, return_when=asyncio.FIRST_COMPLETED)
        if not ours.done():
            worker.send({"type": "stop"})  # the far end has said all: nothing more will come
            await asyncio.wait({ours}, timeout=4)
        if not ours.done():
            ours.cancel()
            seen.near["ended"] = "near end"
        await asyncio.gather(ours, return_exceptions=True)
        seen.to_ns = time.monotonic_ns()
        if not theirs.done():
            with contextlib.suppress(OSError, EOFError):
                await contact.channel.send({"type": "stop", "load": number})
            await asyncio.wait({theirs}, timeout=self.timeouts.result_s)
        if not theirs.done():
            theirs.cancel()
            self.seen.facts["far_half_missing"] = True
        await asyncio.gather(theirs, return_exceptions=True)
        if contact.lost.is_set() and seen.far is None:
            seen.far = await self._come_back(contact, number)
        elif not theirs.cancelled():
            seen.far = theirs.result()

    async def _follow(self, worker: Worker, seen: LoadSeen) -> None:
        """Take in what the near end's load process says, until it is done."""
        phase = _PHASE_OF[seen.direction]
        samples: list[Any] = []
        try:
            while True:
                message = await worker.message()
                if message["type"] == "done":
                    seen.near |= message
                    return
                if message["type"] == "sample":
                    samples.append((message["at_ns"], message["octets"]))
                    seen.near["samples"] = samples
                    if len(samples) == 4:
                        self._scale_probes((samples[3][1] - samples[1][1]) * 8e3 / (samples[3][0] - samples[1][0]))
                    if len(samples) >= 2:
                        (t0, o0), (t1, o1) = samples[-2:]
                        await self._tell("sample", phase, quantity=f"goodput_{seen.direction}_mbps", value=(o1 - o0) * 8e3 / (t1 - t0))
        except WorkerDied:
            seen.near["ended"] = "near end"

    def _scale_probes(self, rate_mbps: float) -> None:
        """Keep the delay packets below 1 % of the line, but at least PROBES_AT_LEAST a second."""
        if self._delay is not None:
            wanted = 0.01 * rate_mbps * 1e6 / PROBE_BITS
            self._delay.send({"type": "rate", "pps": min(self.recipe.probes_per_s, max(PROBES_AT_LEAST, wanted))})

    async def _result(self, contact: Contact, number: int) -> dict[str, Any] | None:
        """Return the far end's half of a load; None where the connection is lost first."""
        while True:
            message = await contact.events.get()
            if message["type"] == "lost":
                return None
            if message["type"] == "result" and message.get("load") == number:
                return message

    async def _come_back(self, contact: Contact, number: int) -> dict[str, Any] | None:
        """Take the session up again, and ask for the far end's half of a load."""
        await self._reconnect(contact)
        reply = await contact.request({"type": "result?", "load": number}, timeout_s=self.timeouts.result_s)
        return reply if reply["type"] == "result" else None

    async def _reconnect(self, contact: Contact) -> None:
        """Take the session up again after its connection was lost, e.g. because an address translator forgot it.

        Raises PathFault: the far end's, where it is gone or was started anew; else that of the phase in which the way back ended.
        """
        again = await open_contact(
            self.pairing,
            address=self.address,
            timeouts=self.timeouts,
            way_out=self._way_out,
            look_up=self.look_up,
            remembered=[contact.address],
            resume=contact.welcome["session"],
        )
        contact.go_on_with(again)
        if again.welcome["boot"] != contact.welcome["boot"] or not again.welcome.get("resumed"):
            raise PathFault(Phase.FAR_END, "The far end was started anew during the measurement.", outcome=Outcome.VOID)
        self.seen.facts["reconnected"] = True

    async def _is_black_hole(self, contact: Contact, seen: LoadSeen) -> bool:
        """Whether small messages pass while large ones do not: control is alive, and not two segments of each stream came through."""
        if seen.direction == "down" and (seen.near.get("octets_received") or 0) >= 3000:
            return False
        if seen.direction == "up" and (seen.near.get("octets_delivered") or 0) > 3000 * seen.streams:
            return False
        try:
            await contact.request({"type": "result?", "load": 0}, timeout_s=self.timeouts.start_s)
        except (OSError, EOFError):
            return False
        self.seen.facts["mtu_black_hole"] = True
        if self._delay is not None:
            self._delay.send({"type": "sizes", "octets": [*MTUS, *MTUS]})
            await asyncio.sleep(0.15 + 2e-3 * self._idle_rtt_ms())
        return True

    def _check(self, contact: Contact, seen: LoadSeen, phase: Phase) -> None:
        """Raise the fault of a load that did not run its course."""
        ended = {seen.near.get("ended"), (seen.far or {}).get("ended")}
        if (seen.far or {}).get("ended") == "far end":
            raise PathFault(Phase.FAR_END, "The far end's load process failed.", outcome=Outcome.VOID)
        if "near end" in ended:
            raise PathFault(Phase.NEAR_END, "This computer's load process did not end as it should.")
        if "no feedback" in ended and capacity_of(trace_of(seen)) is None:
            raise PathFault(phase, "The path died in transfer: what arrived was no longer reported for 300 ms. What was measured until then is kept.")
        if "stalled" in ended:
            alive = "" if contact.lost.is_set() else " The control connection still stood."
            raise PathFault(phase, f"The path died in transfer: nothing passed for {self.timeouts.stall_s:g} s.{alive} What was measured until then is kept.")

    async def _responsiveness(self, contact: Contact, interval_s: float) -> None:
        """Measure round trips per minute, where the far end is open for that; what stands against it is kept as the reason."""
        try:
            reply = await contact.request({"type": "responsiveness"}, timeout_s=self.timeouts.start_s)
        except (OSError, EOFError):
            reply = {}
        octets = self._octets_left("down")
        if "path" not in reply or octets < 1e6:
            self.seen.responsiveness = {"fault": reply.get("reason", "the far end did not answer") if octets >= 1e6 else "the megabytes allowed are used up"}
            return
        await self._until_empty()
        await self._tell("phase", Phase.DOWNLINK, "responsiveness under load")
        worker = await self._worker()
        worker.give(
            "responsiveness",
            address=contact.address.sockaddr,
            family=contact.address.family,
            host="far-end.invalid",
            certificate_sha256=contact.pairing.certificate_sha256.hex(),
            large=reply["path"] + "/large",
            small=reply["path"] + "/small",
            interval_s=interval_s,
            max_seconds=2 * RESPONSIVENESS_INTERVALS * interval_s,
            max_octets=octets,
            interface=self.plan.interface,
            source_address=self.plan.source_address,
        )
        try:
            async with asyncio.timeout(2 * RESPONSIVENESS_INTERVALS * interval_s + 15):
                while True:
                    message = await worker.message()
                    if message["type"] == "done":
                        self.seen.responsiveness = message | {"interval_s": interval_s}
                        return
                    if message["type"] == "fault":
                        self.seen.responsiveness = {"fault": message["text"]}
                        return
        except (TimeoutError, WorkerDied):
            self.seen.responsiveness = {"fault": "it did not end in time"}
        finally:
            await worker.close()

    # ---- end

    async def _finish(self, contact: Contact) -> None:
        await self._tell("phase", Phase.RESULT, "fetching what the far end saw")
        if self._delay is not None:
            self._delay.send({"type": "stop"})
        if self._hop is not None:
            self._hop.send({"type": "stop"})
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(1.5):
                await asyncio.gather(*self._tasks)
        self.seen.after = NearSide.look(self.seen.interface)
        with contextlib.suppress(OSError, EOFError):
            reply = await contact.request({"type": "delay_end"}, timeout_s=self.timeouts.result_s)
            self.seen.facts["reflector_answered"] = reply.get("answered")

    async def _clear_up(self) -> None:
        """Let go of everything, whatever happened; what the delay stream saw until now is fetched first."""
        if self._delay is not None and not self._delay_done.is_set():
            self._delay.send({"type": "stop"})
            if self._hop is not None:
                self._hop.send({"type": "stop"})
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(1.0):
                    await asyncio.gather(*self._tasks, return_exceptions=True)
        if self.seen.after is None:
            self.seen.after = NearSide.look(self.seen.interface)
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._spare is not None:
            with contextlib.suppress(OSError):
                self._workers.append(await self._spare)
        await asyncio.gather(*(w.close() for w in self._workers))
        contact = self.seen.contact
        if contact is not None:
            with contextlib.suppress(OSError, EOFError):
                await contact.channel.send({"type": "bye"})
            await contact.close()

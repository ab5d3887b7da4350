"""The loads of one measurement: granted and opened early, begun one after the other, followed to their ends, and fetched from both ends.

The first two are asked for with the proof itself and opened while the idle delay is sampled, so that a short measurement does not
spend its time on round trips; the others as their turn comes.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from bandwright.probe import sockets, wire
from bandwright.probe.contact import Contact
from bandwright.probe.delaying import Delaying
from bandwright.probe.errand import Errand
from bandwright.probe.outcome import PathFault, fault_from
from bandwright.probe.recipe import split_megabytes
from bandwright.probe.search import capacity_of
from bandwright.probe.seen import LoadSeen, trace_of
from bandwright.probe.workers import Worker, WorkerDied
from bandwright.words.measurement import Outcome, Phase

__all__ = ["AT_ONCE", "Loading"]

AT_ONCE = 2  # loads that may be granted and not yet ended
_LEAST_OCTETS = 20_000
_SHORTEST_S = 0.5  # of a load, however late it is
_TAIL_S, _TAIL_TRIPS = 0.1, 1.5  # after a load: its queue drains, and the far end's half comes
_WAIT_S = 45.0  # how long opened connections wait for their turn

_PHASE_OF = {"down": Phase.DOWNLINK, "up": Phase.UPLINK}
_Prepared = tuple[Worker, dict[str, Any], dict[str, Any]]  # the process, the grant, and what the process said of its connections


@dataclass(slots=True)
class Loading:
    """Runs the loads that the recipe asks for."""

    errand: Errand
    delaying: Delaying
    more_follows: bool = False  # the delay stream goes on after the last load
    planned: list[LoadSeen] = field(default_factory=list)
    _early: dict[int, asyncio.Task[_Prepared]] = field(default_factory=dict)  # by index of planned

    def __post_init__(self) -> None:
        """Plan the loads, in their order."""
        r, plan = self.errand.recipe, self.errand.plan
        for direction, wanted in (("down", plan.downlink), ("up", plan.uplink)):
            if wanted and r.udp_s:
                self.planned.append(LoadSeen(direction=direction, kind="udp", streams=1, seconds=r.udp_s))
            if wanted and r.tcp_s:
                self.planned.append(LoadSeen(direction=direction, kind="tcp", streams=plan.streams, seconds=r.tcp_s))
            if wanted and r.single_s and direction == "down":
                self.planned.append(LoadSeen(direction=direction, kind="tcp", streams=1, seconds=r.single_s))

    # ---- early

    def asked_early(self) -> list[dict[str, Any]]:
        """Return the requests that are sent with the proof."""
        return [self._request(load, self.octets_left(load.direction)) for load in self._first_two()]

    def prepare_early(self, contact: Contact, replies: Sequence[asyncio.Future[dict[str, Any]]]) -> None:
        """Open what was asked for with the proof. replies: to `asked_early`, in its order."""
        for i, (load, reply) in enumerate(zip(self._first_two(), replies, strict=True)):
            octets = self.octets_left(load.direction)
            self._early[i] = asyncio.get_running_loop().create_task(self._prepare(contact, load, octets, first=reply))

    def _first_two(self) -> list[LoadSeen]:
        return [load for load in self.planned[:AT_ONCE] if self.octets_left(load.direction) >= _LEAST_OCTETS]

    async def drop(self) -> None:
        """Let go of what was opened and not used."""
        for task in self._early.values():
            task.cancel()
        await asyncio.gather(*self._early.values(), return_exceptions=True)
        self._early.clear()

    # ---- limits

    def octets_left(self, direction: str) -> float:
        """Return what a direction's next load may take: an even part of what is left where several are still to come."""
        down_mb, up_mb = split_megabytes(self.errand.plan)
        allowed = (down_mb if direction == "down" else up_mb) * 1e6
        ran = [load for load in self.errand.seen.loads if load.direction == direction]
        used = sum((load.sender or {}).get("octets_sent", 0) or load.near.get("octets_received") or 0 for load in ran)
        planned = sum(load.direction == direction for load in self.planned)
        return min(1e12, (allowed - used) / max(1, planned - len(ran)))

    def _seconds(self, load: LoadSeen, still_to_come: int) -> float:
        """Return how long a load may go on, so that the whole measurement keeps its time."""
        total_s = self.errand.recipe.total_s
        if not total_s or load.kind == "udp":
            return load.seconds
        tail_s = _TAIL_S + _TAIL_TRIPS * self.delaying.idle_ms() * 1e-3
        left_s = self.errand.began_s + total_s - time.monotonic() - still_to_come * tail_s
        return max(min(_SHORTEST_S, load.seconds), min(load.seconds, left_s / still_to_come))

    # ---- one after the other

    async def run(self, contact: Contact) -> None:
        """Run all. Raises PathFault; what was seen stays."""
        for i, load in enumerate(self.planned):
            octets = self.octets_left(load.direction)
            if octets < _LEAST_OCTETS:
                self.errand.seen.facts[f"skipped_{load.direction}"] = "the megabytes allowed are used up"
                continue
            early = self._early.pop(i, None)
            preparing = early or asyncio.get_running_loop().create_task(self._prepare(contact, load, octets))
            await self._load(contact, load, preparing, still_to_come=len(self.planned) - i, is_early=early is not None)

    async def _load(self, contact: Contact, load: LoadSeen, preparing: asyncio.Task[_Prepared], *, still_to_come: int, is_early: bool) -> None:
        """Run one load: prepared while the queue of the last one drains, then from its start to its result."""
        phase = _PHASE_OF[load.direction]
        (worker, grant, connected), _ = await asyncio.gather(preparing, self.delaying.until_empty())
        if connected["type"] != "connected" or not connected["streams"]:
            await self._could_not_open(contact, load, grant, phase)
            return
        await self.errand.tell("phase", phase, "loading the downlink" if load.direction == "down" else "loading the uplink")
        self.errand.seen.loads.append(load)
        load.streams = connected["streams"]
        load.near = {"cc": connected.get("cc"), "octets_received": 0}
        await self._drive(contact, worker, load, grant["load"], seconds=self._seconds(load, still_to_come), is_last=still_to_come == 1 and not self.more_follows)
        if load.kind == "tcp" and not _passed(load) and (again := await self._once_more(contact, load, is_early=is_early)) is not None:
            self.errand.seen.loads.remove(load)
            preparing = asyncio.get_running_loop().create_task(self._prepare(contact, again, self.octets_left(load.direction)))
            await self._load(contact, again, preparing, still_to_come=still_to_come, is_early=False)
            return
        if still_to_come > 1 or self.more_follows:
            self.delaying.full_pace()
        self._check(contact, load, phase)

    async def _once_more(self, contact: Contact, load: LoadSeen, *, is_early: bool) -> LoadSeen | None:
        """Return what to try instead of a load by which nothing passed, or None.

        Where control answers, large packets vanish: smaller ones are tried. Where it does not, and the connections had waited, an
        address translator may have forgotten them all: the session is taken up again, and the load opened anew.
        """
        anew = LoadSeen(direction=load.direction, kind="tcp", streams=load.streams, seconds=load.seconds, small_segments=load.small_segments)
        try:
            await contact.request({"type": "result?", "load": 0}, timeout_s=self.errand.timeouts.start_s)
        except (OSError, EOFError):
            if not is_early:
                return None
            with contextlib.suppress(OSError, EOFError, PathFault):
                await self.errand.reconnect(contact)
                return anew
            return None
        if load.small_segments:
            return None
        self.errand.seen.facts["mtu_black_hole"] = True
        await self.delaying.ask_sizes()
        anew.small_segments = True
        return anew

    # ---- opening

    async def _prepare(self, contact: Contact, load: LoadSeen, octets: float, *, first: asyncio.Future[dict[str, Any]] | None = None) -> _Prepared:
        """Have a load granted and its connections opened. Raises PathFault, OSError."""
        grant = await self._grant(contact, load, octets, first)
        worker = await self.errand.worker()
        worker.give(load.kind, **self._job(contact, load, grant))
        try:
            async with asyncio.timeout(self.errand.timeouts.start_s + 2):
                return worker, grant, await worker.message()
        except (TimeoutError, WorkerDied):
            return worker, grant, {"type": "fault"}

    def _request(self, load: LoadSeen, octets: float) -> dict[str, Any]:
        plan, recipe = self.errand.plan, self.errand.recipe
        return {
            "type": "load",
            "kind": load.kind,
            "direction": load.direction,
            "streams": load.streams,
            "cc": self.errand.congestion_control,
            "seconds": load.seconds,
            "max_octets": octets,
            "start_mbps": (plan.expected_down_mbps if load.direction == "down" else plan.expected_up_mbps) or 0.0,
            "enough_s": recipe.udp_enough_s if load.kind == "udp" else recipe.tcp_worth_s if load.streams > 1 else 0.0,
        }

    async def _grant(self, contact: Contact, load: LoadSeen, octets: float, first: asyncio.Future[dict[str, Any]] | None) -> dict[str, Any]:
        """Ask for a load. Raises PathFault where the far end will not, or does not answer."""
        try:
            reply = await self.errand.ask(contact, self._request(load, octets), first=first)
        except (OSError, EOFError) as error:
            raise fault_from(error, phase=_PHASE_OF[load.direction], where=self.errand.address) from None
        if reply["type"] != "ready":
            raise PathFault(Phase.FAR_END, str(reply.get("reason", "The far end would not load the line.")), outcome=Outcome.VOID)
        return reply

    def _job(self, contact: Contact, load: LoadSeen, grant: dict[str, Any]) -> dict[str, Any]:
        """Return what the near end's load process is told."""
        key = wire.derive(contact.session_key, f"load {grant['load']}")
        asked = self._request(load, grant["max_octets"])
        common = {
            "side": "near",
            "sends": load.direction == "up",
            "address": contact.address.sockaddr,
            "family": contact.address.family,
            "streams": load.streams,
            "seconds": load.seconds,
            "max_octets": grant["max_octets"],
            "max_mbps": grant["max_mbps"],
            "enough_s": asked["enough_s"],
            "stall_s": self.errand.timeouts.stall_s,
            "start_s": self.errand.timeouts.start_s,
            "wait_s": _WAIT_S,
            **self.errand.way,
        }
        if load.kind == "udp":
            return {**common, "key": key.hex(), "tag": grant["tags"][0], "payload": grant["payload"], "start_mbps": asked["start_mbps"]}
        openings = [wire.pack_opening(bytes.fromhex(tag), key).hex() for tag in grant["tags"]]
        small = sockets.SMALL_SEGMENT if load.small_segments else None
        return {**common, "openings": openings, "cc": self.errand.congestion_control, "max_segment": small}

    async def _could_not_open(self, contact: Contact, load: LoadSeen, grant: dict[str, Any], phase: Phase) -> None:
        """Control answers and a load cannot begin: UDP that does not pass is noted, where TCP says the rest; else it is a fault."""
        with contextlib.suppress(OSError, EOFError):
            await contact.channel.send({"type": "stop", "load": grant["load"]})
        if load.kind == "udp" and self.errand.recipe.tcp_s:
            self.errand.seen.facts[f"udp_{load.direction}"] = "UDP loads do not pass"
            await _result(contact, grant["load"])
            return
        raise PathFault(phase, f"{self.errand.address} answers, but no connection for the load could be opened.")

    # ---- under way

    async def _drive(self, contact: Contact, worker: Worker, load: LoadSeen, number: int, *, seconds: float, is_last: bool) -> None:
        """Start both ends, follow the load to its end, and fetch the far end's half."""
        go = {"type": "go", "seconds": seconds}
        if load.direction == "down":
            worker.send(go)
        with contextlib.suppress(OSError, EOFError):
            await contact.channel.send({**go, "load": number})
        if load.direction == "up":
            worker.send(go)
        load.from_ns = time.monotonic_ns()
        ours = asyncio.ensure_future(self._follow(worker, load))
        theirs = asyncio.ensure_future(_result(contact, number))
        await asyncio.wait({ours, theirs}, timeout=seconds + self.errand.timeouts.stall_s + 4, return_when=asyncio.FIRST_COMPLETED)
        if not ours.done():
            worker.send({"type": "stop"})  # the far end has said all: nothing more will come
            await asyncio.wait({ours}, timeout=4)
        if not ours.done():
            ours.cancel()
            load.near["ended"] = "near end"
        await asyncio.gather(ours, return_exceptions=True)
        load.to_ns = time.monotonic_ns()
        if is_last and (load.near.get("octets_received") or load.near.get("octets_delivered") or 0) > 3000 * load.streams:
            self.delaying.hold()
        if not theirs.done():
            with contextlib.suppress(OSError, EOFError):
                await contact.channel.send({"type": "stop", "load": number})
            await asyncio.wait({theirs}, timeout=self.errand.timeouts.result_s)
        if not theirs.done():
            theirs.cancel()
            self.errand.seen.facts["far_half_missing"] = True
        await asyncio.gather(theirs, return_exceptions=True)
        if contact.lost.is_set() and load.far is None:
            load.far = await self._come_back(contact, number)
        elif not theirs.cancelled():
            load.far = theirs.result()

    async def _follow(self, worker: Worker, load: LoadSeen) -> None:
        """Take in what the near end's load process says, until it is done."""
        phase = _PHASE_OF[load.direction]
        samples: list[Any] = []
        try:
            while True:
                message = await worker.message()
                if message["type"] == "done":
                    load.near |= message
                    return
                if message["type"] == "sample":
                    samples.append((message["at_ns"], message["octets"]))
                    load.near["samples"] = samples
                    if len(samples) == 4:
                        self.delaying.scale((samples[3][1] - samples[1][1]) * 8e3 / (samples[3][0] - samples[1][0]))
                    if len(samples) >= 2:
                        (t0, o0), (t1, o1) = samples[-2:]
                        await self.errand.tell("sample", phase, quantity=f"goodput_{load.direction}_mbps", value=(o1 - o0) * 8e3 / (t1 - t0))
        except WorkerDied:
            load.near["ended"] = "near end"

    async def _come_back(self, contact: Contact, number: int) -> dict[str, Any] | None:
        """Take the session up again, and ask for the far end's half of a load."""
        await self.errand.reconnect(contact)
        reply = await contact.request({"type": "result?", "load": number}, timeout_s=self.errand.timeouts.result_s)
        return reply if reply["type"] == "result" else None

    def _check(self, contact: Contact, load: LoadSeen, phase: Phase) -> None:
        """Raise the fault of a load that did not run its course."""
        ended = {load.near.get("ended"), (load.far or {}).get("ended")}
        if (load.far or {}).get("ended") == "far end":
            raise PathFault(Phase.FAR_END, "The far end's load process failed.", outcome=Outcome.VOID)
        if "near end" in ended:
            raise PathFault(Phase.NEAR_END, "This computer's load process did not end as it should.")
        if "no feedback" in ended and capacity_of(trace_of(load)) is None:
            raise PathFault(phase, "The path died in transfer: what arrived was no longer reported for 300 ms. What was measured until then is kept.")
        if "stalled" in ended:
            alive = "" if contact.lost.is_set() else " The control connection still stood."
            stall_s = self.errand.timeouts.stall_s
            raise PathFault(phase, f"The path died in transfer: nothing passed for {stall_s:g} s.{alive} What was measured until then is kept.")


def _passed(load: LoadSeen) -> bool:
    """Whether more than two segments of each stream came through."""
    if load.direction == "down":
        return (load.near.get("octets_received") or 0) >= 3000
    return max(load.near.get("octets_delivered") or 0, (load.far or {}).get("octets_received") or 0) > 3000 * load.streams


async def _result(contact: Contact, number: int) -> dict[str, Any] | None:
    """Return the far end's half of a load; None where the connection is lost first."""
    while True:
        message = await contact.events.get()
        if message["type"] == "lost":
            return None
        if message["type"] == "result" and message.get("load") == number:
            return message

"""What a far end does for near ends that proved themselves: sessions, turns, delay, loads, and what all of it costs.

One test runs at a time, the others wait: tests side by side would measure one another. Each load runs in a process of its own that
ends with its time, its octets or its near end.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
import secrets
import socket
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bandwright.errors import StoreError
from bandwright.probe import keys, wire
from bandwright.probe.asked import asked_load, bounded, load_number
from bandwright.probe.channel import Channel
from bandwright.probe.far_reflector import ReflectorLink
from bandwright.probe.limits import Limits, Refusal, granted_octets
from bandwright.probe.nq import Responder
from bandwright.probe.workers import Worker, WorkerDied

__all__ = ["Session", "Sessions"]

_log = logging.getLogger(__name__)
_AT_ONCE = 2  # loads of a session that are granted and not ended: one under way, one opened and waiting
_CONNECT_S, _WAIT_S = 12.0, 45.0  # how long a load's connections, and then its "go", are waited for


@dataclass(slots=True)
class _Load:
    """A load that was granted: its process, its tags not yet used, and what it said at its end."""

    number: int
    worker: Worker
    key: bytes
    tags: set[bytes]
    octets: float
    kind: str
    is_going: bool = False
    hand_over: socket.socket | None = None
    result: dict[str, Any] | None = None
    task: asyncio.Task[None] | None = None


@dataclass(slots=True)
class Session:
    """A near end that proved itself. It is known by its id, never by its address, and may come back on a new connection."""

    session_id: str
    key_id: str
    key: bytes
    ssid: int
    channel: Channel | None
    host: str
    loads: dict[int, _Load] = field(default_factory=dict)
    has_turn: bool = False
    path: str | None = None
    delay_on: bool = False
    ended: bool = False


class Sessions:
    """All sessions of a running far end. port: of its UDP loads; congestion_controls: those a near end may ask for."""

    def __init__(
        self,
        *,
        limits: Limits,
        carried: keys.Carried,
        reflector: ReflectorLink,
        responder: Responder | None,
        congestion_controls: tuple[str, ...],
        port: int,
        spawn: Callable[[Any], asyncio.Task[Any]],
    ) -> None:
        self._port = port
        self._limits, self._carried, self._reflector, self._responder = limits, carried, reflector, responder
        self._congestion_controls, self._spawn = congestion_controls, spawn
        self._boot = secrets.token_hex(8)
        self._turn = asyncio.Lock()
        self._waiting = 0
        self._sessions: dict[str, Session] = {}
        self._tags: dict[bytes, _Load] = {}
        self._spare: list[asyncio.Future[tuple[Worker, socket.socket, int]]] = []
        self._stopping = False

    def get_ready(self) -> None:
        """Start the processes of the next loads, so that they are up when asked for."""
        while len(self._spare) < _AT_ONCE:
            self._spare.append(asyncio.ensure_future(_worker_with_channel()))

    def is_known(self, host: str, *, with_path: bool = False) -> bool:
        """Whether a near end that proved itself calls from there (with a path for responsiveness opened)."""
        return any(s.host == host and (s.path is not None or not with_path) for s in self._sessions.values())

    def drop_connections(self) -> None:
        """Drop every control connection: the far end stops."""
        self._stopping = True
        for session in self._sessions.values():
            if session.channel is not None:
                session.channel.abort()

    async def stop(self) -> None:
        """End every session and every process that waits."""
        for session in list(self._sessions.values()):
            await self._end(session)
        for starting in self._spare:
            with contextlib.suppress(OSError):
                worker, ours, _ = await starting
                ours.close()
                await worker.close()

    def flow_opened(self, message: dict[str, Any]) -> None:
        """Hand a UDP flow whose address was proved to its load."""
        load = self._tags.pop(bytes.fromhex(message["tag"]), None)
        if load is not None:
            load.worker.send(message)

    async def welcome(self, channel: Channel, near_id: str, answer: dict[str, Any], host: str) -> Session:
        """Start a session, or take up one that lost its connection."""
        known = self._sessions.get(str(answer.get("resume")))
        if known is not None and known.key_id == near_id:
            if known.channel is not None:
                known.channel.abort()
            known.channel, known.host = channel, host
            session = known
        else:
            ssid = secrets.choice([n for n in (secrets.randbelow(65535) + 1 for _ in range(64)) if n not in {s.ssid for s in self._sessions.values()}])
            session = Session(secrets.token_hex(16), near_id, secrets.token_bytes(32), ssid, channel, host)
            self._sessions[session.session_id] = session
        now = datetime.now(UTC)
        await channel.send(
            {
                "type": "ok",
                "session": session.session_id,
                "session_key": session.key.hex(),
                "ssid": session.ssid,
                "boot": self._boot,
                "far_time": now.isoformat(),
                "waiting": self._waiting + self._turn.locked(),
                "resumed": session is known,
                "day_left_mb": max(0.0, self._limits.megabytes_per_day - self._today(now) / 1e6),
                "month_left_mb": max(0.0, self._limits.megabytes_per_month - self._this_month(now) / 1e6),
                "limits": {"load_seconds": self._limits.load_seconds, "load_mbps": self._limits.load_mbps, "streams": self._limits.streams},
                "facts": _own_facts(),
            }
        )
        return session

    # ---- after proof

    async def talk(self, session: Session, channel: Channel) -> None:
        """Do what a near end that proved itself asks, until it says bye, is silent for too long, or its connection is gone."""
        said_bye = False
        try:
            while not said_bye:
                message = await channel.receive(self._limits.idle_s)
                said_bye = message["type"] == "bye"
                await self._answer(session, channel, message)
        except (TimeoutError, OSError, EOFError, wire.WireError):
            pass
        except BaseException:  # whatever it is, the turn goes to the next
            await self._end(session)
            raise
        if session.channel is not channel:
            return  # it came back on another connection
        session.channel = None
        if said_bye:
            await self._end(session)
        else:
            self._spawn(self._end_later(session))

    async def _end_later(self, session: Session) -> None:
        await asyncio.sleep(10)
        if session.channel is None:
            await self._end(session)

    async def _answer(self, session: Session, channel: Channel, message: dict[str, Any]) -> None:
        kind = message["type"]
        reply: dict[str, Any]
        try:
            if kind == "begin":
                reply = await self._begin(session, channel)
            elif kind == "delay":
                reply = await self._delay(session, message)
            elif kind == "delay_end":
                reply = {"type": "delay_ended", **await self._reflector.tell("forget", ssid=session.ssid)} | {"type": "delay_ended"}
                session.delay_on = False
            elif kind == "responsiveness":
                reply = self._open_responsiveness(session)
            elif kind == "load":
                reply = await self._grant(session, message)
            elif kind in {"go", "stop"}:
                load = session.loads.get(load_number(message))
                if kind == "go" and any(other.is_going and other.result is None for other in session.loads.values()):
                    reply = {"type": "refused", "code": "one at a time", "reason": "Another load of this connection is under way."}
                elif load is not None:
                    if load.hand_over is not None:
                        load.hand_over.shutdown(socket.SHUT_RDWR)  # no more connections: its process goes on with those it has
                        load.hand_over.close()
                        load.hand_over = None
                    load.is_going = load.is_going or kind == "go"
                    seconds = bounded(message.get("seconds"), 0.05, self._limits.load_seconds)
                    left = {"max_octets": self._octets_left()} if kind == "go" else {}
                    load.worker.send({"type": kind, **left, **({"seconds": seconds} if seconds is not None else {})})
                    reply = {"type": "going" if kind == "go" else "stopping", "load": message.get("load")}
                else:
                    reply = {"type": "no load", "load": message.get("load")}
            elif kind == "result?":
                load = session.loads.get(load_number(message))
                reply = load.result if load is not None and load.result is not None else {"type": "no result", "load": message.get("load")}
            elif kind == "bye":
                reply = {"type": "bye"}
            else:
                reply = {"type": "refused", "code": "unknown", "reason": f"Version 1 has no {kind[:40]!r}."}
        except (OSError, WorkerDied, StoreError) as error:
            _log.warning("far end in trouble: %s", type(error).__name__)
            reply = {"type": "refused", "code": "far end", "reason": "The far end is in trouble itself."}
        if "id" in message:
            reply["id"] = message["id"]
        await channel.send(reply)

    async def _begin(self, session: Session, channel: Channel) -> dict[str, Any]:
        """Give the session its turn: one test at a time."""
        if session.has_turn:
            return {"type": "begun"}
        if self._turn.locked():
            await channel.send({"type": "queued", "ahead": self._waiting + 1})
        self._waiting += 1
        try:
            async with asyncio.timeout(self._limits.queue_s):
                await self._turn.acquire()
        except TimeoutError:
            return {"type": "refused", "code": "busy", "reason": "The far end was busy with other tests for too long."}
        finally:
            self._waiting -= 1
        session.has_turn = True
        return {"type": "begun"}

    async def _delay(self, session: Session, message: dict[str, Any]) -> dict[str, Any]:
        pps, seconds = bounded(message.get("pps"), 0.1, self._limits.probes_per_s), bounded(message.get("seconds"), 0.1, 4 * self._limits.load_seconds)
        if pps is None or seconds is None or not session.has_turn:
            return {"type": "refused", "code": "limits", "reason": "That many delay packets are not allowed, or another connection has the turn."}
        await self._reflector.tell("session", ssid=session.ssid, key=wire.derive(session.key, "stamp").hex(), packets=int(pps * seconds * 1.2) + 100)
        session.delay_on = True
        return {"type": "delay_ready", "ssid": session.ssid}

    async def _grant(self, session: Session, message: dict[str, Any]) -> dict[str, Any]:
        """Start the process of a load and return the tags with which its connections must open."""
        asked = asked_load(message, self._limits)
        if isinstance(asked, Refusal) or not session.has_turn:
            refusal = asked if isinstance(asked, Refusal) else Refusal("turn", "It is another measurement's turn.")
            return {"type": "refused", "code": refusal.code, "reason": refusal.reason}
        now = datetime.now(UTC)
        octets = granted_octets(asked["max_octets"], limits=self._limits, day_octets=self._today(now), month_octets=self._this_month(now))
        if isinstance(octets, Refusal):
            return {"type": "refused", "code": octets.code, "reason": octets.reason}
        if sum(load.result is None for load in session.loads.values()) >= _AT_ONCE:
            return {"type": "refused", "code": "one at a time", "reason": f"This connection has {_AT_ONCE} loads that have not ended."}
        number = len(session.loads) + 1
        key = wire.derive(session.key, f"load {number}")
        kind, streams = asked["kind"], asked["streams"] if asked["kind"] == "tcp" else 1
        tags = [secrets.token_bytes(16) for _ in range(streams)]
        sends = asked["direction"] == "down"
        common = {
            "side": "far",
            "sends": sends,
            "streams": streams,
            "seconds": asked["seconds"],
            "max_octets": octets,
            "max_mbps": asked["max_mbps"],
            "stall_s": 3.0,
            "start_s": _CONNECT_S,
            "wait_s": _WAIT_S,
            "enough_s": asked["enough_s"],
            "cc": asked["cc"] if asked["cc"] in self._congestion_controls else None,
        }
        worker, ours, channel = await self._worker()
        load = _Load(number, worker, key, set(tags), octets, kind, hand_over=ours)
        if kind == "tcp":
            worker.give("tcp", channel=channel, **common)
        else:
            worker.give(
                "udp",
                port=self._port,
                key=key.hex(),
                tag=tags[0].hex(),
                start_mbps=asked["start_mbps"],
                payload=asked["payload"],
                **common,
            )
            await self._reflector.tell("expect", tag=tags[0].hex(), key=key.hex())
        session.loads[number] = load
        for tag in tags:
            self._tags[tag] = load
        load.task = self._spawn(self._follow(session, load))
        return {
            "type": "ready",
            "load": number,
            "tags": [t.hex() for t in tags],
            "max_octets": octets,
            "max_mbps": asked["max_mbps"],
            "payload": asked["payload"],
        }

    def _today(self, now: datetime) -> int:
        return self._carried.octets(f"{now:%Y-%m-%d}")

    def _this_month(self, now: datetime) -> int:
        return self._carried.octets(f"{now:%Y-%m}")

    def _octets_left(self) -> float:
        """Return what the budgets leave now: a load was granted before the one ahead of it had taken its part."""
        now = datetime.now(UTC)
        left = granted_octets(1e15, limits=self._limits, day_octets=self._today(now), month_octets=self._this_month(now))
        return 0.0 if isinstance(left, Refusal) else left

    def _open_responsiveness(self, session: Session) -> dict[str, Any]:
        if self._responder is None or not session.has_turn:
            return {
                "type": "refused",
                "code": "responsiveness",
                "reason": "The far end's owner has not opened it for responsiveness, or another connection has the turn.",
            }
        session.path = session.path or self._responder.open_path()
        return {"type": "responsiveness_ready", "path": session.path}

    async def _worker(self) -> tuple[Worker, socket.socket, int]:
        """Return a process that is up already, and start the next: the process, our end of its channel, and its end's number there."""
        self.get_ready()
        out = await self._spare.pop(0)
        self.get_ready()
        return out

    async def load_connection(self, conn: socket.socket) -> None:
        """Hand a load connection with a right, unused tag to its load's process; drop any other."""
        loop = asyncio.get_running_loop()
        data = b""
        while len(data) < wire.OPENING_OCTETS:
            more = await loop.sock_recv(conn, wire.OPENING_OCTETS - len(data))
            if not more:
                return
            data += more
        tag, signed, mac = wire.parse_opening(data)
        load = self._tags.get(tag)
        if load is None or load.hand_over is None or not hmac.compare_digest(hmac.digest(load.key, signed, "sha256")[:16], mac):
            return
        del self._tags[tag]
        load.tags.discard(tag)
        conn.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        socket.send_fds(load.hand_over, [b"c"], [conn.fileno()])

    async def _follow(self, session: Session, load: _Load) -> None:
        """Pass on what a load says, and keep its result until the session ends."""
        result: dict[str, Any] = {"type": "result", "load": load.number, "ended": "far end"}  # what is said where its process fails
        octets = 0.0
        last_said = 0.0
        try:
            async with asyncio.timeout(_WAIT_S + self._limits.load_seconds + 20):
                while True:
                    message = await load.worker.message()
                    if message["type"] == "done":
                        result = {**message, "type": "result", "load": load.number, "samples": _thin(message["samples"])}
                        break
                    if message["type"] == "connected":
                        await self._say(session, {**message, "load": load.number})
                    octets = message.get("octets", octets)
                    if message["type"] == "sample" and time.monotonic() - last_said >= 0.25:
                        last_said = time.monotonic()
                        await self._say(session, {"type": "progress", "load": load.number, "octets": message["octets"]})
        except (WorkerDied, TimeoutError):
            pass
        finally:
            for tag in load.tags:
                if self._tags.pop(tag, None) is not None and load.kind == "udp" and not self._stopping:
                    with contextlib.suppress(TimeoutError):
                        await self._reflector.tell("unexpect", tag=tag.hex())
            if load.hand_over is not None:
                load.hand_over.close()
            load.result = result
            self._count(session, load, octets)
            await load.worker.close()
        await self._say(session, result)

    def _count(self, session: Session, load: _Load, octets: float) -> None:
        said = load.result or {}
        self._carried.add(session.key_id, int(said.get("octets_sent") or said.get("octets_received") or octets), datetime.now(UTC))

    async def _say(self, session: Session, message: dict[str, Any]) -> None:
        if session.channel is not None:
            with contextlib.suppress(OSError, wire.WireError):
                await session.channel.send(message)

    async def _end(self, session: Session) -> None:
        """End what a session holds, and give the turn to the next."""
        if session.ended:
            return
        session.ended = True
        self._sessions.pop(session.session_id, None)
        if session.path is not None and self._responder is not None:
            self._responder.close_path(session.path)
        for load in session.loads.values():
            if load.task is not None and not load.task.done():
                load.task.cancel()
                await asyncio.gather(load.task, return_exceptions=True)
        if session.delay_on and not self._stopping:
            with contextlib.suppress(TimeoutError):
                await self._reflector.tell("forget", ssid=session.ssid)
        if session.has_turn:
            session.has_turn = False
            self._turn.release()


async def _worker_with_channel() -> tuple[Worker, socket.socket, int]:
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
    with theirs:
        try:
            return await Worker.start(pass_fds=(theirs.fileno(),)), ours, theirs.fileno()
        except BaseException:
            ours.close()
            raise


def _thin(samples: list[Any], at_most: int = 1200) -> list[Any]:
    """Return so few samples that they fit a frame, the first and the last among them."""
    step = -(-len(samples) // at_most)
    return samples if step <= 1 else [*samples[:-1:step], samples[-1]]


def _own_facts() -> dict[str, Any]:
    speeds = []
    for path in Path("/sys/class/net").glob("*/speed"):
        with contextlib.suppress(OSError, ValueError):
            if path.parent.name != "lo" and (speed := int(path.read_text())) > 0:
                speeds.append(speed)
    return {"port_speed_mbps": max(speeds, default=None), "system": sys.platform}

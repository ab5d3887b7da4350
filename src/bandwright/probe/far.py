"""The far end: a server that its owner runs on a rented machine, and that answers nobody who has not proved a key.

One TCP and one UDP port of the same number. The control process speaks TLS and decides; a reflector process answers delay
packets; each load runs in a process of its own that ends with its time, its octets or its near end. One test runs at a time,
the others wait: tests side by side would measure one another. Limits, budgets and keys are the owner's (`limits`, `keys`).
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
import secrets
import socket
import ssl
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from bandwright.errors import StoreError, UsageError
from bandwright.probe import keys, pairing, wire
from bandwright.probe.asked import asked_load, bounded, hexadecimal, load_number
from bandwright.probe.channel import Channel
from bandwright.probe.keys import KeyRow, add_key, list_keys, revoke_key
from bandwright.probe.limits import Knocks, Limits, Refusal, granted_octets
from bandwright.probe.nq import Responder
from bandwright.probe.workers import Worker, WorkerDied

__all__ = ["FarEnd", "FarEndSettings", "KeyRow", "add_key", "list_keys", "pairing_string", "revoke_key", "serve"]

_log = logging.getLogger(__name__)
_RESPONSIVENESS = "responsiveness"  # under which its octets are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class FarEndSettings:
    """How a far end is run.

    state: folder of its keys, certificate and counts, made on first use. hosts: addresses to listen on; () is all, IPv4 and IPv6.
    port: TCP and UDP; 0 takes a free one. congestion_controls: those a near end may ask for. responsiveness: serve HTTP/2 downloads for
    that too, below a path told only to a proved session, or to everybody where it is public, within its own MB a day.
    """

    state: Path
    hosts: tuple[str, ...] = ()
    port: int = pairing.DEFAULT_PORT
    limits: Limits = field(default_factory=Limits)
    congestion_controls: tuple[str, ...] = ("bbr", "cubic", "reno")
    responsiveness: bool = False
    responsiveness_public: bool = False
    responsiveness_megabytes_per_day: float = 5_000.0


def pairing_string(state: Path, *, address: str, row: KeyRow) -> str:
    """Return the pairing string of a key, for a far end that near ends reach at address ("host:port")."""
    return pairing.make(pairing.Pairing(address=address, key_id=row.key_id, key=row.key, certificate_sha256=keys.certificate_sha256(state)))


async def serve(settings: FarEndSettings, *, started: Callable[[int], None] | None = None) -> None:
    """Serve until cancelled. started: called with the port once it listens.

    Raises UsageError where the port is taken or not allowed, StoreError where the state folder cannot be used.
    """
    async with FarEnd(settings) as far_end:
        if started is not None:
            started(far_end.port)
        await far_end.failed()


@dataclass(slots=True)
class _Load:
    """A load that was granted: its process, its tags not yet used, and what it said at its end."""

    number: int
    worker: Worker
    key: bytes
    tags: set[bytes]
    octets: float
    kind: str
    hand_over: socket.socket | None = None
    result: dict[str, Any] | None = None
    task: asyncio.Task[None] | None = None


@dataclass(slots=True)
class _Session:
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


class FarEnd:
    """A running far end: `async with FarEnd(settings) as far_end`."""

    def __init__(self, settings: FarEndSettings) -> None:
        if not hasattr(socket, "send_fds"):
            raise UsageError("far end", given=sys.platform, allowed="Linux or macOS", todo="Run the far end on a Linux server.")
        self._settings = settings
        self._limits = settings.limits
        self._knocks = Knocks(rate_per_s=self._limits.knocks_per_s)
        self._unproved: dict[asyncio.Task[Any] | None, bool] = {}  # oldest first -> whether it has said anything
        self._stopping = False
        self._boot = secrets.token_hex(8)
        self._turn = asyncio.Lock()
        self._waiting = 0
        self._sessions: dict[str, _Session] = {}
        self._tags: dict[bytes, _Load] = {}
        self._tasks: set[asyncio.Task[Any]] = set()
        self._listeners: list[socket.socket] = []
        self._reflector: Worker | None = None
        self._replies: dict[str, asyncio.Queue[dict[str, Any]]] = {}
        self._reflector_lock = asyncio.Lock()
        self._responder: Responder | None = None
        self._responsiveness_octets = 0
        self._spare: asyncio.Future[tuple[Worker, socket.socket, int]] | None = None
        self._failure: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.port = settings.port

    async def __aenter__(self) -> Self:
        try:
            await self._start()
        except BaseException:
            await self._stop()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._stop()

    async def failed(self) -> None:
        """Wait until the far end cannot go on. Raises what stopped it."""
        await self._failure

    async def _start(self) -> None:
        state = self._settings.state
        certificate, private = keys.ensure_certificate(state)
        self._certificate_sha256 = keys.certificate_sha256(state)
        self._carried = keys.Carried(state)
        keys.list_keys(state)
        self._tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._tls.minimum_version = ssl.TLSVersion.TLSv1_3
        self._tls.num_tickets = 0
        self._tls.load_cert_chain(certificate, private)
        if self._settings.responsiveness:
            self._tls.set_alpn_protocols(["h2"])
            is_public = self._settings.responsiveness_public
            self._responder = Responder(is_public=is_public, left=self._responsiveness_left, spent=self._responsiveness_spent)
        udp = []
        for family, host in self._addresses():
            tcp = self._bound(family, socket.SOCK_STREAM, host)
            tcp.listen(64)
            tcp.setblocking(False)
            self._listeners.append(tcp)
            self.port = tcp.getsockname()[1]
            udp.append(self._bound(family, socket.SOCK_DGRAM, host))
        try:
            self._reflector = await Worker.start(pass_fds=tuple(s.fileno() for s in udp))
            self._reflector.give("reflector", sockets=[s.fileno() for s in udp], cookie_secret=secrets.token_hex(32))
            await self._reflector.message()
        finally:
            for s in udp:
                s.close()
        self._spawn(self._read_reflector())
        for listener in self._listeners:
            self._spawn(self._accept(listener))

    def _addresses(self) -> list[tuple[int, str]]:
        if self._settings.hosts:
            return [(socket.AF_INET6 if ":" in h else socket.AF_INET, h) for h in self._settings.hosts]
        both = [(int(socket.AF_INET), "0.0.0.0")]  # noqa: S104 - a far end is there to be reached
        if socket.has_ipv6 and Path("/proc/net/if_inet6").exists() | (sys.platform == "darwin"):
            both.append((socket.AF_INET6, "::"))
        return both

    def _bound(self, family: int, kind: int, host: str) -> socket.socket:
        sock = socket.socket(family, kind)
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            if kind == socket.SOCK_DGRAM:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 2**20)
            sock.bind((host, self.port))
        except OSError as error:
            sock.close()
            raise UsageError(
                "the far end cannot listen there",
                given=f"{host} port {self.port} ({error.strerror})",
                todo="Choose another with --port, or end the program that holds it.",
            ) from None
        return sock

    async def _stop(self) -> None:
        self._stopping = True
        for listener in self._listeners:
            listener.close()
        for session in self._sessions.values():
            if session.channel is not None:
                session.channel.abort()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for session in list(self._sessions.values()):
            await self._end(session)
        if self._spare is not None:
            with contextlib.suppress(OSError):
                worker, ours, _ = await self._spare
                ours.close()
                await worker.close()
        if self._reflector is not None:
            await self._reflector.close()

    def _spawn(self, work: Any) -> asyncio.Task[Any]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    # ---- the reflector

    async def _read_reflector(self) -> None:
        try:
            while self._reflector is not None:
                message = await self._reflector.message()
                if message["type"] == "flow":
                    load = self._tags.pop(bytes.fromhex(message["tag"]), None)
                    if load is not None:
                        load.worker.send(message)
                elif message["type"].startswith("done "):
                    self._replies.setdefault(message["type"], asyncio.Queue()).put_nowait(message)
        except WorkerDied:
            if not self._failure.done():
                self._failure.set_exception(StoreError("the far end's reflector ended unexpectedly", todo="Start the far end again."))

    async def _tell_reflector(self, kind: str, **parameters: Any) -> dict[str, Any]:
        if self._reflector is None:
            return {}
        async with self._reflector_lock:
            queue = self._replies["done " + kind] = asyncio.Queue()  # what came too late for an earlier question is no answer to this one
            self._reflector.send({"type": kind, **parameters})
            async with asyncio.timeout(3):
                return await queue.get()

    # ---- responsiveness

    def _responsiveness_left(self) -> float:
        day = self._carried.octets(f"{datetime.now(UTC):%Y-%m-%d}", _RESPONSIVENESS) + self._responsiveness_octets
        return self._settings.responsiveness_megabytes_per_day * 1e6 - day

    def _responsiveness_spent(self, octets: int) -> None:
        """Count what was sent; written down each 10 MB, so that the disk is not asked for each packet."""
        self._responsiveness_octets += octets
        if self._responsiveness_octets >= 10_000_000:
            self._carried.add(_RESPONSIVENESS, self._responsiveness_octets, datetime.now(UTC))
            self._responsiveness_octets = 0

    def _open_responsiveness(self, session: _Session) -> dict[str, Any]:
        if self._responder is None or not session.has_turn:
            return {
                "type": "refused",
                "code": "responsiveness",
                "reason": "The far end's owner has not opened it for responsiveness, or another connection has the turn.",
            }
        session.path = session.path or self._responder.open_path()
        return {"type": "responsiveness_ready", "path": session.path}

    # ---- before proof

    async def _accept(self, listener: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                conn, peer = await loop.sock_accept(listener)
            except OSError:
                await asyncio.sleep(0.05)  # out of descriptors, or the peer was gone already
                continue
            conn.setblocking(False)
            if self._has_room(peer[0]):
                self._unproved[self._spawn(self._arrived(conn, peer[0]))] = False
            else:
                conn.close()

    def _has_room(self, host: str) -> bool:
        """Whether one more unproved connection is taken: the one that has been silent longest makes room for it.

        Where a near end that proved itself calls from, its load connections are let in beyond that.
        """
        if len(self._unproved) < self._limits.pending:
            return True
        silent = next((task for task, has_spoken in self._unproved.items() if not has_spoken), None)
        if silent is not None:
            del self._unproved[silent]
            silent.cancel()
            return True
        return len(self._unproved) < 4 * self._limits.pending and any(s.host == host for s in self._sessions.values())

    async def _arrived(self, conn: socket.socket, host: str) -> None:
        """Tell a load connection from a control connection by its first octet; drop everything else without a word."""
        this = asyncio.current_task()
        try:
            async with asyncio.timeout(self._limits.unproved_s):
                await _readable(conn)
                if this in self._unproved:
                    self._unproved[this] = True
                first = conn.recv(1, socket.MSG_PEEK)
                if first == b"b":
                    await self._load_connection(conn)
                    return
                if first != b"\x16" or not self._may_knock(host):
                    return
                channel = await self._shake_hands(conn)
                if self._responder is not None and channel.protocol == "h2":
                    self._spawn(self._responder.serve(*channel.streams))
                    return
                session = await self._prove(channel, host)
        except (TimeoutError, OSError, EOFError, wire.WireError):
            return
        except StoreError as error:
            _log.warning("%s", error)
            return
        finally:
            self._unproved.pop(this, None)
            if conn.fileno() >= 0:
                conn.close()
        if session is None:
            await channel.close()
            return
        try:
            await self._talk(session, channel)
        finally:
            await channel.close()

    def _may_knock(self, host: str) -> bool:
        """Whether a control connection from there is answered: not too often, but for the probes of a session's responsiveness."""
        return any(s.host == host and s.path is not None for s in self._sessions.values()) or self._knocks.admit(host, now_s=time.monotonic())

    async def _shake_hands(self, conn: socket.socket) -> Channel:
        loop = asyncio.get_running_loop()
        reader = asyncio.StreamReader(limit=2 * wire.MAX_FRAME_OCTETS)
        protocol = asyncio.StreamReaderProtocol(reader)
        own = conn.dup()
        own.setblocking(False)
        conn.close()
        own.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            transport, _ = await loop.connect_accepted_socket(lambda: protocol, own, ssl=self._tls, ssl_handshake_timeout=self._limits.unproved_s)
        except BaseException:
            own.close()
            raise
        return Channel(reader, asyncio.StreamWriter(transport, protocol, reader, loop))

    async def _prove(self, channel: Channel, host: str) -> _Session | None:
        """Return the session of a near end that proved its key; None, and not a word, where it did not."""
        try:
            hello = await channel.receive(self._limits.unproved_s)
            near_id, nonce_near = hello.get("near_id"), hexadecimal(hello.get("nonce"), 16)
            if hello["type"] != "hello" or not isinstance(near_id, str) or nonce_near is None:
                await channel.close()
                return None
            nonce_far = secrets.token_bytes(16)
            version = wire.choose_version(hello.get("versions"))
            await channel.send({"type": "welcome", "version": version, "versions": list(wire.VERSIONS), "nonce": nonce_far.hex()})
            if version is None:
                await channel.close()
                return None
            answer = await channel.receive(self._limits.unproved_s)
            key = keys.keys_in_force(self._settings.state).get(near_id)
            proof = wire.auth_mac(
                key or secrets.token_bytes(32), nonce_far=nonce_far, nonce_near=nonce_near, near_id=near_id, certificate_sha256=self._certificate_sha256
            )
            given = hexadecimal(answer.get("mac"), 32) if answer["type"] == "auth" else None
            if given is None or not hmac.compare_digest(proof, given) or key is None:
                await channel.close()
                return None
        except BaseException:
            channel.abort()
            raise
        return await self._welcome(channel, near_id, answer, host)

    async def _welcome(self, channel: Channel, near_id: str, answer: dict[str, Any], host: str) -> _Session:
        """Start a session, or take up one that lost its connection."""
        known = self._sessions.get(str(answer.get("resume")))
        if known is not None and known.key_id == near_id:
            if known.channel is not None:
                known.channel.abort()
            known.channel, known.host = channel, host
            session = known
        else:
            ssid = secrets.choice([n for n in (secrets.randbelow(65535) + 1 for _ in range(64)) if n not in {s.ssid for s in self._sessions.values()}])
            session = _Session(secrets.token_hex(16), near_id, secrets.token_bytes(32), ssid, channel, host)
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
                "day_left_mb": max(0.0, self._limits.megabytes_per_day - self._carried.octets(f"{now:%Y-%m-%d}") / 1e6),
                "month_left_mb": max(0.0, self._limits.megabytes_per_month - self._carried.octets(f"{now:%Y-%m}") / 1e6),
                "limits": {"load_seconds": self._limits.load_seconds, "load_mbps": self._limits.load_mbps, "streams": self._limits.streams},
                "facts": _own_facts(),
            }
        )
        return session

    # ---- after proof

    async def _talk(self, session: _Session, channel: Channel) -> None:
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

    async def _end_later(self, session: _Session) -> None:
        await asyncio.sleep(10)
        if session.channel is None:
            await self._end(session)

    async def _answer(self, session: _Session, channel: Channel, message: dict[str, Any]) -> None:
        kind = message["type"]
        reply: dict[str, Any]
        try:
            if kind == "begin":
                reply = await self._begin(session, channel)
            elif kind == "delay":
                reply = await self._delay(session, message)
            elif kind == "delay_end":
                reply = {"type": "delay_ended", **await self._tell_reflector("forget", ssid=session.ssid)} | {"type": "delay_ended"}
                session.delay_on = False
            elif kind == "responsiveness":
                reply = self._open_responsiveness(session)
            elif kind == "load":
                reply = await self._grant(session, message)
            elif kind in {"go", "stop"}:
                load = session.loads.get(load_number(message))
                if load is not None:
                    if load.hand_over is not None:
                        load.hand_over.shutdown(socket.SHUT_RDWR)  # no more connections: its process goes on with those it has
                        load.hand_over.close()
                        load.hand_over = None
                    load.worker.send({"type": kind})
                reply = {"type": "going" if kind == "go" else "stopping", "load": message.get("load")}
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

    async def _begin(self, session: _Session, channel: Channel) -> dict[str, Any]:
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

    async def _delay(self, session: _Session, message: dict[str, Any]) -> dict[str, Any]:
        pps, seconds = bounded(message.get("pps"), 0.1, self._limits.probes_per_s), bounded(message.get("seconds"), 0.1, 4 * self._limits.load_seconds)
        if pps is None or seconds is None or not session.has_turn:
            return {"type": "refused", "code": "limits", "reason": "That many delay packets are not allowed, or another connection has the turn."}
        await self._tell_reflector("session", ssid=session.ssid, key=wire.derive(session.key, "stamp").hex(), packets=int(pps * seconds * 1.2) + 100)
        session.delay_on = True
        return {"type": "delay_ready", "ssid": session.ssid}

    async def _grant(self, session: _Session, message: dict[str, Any]) -> dict[str, Any]:
        """Start the process of a load and return the tags with which its connections must open."""
        asked = asked_load(message, self._limits)
        if isinstance(asked, Refusal) or not session.has_turn:
            refusal = asked if isinstance(asked, Refusal) else Refusal("turn", "It is not this session's turn.")
            return {"type": "refused", "code": refusal.code, "reason": refusal.reason}
        now = datetime.now(UTC)
        octets = granted_octets(
            asked["max_octets"], limits=self._limits, day_octets=self._carried.octets(f"{now:%Y-%m-%d}"), month_octets=self._carried.octets(f"{now:%Y-%m}")
        )
        if isinstance(octets, Refusal):
            return {"type": "refused", "code": octets.code, "reason": octets.reason}
        if any(load.result is None for load in session.loads.values()):
            return {"type": "refused", "code": "one at a time", "reason": "This connection's last load has not ended."}
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
            "start_s": 12.0,
            "cc": asked["cc"] if asked["cc"] in self._settings.congestion_controls else None,
        }
        worker, ours, channel = await self._worker()
        load = _Load(number, worker, key, set(tags), octets, kind, hand_over=ours)
        if kind == "tcp":
            worker.give("tcp", channel=channel, **common)
        else:
            worker.give(
                "udp",
                port=self.port,
                key=key.hex(),
                tag=tags[0].hex(),
                start_mbps=asked["start_mbps"],
                enough_s=asked["enough_s"],
                payload=asked["payload"],
                **common,
            )
            await self._tell_reflector("expect", tag=tags[0].hex(), key=key.hex())
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

    async def _worker(self) -> tuple[Worker, socket.socket, int]:
        """Return a process that is up already, and start the next: the process, our end of its channel, and its end's number there."""
        starting, self._spare = self._spare or asyncio.ensure_future(_worker_with_channel()), None
        out = await starting
        self._spare = asyncio.ensure_future(_worker_with_channel())
        return out

    async def _load_connection(self, conn: socket.socket) -> None:
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

    async def _follow(self, session: _Session, load: _Load) -> None:
        """Pass on what a load says, and keep its result until the session ends."""
        result: dict[str, Any] = {"type": "result", "load": load.number, "ended": "far end"}  # what is said where its process fails
        octets = 0.0
        last_said = 0.0
        try:
            async with asyncio.timeout(self._limits.load_seconds + 20):
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
                        await self._tell_reflector("unexpect", tag=tag.hex())
            if load.hand_over is not None:
                load.hand_over.close()
            await load.worker.close()
            load.result = result
            self._carried.add(session.key_id, int(result.get("octets_sent") or result.get("octets_received") or octets), datetime.now(UTC))
        await self._say(session, result)

    async def _say(self, session: _Session, message: dict[str, Any]) -> None:
        if session.channel is not None:
            with contextlib.suppress(OSError, wire.WireError):
                await session.channel.send(message)

    async def _end(self, session: _Session) -> None:
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
                await self._tell_reflector("forget", ssid=session.ssid)
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


async def _readable(conn: socket.socket) -> None:
    loop = asyncio.get_running_loop()
    arrived: asyncio.Future[None] = loop.create_future()

    def ready() -> None:
        if not arrived.done():
            arrived.set_result(None)

    loop.add_reader(conn.fileno(), ready)
    try:
        await arrived
    finally:
        loop.remove_reader(conn.fileno())


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

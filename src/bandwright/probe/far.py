"""The far end: a server that its owner runs on a rented machine, and that answers nobody who has not proved a key.

One TCP and one UDP port of the same number. This module listens, and lets in who proves a key; what a proved near end may then ask
for is `far_sessions`. A reflector process answers delay packets. Limits, budgets and keys are the owner's (`limits`, `keys`).
"""

from __future__ import annotations

import asyncio
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
from bandwright.probe.asked import hexadecimal
from bandwright.probe.channel import Channel
from bandwright.probe.far_reflector import ReflectorLink
from bandwright.probe.far_sessions import Session, Sessions
from bandwright.probe.keys import KeyRow, add_key, list_keys, revoke_key
from bandwright.probe.limits import Knocks, Limits
from bandwright.probe.nq import Responder
from bandwright.probe.workers import WorkerDied

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


class FarEnd:
    """A running far end: `async with FarEnd(settings) as far_end`."""

    def __init__(self, settings: FarEndSettings) -> None:
        if not hasattr(socket, "send_fds"):
            raise UsageError("far end", given=sys.platform, allowed="Linux or macOS", todo="Run the far end on a Linux server.")
        self._settings = settings
        self._limits = settings.limits
        self._knocks = Knocks(rate_per_s=self._limits.knocks_per_s)
        self._unproved: dict[asyncio.Task[Any] | None, bool] = {}  # oldest first -> whether it has said anything
        self._tasks: set[asyncio.Task[Any]] = set()
        self._listeners: list[socket.socket] = []
        self._reflector = ReflectorLink()
        self._sessions: Sessions | None = None
        self._responder: Responder | None = None
        self._responsiveness_octets = 0
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
            await self._reflector.start(udp)
        finally:
            for s in udp:
                s.close()
        sessions = self._sessions = Sessions(
            limits=self._limits,
            carried=self._carried,
            reflector=self._reflector,
            responder=self._responder,
            congestion_controls=self._settings.congestion_controls,
            port=self.port,
            spawn=self._spawn,
        )
        sessions.get_ready()
        self._spawn(self._read_reflector(sessions))
        for listener in self._listeners:
            self._spawn(self._accept(listener, sessions))

    async def _read_reflector(self, sessions: Sessions) -> None:
        try:
            await self._reflector.read(sessions.flow_opened)
        except WorkerDied:
            if not self._failure.done():
                self._failure.set_exception(StoreError("the far end's reflector ended unexpectedly", todo="Start the far end again."))

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
        for listener in self._listeners:
            listener.close()
        if self._sessions is not None:
            self._sessions.drop_connections()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._sessions is not None:
            await self._sessions.stop()
        await self._reflector.close()

    def _spawn(self, work: Any) -> asyncio.Task[Any]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

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

    # ---- before proof

    async def _accept(self, listener: socket.socket, sessions: Sessions) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                conn, peer = await loop.sock_accept(listener)
            except OSError:
                await asyncio.sleep(0.05)  # out of descriptors, or the peer was gone already
                continue
            conn.setblocking(False)
            if self._has_room(peer[0], sessions):
                self._unproved[self._spawn(self._arrived(conn, peer[0], sessions))] = False
            else:
                conn.close()

    def _has_room(self, host: str, sessions: Sessions) -> bool:
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
        return len(self._unproved) < 4 * self._limits.pending and sessions.is_known(host)

    async def _arrived(self, conn: socket.socket, host: str, sessions: Sessions) -> None:
        """Tell a load connection from a control connection by its first octet; drop everything else without a word."""
        this = asyncio.current_task()
        try:
            async with asyncio.timeout(self._limits.unproved_s):
                await _readable(conn)
                if this in self._unproved:
                    self._unproved[this] = True
                first = conn.recv(1, socket.MSG_PEEK)
                if first == b"b":
                    await sessions.load_connection(conn)
                    return
                if first != b"\x16" or not self._may_knock(host, sessions):
                    return
                channel = await self._shake_hands(conn)
                if self._responder is not None and channel.protocol == "h2":
                    self._spawn(self._responder.serve(*channel.streams))
                    return
                session = await self._prove(channel, host, sessions)
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
            await sessions.talk(session, channel)
        finally:
            await channel.close()

    def _may_knock(self, host: str, sessions: Sessions) -> bool:
        """Whether a control connection from there is answered: not too often, but for the probes of a session's responsiveness."""
        return sessions.is_known(host, with_path=True) or self._knocks.admit(host, now_s=time.monotonic())

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

    async def _prove(self, channel: Channel, host: str, sessions: Sessions) -> Session | None:
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
        return await sessions.welcome(channel, near_id, answer, host)


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

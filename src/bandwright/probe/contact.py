"""Reaching the far end: name lookup, connect, TLS, proof, each with its own timeout and its own fault; then a conversation.

Addresses of both families are tried side by side, a quarter of a second apart (RFC 8305). Where the name cannot be looked up,
the address that worked last is used. Where only an IPv4 number is known and there is no IPv4, the prefix of a translator is
learnt from ipv4only.arpa (RFC 7050, 6052).
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
import secrets
import socket
import ssl
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from bandwright.probe import pairing as pairing_
from bandwright.probe import sockets, wire
from bandwright.probe.channel import Channel
from bandwright.probe.outcome import PathFault, fault_from
from bandwright.probe.pairing import Pairing
from bandwright.words.measurement import Outcome, Phase

__all__ = ["Address", "Contact", "Resolve", "Timeouts", "WayOut", "nat64_address", "open_contact", "resolve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeouts:
    """How long each phase may take, in s."""

    name_lookup_s: float = 5.0
    connect_s: float = 5.0
    tls_s: float = 5.0
    auth_s: float = 3.0
    turn_s: float = 45.0
    start_s: float = 3.0
    stall_s: float = 3.0
    result_s: float = 5.0
    stagger_s: float = 0.25


@dataclass(frozen=True, slots=True)
class Address:
    """Where to connect. family: of the socket module; sockaddr: as connect() takes it."""

    family: int
    sockaddr: tuple[Any, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WayOut:
    """By which of this computer's interfaces or addresses everything goes."""

    interface: str | None = None
    source_address: str | None = None

    def socket(self, family: int, kind: int) -> socket.socket:
        """Return a bound socket. Raises OSError where it cannot be bound as asked."""
        sock = socket.socket(family, kind)
        try:
            sockets.bind_near(sock, interface=self.interface, source_address=self.source_address)
        except OSError:
            sock.close()
            raise
        return sock


Resolve = Callable[[str, int], list[Address]]


def resolve(host: str, port: int) -> list[Address]:
    """Look a name up: addresses of both families, in the system's order. Raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(Address(int(family), tuple(sockaddr)) for family, _, _, _, sockaddr in found))


def nat64_address(literal: str, answers: Sequence[str]) -> str | None:
    """Return the IPv6 address under which a translator reaches an IPv4 literal, or None where answers show no translator.

    answers: IPv6 addresses of ipv4only.arpa, whose IPv4 addresses are 192.0.0.170 and 192.0.0.171. Prefixes of 96 bits only.
    Source: RFC 7050, 3; RFC 6052, 2.2.
    """
    for answer in answers:
        packed = ipaddress.IPv6Address(answer.partition("%")[0]).packed
        if packed[12:] in {bytes((192, 0, 0, 170)), bytes((192, 0, 0, 171))}:
            return str(ipaddress.IPv6Address(packed[:12] + ipaddress.IPv4Address(literal).packed))
    return None


@dataclass(slots=True)
class Contact:
    """A proved conversation with the far end. Replies come back by their id; all else goes to `events`, and at its end "lost"."""

    channel: Channel
    pairing: Pairing
    address: Address
    local_address: str
    welcome: dict[str, Any]
    lookup_ms: float
    connect_ms: float
    tls_ms: float
    lookup_failed: bool = False
    ahead: list[asyncio.Future[dict[str, Any]]] = field(default_factory=list)  # replies to what was sent with the proof
    events: asyncio.Queue[dict[str, Any]] = field(default_factory=asyncio.Queue)
    lost: asyncio.Event = field(default_factory=asyncio.Event)
    _replies: dict[int, asyncio.Future[dict[str, Any]]] = field(default_factory=dict)
    _last_id: int = 0
    _task: asyncio.Task[None] | None = None

    @property
    def session_key(self) -> bytes:
        """The key from which the session's other keys are derived."""
        return bytes.fromhex(self.welcome["session_key"])

    def listen(self, *, ahead: int = 0) -> None:
        """Begin to take messages in. ahead: how many requests were sent with the proof, numbered from 1."""
        loop = asyncio.get_running_loop()
        self._last_id = ahead
        self._replies = {n: loop.create_future() for n in range(1, ahead + 1)}
        self.ahead = list(self._replies.values())
        self._task = asyncio.get_running_loop().create_task(self._listen())

    async def _listen(self) -> None:
        try:
            while True:
                message = await self.channel.receive(None)
                waiting = self._replies.pop(message.get("id", -1), None)
                if waiting is not None and not waiting.done():
                    waiting.set_result(message)
                else:
                    self.events.put_nowait(message)
        except (OSError, EOFError, wire.WireError):
            self.lost.set()
            self.events.put_nowait({"type": "lost"})
            for waiting in self._replies.values():
                if not waiting.done():
                    waiting.set_exception(EOFError())
                    waiting.exception()

    async def request(self, message: dict[str, Any], *, timeout_s: float) -> dict[str, Any]:
        """Send a request and return its reply. Raises TimeoutError, EOFError or OSError."""
        if self.lost.is_set():
            raise EOFError
        self._last_id += 1
        number = self._last_id
        reply: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._replies[number] = reply
        try:
            async with asyncio.timeout(timeout_s):
                await self.channel.send({**message, "id": number})
                return await reply
        finally:
            self._replies.pop(number, None)

    def go_on_with(self, again: Contact) -> None:
        """Go on over another connection: this conversation keeps its session, and takes over the other's channel and place."""
        if self._task is not None:
            self._task.cancel()
        self.channel.abort()
        self.channel, self.address, self.local_address = again.channel, again.address, again.local_address
        self.events, self.lost, self._replies, self._last_id, self._task = again.events, again.lost, again._replies, again._last_id, again._task

    async def close(self) -> None:
        """End the conversation. Safe to call twice."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        await self.channel.close()


async def open_contact(
    pairing: Pairing,
    *,
    address: str,
    timeouts: Timeouts,
    way_out: WayOut,
    look_up: Resolve = resolve,
    remembered: Sequence[Address] = (),
    resume: str | None = None,
    ahead: Sequence[dict[str, Any]] = (),
) -> Contact:
    """Reach the far end and prove the key. Raises PathFault, nothing else.

    ahead: requests that are sent in the same breath as the proof; their replies are `Contact.ahead`.
    address: "host:port" as the user wrote it. remembered: addresses that worked before, for when the name cannot be looked up.
    resume: id of a session that lost its connection.
    """
    host, port = pairing_.split_address(address)
    clock = time.monotonic
    started = clock()
    addresses, lookup_failed = await _look_up(host, port, address, timeouts, look_up, remembered)
    looked_up = clock()
    try:
        sock, chosen = await _connect(addresses, timeouts, way_out)
    except OSError as error:
        translated = await _translated(host, port, look_up, timeouts) if fault_from(error, phase=Phase.CONNECT, where=address).phase is Phase.CONNECT else []
        try:
            sock, chosen = await _connect(translated, timeouts, way_out)
        except OSError:
            raise fault_from(error, phase=Phase.CONNECT, where=address) from None
    connected = clock()
    local = sock.getsockname()[0]
    channel = await _shake_hands(sock, pairing, address, timeouts)
    shaken = clock()
    try:
        welcome = await _prove(channel, pairing, address, timeouts, resume, ahead)
    except BaseException:
        channel.abort()
        raise
    contact = Contact(
        channel=channel,
        pairing=pairing,
        address=chosen,
        local_address=local,
        welcome=welcome,
        lookup_ms=(looked_up - started) * 1e3,
        connect_ms=(connected - looked_up) * 1e3,
        tls_ms=(shaken - connected) * 1e3,
        lookup_failed=lookup_failed,
    )
    contact.listen(ahead=len(ahead))
    return contact


async def _look_up(host: str, port: int, where: str, timeouts: Timeouts, look_up: Resolve, remembered: Sequence[Address]) -> tuple[list[Address], bool]:
    """Return the addresses, and whether they are only remembered. The lookup runs in a thread, which cannot be cancelled."""
    try:
        async with asyncio.timeout(timeouts.name_lookup_s):
            return await asyncio.to_thread(look_up, host, port), False
    except (OSError, UnicodeError) as error:
        if remembered:
            return list(remembered), True
        raise fault_from(error, phase=Phase.NAME_LOOKUP, where=where) from None


async def _translated(host: str, port: int, look_up: Resolve, timeouts: Timeouts) -> list[Address]:
    try:
        ipaddress.IPv4Address(host)
    except ValueError:
        return []
    try:
        async with asyncio.timeout(timeouts.name_lookup_s):
            answers = await asyncio.to_thread(look_up, "ipv4only.arpa", port)
    except (OSError, UnicodeError):
        return []
    found = nat64_address(host, [str(a.sockaddr[0]) for a in answers if a.family == socket.AF_INET6])
    return [Address(int(socket.AF_INET6), (found, port, 0, 0))] if found else []


async def _connect(addresses: Sequence[Address], timeouts: Timeouts, way_out: WayOut) -> tuple[socket.socket, Address]:
    """Connect to the first address that answers, trying the next a moment later while the others are still under way.

    Raises the OSError that tells most: a refusal over silence, silence over no route.
    """
    if not addresses:
        raise OSError(101, "no address")
    loop = asyncio.get_running_loop()

    async def one(address: Address, wait_s: float) -> tuple[socket.socket, Address]:
        await asyncio.sleep(wait_s)
        sock = way_out.socket(address.family, socket.SOCK_STREAM)
        try:
            sock.setblocking(False)
            with contextlib.suppress(OSError, AttributeError):  # control must pass where large packets vanish
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, sockets.SMALL_SEGMENT)
            async with asyncio.timeout(timeouts.connect_s):
                await loop.sock_connect(sock, address.sockaddr)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except BaseException:
            sock.close()
            raise
        return sock, address

    tasks = [loop.create_task(one(a, i * timeouts.stagger_s)) for i, a in enumerate(_interleaved(addresses))]
    errors: list[OSError] = []
    try:
        for finished in asyncio.as_completed(tasks):
            try:
                return await finished
            except OSError as error:
                errors.append(error)
    finally:
        for task in tasks:
            if not task.done():
                task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
        winners = [r for r in results if isinstance(r, tuple)]
        for sock, _ in winners[1:]:
            sock.close()
    raise max(errors, key=lambda e: (isinstance(e, ConnectionRefusedError), isinstance(e, TimeoutError)))


def _interleaved(addresses: Sequence[Address]) -> list[Address]:
    """Return the addresses with their families taking turns, the first one's first (RFC 8305, 4)."""
    if not addresses:
        return []
    first = [a for a in addresses if a.family == addresses[0].family]
    other = [a for a in addresses if a.family != addresses[0].family]
    out = []
    while first or other:
        out += first[:1] + other[:1]
        first, other = first[1:], other[1:]
    return out


async def _shake_hands(sock: socket.socket, pairing: Pairing, where: str, timeouts: Timeouts) -> Channel:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE  # the certificate is known by its hash, which is compared below
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    try:
        async with asyncio.timeout(timeouts.tls_s):
            reader, writer = await asyncio.open_connection(sock=sock, ssl=context, server_hostname="", limit=2 * wire.MAX_FRAME_OCTETS)
    except (OSError, EOFError) as error:
        sock.close()
        raise fault_from(error, phase=Phase.TLS, where=where) from None
    channel = Channel(reader, writer)
    certificate = channel.certificate_der or b""
    if not hmac.compare_digest(wire.fingerprint(certificate), pairing.certificate_sha256):
        channel.abort()
        if b"bandwright far end" in certificate:
            raise PathFault(
                Phase.TLS,
                f"{where} is a far end, but not the one that was paired: its certificate is another. Pair again if it was set up anew.",
                outcome=Outcome.VOID,
            )
        raise PathFault(
            Phase.TLS, f"What answered at {where} is not your far end: its certificate is another. A sign-in page of the network, or something in between?"
        )
    return channel


async def _prove(channel: Channel, pairing: Pairing, where: str, timeouts: Timeouts, resume: str | None, ahead: Sequence[dict[str, Any]]) -> dict[str, Any]:
    nonce = secrets.token_bytes(16)
    proved = False
    try:
        await channel.send({"type": "hello", "versions": list(wire.VERSIONS), "near_id": pairing.key_id, "nonce": nonce.hex()})
        welcome = await channel.receive(timeouts.auth_s)
        if welcome.get("version") is None:
            offered = ", ".join(str(v) for v in welcome.get("versions", [])[:8])
            raise PathFault(
                Phase.AUTH,
                f"{where} speaks version {offered or 'unknown'} of the protocol, this near end version {wire.VERSIONS[-1]}. Bring both to the same release.",
                outcome=Outcome.VOID,
            )
        mac = wire.auth_mac(
            pairing.key.reveal(reason="the near end proves that it holds the key"),
            nonce_far=bytes.fromhex(welcome["nonce"]),
            nonce_near=nonce,
            near_id=pairing.key_id,
            certificate_sha256=pairing.certificate_sha256,
        )
        await channel.send({"type": "auth", "mac": mac.hex(), **({"resume": resume} if resume else {})})
        for number, request in enumerate(ahead, 1):
            await channel.send({**request, "id": number})
        proved = True
        answer = await channel.receive(timeouts.auth_s)
    except (EOFError, ConnectionResetError) as error:
        if proved:
            raise PathFault(
                Phase.AUTH, f"{where} did not accept the key: it was revoked there, or the pairing secret is another's.", outcome=Outcome.VOID
            ) from None
        raise fault_from(error, phase=Phase.AUTH, where=where) from None
    except (OSError, wire.WireError, KeyError, ValueError) as error:
        raise fault_from(error, phase=Phase.AUTH, where=where) from None
    if answer["type"] != "ok":
        raise PathFault(Phase.AUTH, f"{where} refused: {answer.get('reason', 'no reason given')}", outcome=Outcome.VOID)
    return answer

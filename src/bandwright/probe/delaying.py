"""The delay stream and the first hop's samples beside a measurement, as the near end's control sees them."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from dataclasses import dataclass, field
from typing import Any

from bandwright.probe import nearside, wire
from bandwright.probe.contact import Contact
from bandwright.probe.errand import Errand
from bandwright.probe.workers import Worker, WorkerDied
from bandwright.words.measurement import Phase

__all__ = ["MTUS", "PROBES_AT_LEAST", "PROBE_BITS", "Delaying"]

MTUS = (1500, 1492, 1480, 1460, 1430, 1400, 1358, 1300, 1280)  # octets: Ethernet, PPPoE, tunnels, TS 24.301 6.6.4.2, RFC 8200
PROBES_AT_LEAST = 20.0  # a second under load: fewer could not tell a 2 s mean
PROBE_BITS = 140 * 8  # of IPv4
_EMPTY_S = 1.5  # how long an empty queue is waited for
_LINGER_S = 0.05  # what was still under way when the last load's result came is not waited for longer


@dataclass(slots=True)
class Delaying:
    """Both streams. What they see goes into the errand's `seen`."""

    errand: Errand
    _delay: Worker | None = None
    _hop: Worker | None = None
    _readers: list[asyncio.Task[None]] = field(default_factory=list)
    _done: asyncio.Event = field(default_factory=asyncio.Event)

    async def begin(self, contact: Contact, *, ssid: int, longest_s: float) -> None:
        """Start both. ssid: the session identifier that the reflector answers."""
        errand = self.errand
        pps = errand.recipe.probes_per_s
        delay = await errand.worker()
        delay.give(
            "delay",
            address=contact.address.sockaddr,
            family=contact.address.family,
            ssid=ssid,
            key=wire.derive(contact.session_key, "stamp").hex(),
            pps=pps,
            linger_s=_LINGER_S,
            max_seconds=longest_s,
            **errand.way,
        )
        self._delay = delay
        self._readers.append(asyncio.get_running_loop().create_task(self._read_delay(delay)))
        gateway = errand.plan.first_hop or nearside.default_gateway(errand.seen.interface)
        if gateway is not None:
            hop = await errand.worker()
            family = int(socket.AF_INET6 if ":" in gateway else socket.AF_INET)
            hop.give("first hop", address=gateway, family=family, port=9, pps=15.0, max_seconds=longest_s, **errand.way)
            self._hop = hop
            self._readers.append(asyncio.get_running_loop().create_task(self._read_hop(hop)))

    async def _read_delay(self, worker: Worker) -> None:
        seen = self.errand.seen
        with contextlib.suppress(WorkerDied):
            while True:
                message = await worker.message()
                if message["type"] == "rows":
                    seen.rows += message["rows"]
                elif message["type"] == "sizes" and message["octets"]:
                    seen.facts["path_mtu_found"] = max(message["octets"])
                elif message["type"] == "up":
                    seen.delay |= message
                elif message["type"] in {"done", "fault"}:
                    seen.delay |= message
                    seen.sent = message.get("sent", [])
                    seen.stepped = frozenset(message.get("stepped", ()))
                    break
        self._done.set()

    async def _read_hop(self, worker: Worker) -> None:
        with contextlib.suppress(WorkerDied):
            while True:
                message = await worker.message()
                if message["type"] == "up":
                    self.errand.seen.hop_method = message["method"]
                elif message["type"] == "done":
                    self.errand.seen.hop = [(at, took) for at, took in message["rows"]]
                    return

    # ---- phases

    async def idle(self, seconds: float) -> None:
        """Sample while nothing is asked of the line."""
        seen = self.errand.seen
        await self.errand.tell("phase", Phase.IDLE, "delay while nothing is asked of the line")
        for _ in range(200):  # until the stream is up: it starts within a few hundredths of a second
            if "kernel_stamps" in seen.delay:
                break
            await asyncio.sleep(0.005)
        began = time.monotonic_ns()
        await asyncio.sleep(seconds)
        seen.idle = (began, time.monotonic_ns())
        if not seen.rows:
            await asyncio.sleep(1.0)  # a very slow path is not a dead one

    def idle_ms(self) -> float:
        """Return the median idle round trip so far; what connecting took where no delay packet came back."""
        seen = self.errand.seen
        trips = sorted(r[2] for r in seen.rows if seen.idle and seen.idle[0] <= r[1] < seen.idle[1])
        return trips[len(trips) // 2] * 1e-6 if trips else (seen.contact.connect_ms if seen.contact else 100.0)

    async def until_empty(self) -> None:
        """Wait until delay packets that arrive from now on show that the queue of the last load has drained: three in a row near the idle delay."""
        seen = self.errand.seen
        if not seen.loads:
            return
        idle_ms = self.idle_ms()
        enough_ns = (idle_ms + max(3.0, 0.1 * idle_ms)) * 1e6
        began, deadline = time.monotonic_ns(), time.monotonic() + _EMPTY_S
        while time.monotonic() < deadline and seen.rows:
            fresh = [r[2] for r in seen.rows[-12:] if r[1] + r[2] >= began]
            if len(fresh) >= 3 and max(fresh[-3:]) <= enough_ns:
                return
            await asyncio.sleep(0.01)
        seen.facts["queue_not_seen_empty"] = True

    # ---- pace

    def scale(self, rate_mbps: float) -> None:
        """Keep the delay packets below 1 % of the line, but at least PROBES_AT_LEAST a second."""
        self._send({"type": "rate", "pps": min(self.errand.recipe.probes_per_s, max(PROBES_AT_LEAST, 0.01 * rate_mbps * 1e6 / PROBE_BITS))})

    def full_pace(self) -> None:
        """Go on as when nothing is asked of the line."""
        self._send({"type": "rate", "pps": self.errand.recipe.probes_per_s})

    def hold(self) -> None:
        """Send no more, and take in what is under way: the last load is over."""
        self._send({"type": "hold"})
        if self._hop is not None:
            self._hop.send({"type": "stop"})

    async def ask_sizes(self) -> None:
        """Look for the largest packet that passes."""
        self._send({"type": "sizes", "octets": [*MTUS, *MTUS]})
        await asyncio.sleep(0.15 + 2e-3 * self.idle_ms())

    def _send(self, message: dict[str, Any]) -> None:
        if self._delay is not None:
            self._delay.send(message)

    # ---- end

    async def finish(self, *, within_s: float) -> None:
        """End both and take in what they say last. Safe to call twice."""
        if self._delay is None or self._done.is_set():
            return
        self._send({"type": "stop"})
        if self._hop is not None:
            self._hop.send({"type": "stop"})
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await asyncio.gather(*self._readers, return_exceptions=True)

    async def drop(self) -> None:
        """Listen to neither any more."""
        for task in self._readers:
            task.cancel()
        await asyncio.gather(*self._readers, return_exceptions=True)

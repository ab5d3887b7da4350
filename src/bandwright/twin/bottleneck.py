"""A bottleneck that real bytes pass without root: a near end and a far end of this computer measure through it.

The relay itself (`twin.relay`) runs in a process of its own, or a busy Python would add its own delay; this is the handle on it. Rates
are those of IP packets; `ip_rate_mbps` says which one gives a wanted goodput. All can be changed while bytes flow.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Self

from bandwright.errors import OurFault, RangeError, UsageError
from bandwright.twin.relay import percentile_ms

__all__ = ["Bottleneck", "LinkTruth", "Truth", "goodput_mbps", "ip_rate_mbps"]

_HEADERS = 1500 / 1448  # IP packet over what TCP with timestamps carries in it
_START_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkTruth:
    """What one direction did in one second. lateness: how late octets left against the virtual clock."""

    rate_mbps: float
    entered_octets: int
    left_octets: int
    dropped: int
    lost: int
    queue_ms: float
    queue_most_ms: float
    lateness_p50_ms: float
    lateness_p99_ms: float
    late_counts: tuple[int, ...]  # in steps of 0.1 ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What the bottleneck did in the second that ended at `at`."""

    at: datetime
    streams: int
    down: LinkTruth
    up: LinkTruth


def ip_rate_mbps(goodput: float) -> float:
    """Return the rate of a link on which a perfect TCP test finds that goodput, Mbit/s."""
    return goodput * _HEADERS


def goodput_mbps(ip_rate: float) -> float:
    """Return what a perfect TCP test finds on a link of that rate, Mbit/s."""
    return ip_rate / _HEADERS


class Bottleneck:
    """A relay from `listen` to `target`, TCP and UDP on one port number, with a rate, a delay and a buffer of its own.

    down_mbps, up_mbps: towards the one who connects, and away from it; 0 lets nothing pass. delay_ms: round trip when nothing waits.
    buffer_ms: longest queue of each direction, at its rate. loss_ratio: of UDP packets, each direction. listen: port 0 takes a free one.
    realtime: ask for real-time scheduling, which a system grants to privileged programs only.
    """

    def __init__(
        self,
        *,
        target: tuple[str, int],
        down_mbps: float,
        up_mbps: float,
        listen: tuple[str, int] = ("127.0.0.1", 0),
        delay_ms: float = 20.0,
        buffer_ms: float = 150.0,
        loss_ratio: float = 0.0,
        seed: int = 0,
        realtime: bool = True,
    ) -> None:
        self._settings: dict[str, Any] = {"listen": listen, "target": target, "seed": seed, "realtime": realtime}
        self._settings |= _checked(down_mbps=down_mbps, up_mbps=up_mbps, delay_ms=delay_ms, buffer_ms=buffer_ms, loss_ratio=loss_ratio)
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None
        self._truth: list[Truth] = []
        self._port: int | None = None
        self._news = asyncio.Event()

    @property
    def address(self) -> tuple[str, int]:
        """Host and port where it listens. Raises UsageError before it was started."""
        if self._port is None:
            raise UsageError("the bottleneck does not listen yet", todo="Start it first.")
        return str(self._settings["listen"][0]), self._port

    @property
    def truth(self) -> Sequence[Truth]:
        """What it did, second by second, so far."""
        return tuple(self._truth)

    async def start(self) -> tuple[str, int]:
        """Start it and return host and port. Raises UsageError where it cannot listen there."""
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "bandwright.twin.relay", stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
        )
        self._process = process
        self._send(self._settings)
        try:
            said = await asyncio.wait_for(_reply(process), _START_S)
        except TimeoutError:
            await self.close()
            raise OurFault("the bottleneck's process did not answer", given=f"within {_START_S:g} s") from None
        if "port" not in said:
            await self.close()
            host, port = self._settings["listen"]
            raise UsageError("the bottleneck cannot listen there", given=f"{host} port {port} ({said.get('error', 'its process ended')})", todo="Choose another port, or 0 for a free one.")
        self._port = int(said["port"])
        self._reader = asyncio.create_task(self._read(process))
        return self.address

    def set(
        self,
        *,
        down_mbps: float | None = None,
        up_mbps: float | None = None,
        delay_ms: float | None = None,
        buffer_ms: float | None = None,
        buffer_down_ms: float | None = None,
        buffer_up_ms: float | None = None,
        loss_ratio: float | None = None,
    ) -> None:
        """Change figures from now on; None leaves them. What is in its queue leaves as it was worked out. Raises RangeError."""
        self._send(
            _checked(
                down_mbps=down_mbps, up_mbps=up_mbps, delay_ms=delay_ms, buffer_ms=buffer_ms, buffer_down_ms=buffer_down_ms, buffer_up_ms=buffer_up_ms,
                loss_ratio=loss_ratio,
            )
        )  # fmt: skip

    async def next_truth(self) -> Truth:
        """Wait for the record of the next second to end, and return it. Raises UsageError where the relay is not running."""
        known = len(self._truth)
        while len(self._truth) == known:
            if self._process is None or self._process.returncode is not None:
                raise UsageError("the bottleneck is not running", todo="Start it first.")
            self._news.clear()
            await self._news.wait()
        return self._truth[known]

    async def close(self) -> None:
        """End the relay. Safe to call twice."""
        process, self._process = self._process, None
        if process is not None:
            if process.stdin is not None:
                process.stdin.close()
            try:
                await asyncio.wait_for(process.wait(), 2.0)
            except TimeoutError:
                with suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if self._reader is not None:
            await self._reader
            self._reader = None

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    def _send(self, settings: dict[str, Any]) -> None:
        if self._process is None or self._process.stdin is None or self._process.stdin.is_closing():
            raise UsageError("the bottleneck is not running", todo="Start it first.")
        self._process.stdin.write(json.dumps(settings).encode() + b"\n")

    async def _read(self, process: asyncio.subprocess.Process) -> None:
        while said := await _reply(process):
            self._truth.append(_truth(said))
            self._news.set()
        await process.wait()
        self._news.set()


async def _reply(process: asyncio.subprocess.Process) -> dict[str, Any]:
    if process.stdout is None:
        return {}
    try:
        line = await process.stdout.readline()
        said = json.loads(line) if line else {}
    except ValueError:  # cut off by its end
        said = {}
    return said if isinstance(said, dict) else {}


def _checked(**figures: float | None) -> dict[str, float]:
    for name, value in figures.items():
        if value is not None and not 0.0 <= value <= (1.0 if name == "loss_ratio" else 1e5):
            raise RangeError(name, given=value, allowed="0..1" if name == "loss_ratio" else "0..100000")
    return {name: float(value) for name, value in figures.items() if value is not None}


def _truth(said: dict[str, Any]) -> Truth:
    return Truth(at=datetime.fromtimestamp(said["at"], UTC), streams=said["streams"], down=_link(said["down"]), up=_link(said["up"]))


def _link(said: dict[str, Any]) -> LinkTruth:
    return LinkTruth(
        rate_mbps=said["mbps"], entered_octets=said["in"], left_octets=said["out"], dropped=said["dropped"], lost=said["lost"], queue_ms=said["queue_ms"],
        queue_most_ms=said["queue_most_ms"], lateness_p50_ms=percentile_ms(said["late"], 0.5), lateness_p99_ms=percentile_ms(said["late"], 0.99),
        late_counts=tuple(said["late"]),
    )  # fmt: skip

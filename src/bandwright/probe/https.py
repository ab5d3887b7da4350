"""Measuring without a far end: a download from, and where declared an upload to, any HTTPS address the user names.

What can be known so: goodput from the octets the application gets (in order, so that a lost packet looks like a stall and then a
burst), and the time a TCP connection to that host takes, idle and under load. What cannot: loss, each direction's delay, whether
that server or the path to it was the limit. Each of these is said in the result as the reason of its absence.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import ssl
import time
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from statistics import fmean, median
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from bandwright.errors import UsageError
from bandwright.ports import Clock, ProbeEvent, ProbeListener
from bandwright.probe import nearside, recipe, series
from bandwright.probe.contact import Address, Resolve, Timeouts, WayOut, resolve
from bandwright.probe.near import SystemClock
from bandwright.probe.outcome import PathFault, fault_from
from bandwright.words.measurement import Fact, Measurement, MeasurementPlan, Method, Outcome, Phase, Size, Value

if TYPE_CHECKING:
    import httpx2

__all__ = ["HttpsProbe", "HttpsSettings"]

_LOAD_S = {Size.LIGHT: 0.9, Size.USUAL: 2.0, Size.FULL: 5.0}
_UNKNOWABLE = {
    "loss_ratio": "loss cannot be seen from an HTTPS download: TCP hides it. A far end of your own shows it.",
    "delay_variation_down_ms": "each direction's delay needs a far end of your own",
    "delay_variation_up_ms": "each direction's delay needs a far end of your own",
    "capacity_down_mbps": "capacity needs a far end of your own; goodput from this server is a lower bound of it",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpsSettings:
    """How an HTTPS address is measured. tls: None is the system's trust store."""

    timeouts: Timeouts = field(default_factory=Timeouts)
    look_up: Resolve = resolve
    tls: ssl.SSLContext | None = None


@dataclass(slots=True)
class _Loaded:
    """One load: samples (ns, octets), connect times during it, why it ended."""

    direction: str
    samples: list[tuple[int, int]] = field(default_factory=list)
    delays_ms: list[float] = field(default_factory=list)
    failed_connects: int = 0
    ended: str = "time"
    http_version: str = ""


class HttpsProbe:
    """A Probe towards an HTTPS address that the user declares. Raises UsageError where an address is not HTTPS."""

    def __init__(self, download_url: str, upload_url: str | None = None, *, clock: Clock | None = None, settings: HttpsSettings | None = None) -> None:
        for name, url in (("download address", download_url), ("upload address", upload_url)):
            if url is not None and (urlsplit(url).scheme != "https" or not urlsplit(url).hostname):
                raise UsageError(name, given=url, allowed="an address that begins with https://")
        self._download_url, self._upload_url = download_url, upload_url
        self._clock: Clock = clock or SystemClock()
        self._settings = settings or HttpsSettings()

    def cost_megabytes(self, plan: MeasurementPlan, *, load_s: float = 0.0) -> float:
        """Return about what one such measurement takes, in MB, after so many seconds of load."""
        seconds = self._load_seconds(plan)
        down = (plan.expected_down_mbps or recipe.UNKNOWN_DOWN_MBPS) if plan.downlink else 0.0
        up = (plan.expected_up_mbps or recipe.UNKNOWN_UP_MBPS) if plan.uplink and self._upload_url else 0.0
        megabytes = 0.1 + 0.14 * seconds * (down + up)
        return (megabytes if plan.max_megabytes is None else min(megabytes, plan.max_megabytes)) + recipe.load_megabytes(plan, load_s)

    def _load_seconds(self, plan: MeasurementPlan) -> float:
        seconds = _LOAD_S[plan.size]
        if plan.max_seconds is None:
            return seconds
        loads = plan.downlink + (plan.uplink and self._upload_url is not None) or 1
        return min(seconds, max(0.3, (plan.max_seconds - 2.5) / loads))

    async def load(self, seconds: float, *, plan: MeasurementPlan) -> float:
        """Load the downlink without measuring. Returns the MB it took. A path that fails here will show so in the measurement that follows."""
        with contextlib.suppress(PathFault):
            loaded = await self._transfer("down", self._download_url, seconds=seconds, plan=plan, addresses=[], listener=None, max_octets=float("inf"))
            return _megabytes([loaded])
        return 0.0

    async def measure(self, plan: MeasurementPlan, *, listener: ProbeListener | None = None) -> Measurement:
        """Measure once: connect times, then a download, then an upload where an address for it is declared."""
        key, at, began = str(uuid.uuid4()), self._clock.now(), time.monotonic()
        idle: list[float] = []
        loads: list[_Loaded] = []
        facts: dict[str, Fact] = {"size": plan.size.value, "streams": plan.streams, "rate_from_down": "octets read by the application"}
        fault: PathFault | None = None
        try:
            addresses = await self._reach(plan, facts)
            await self._tell(listener, "phase", Phase.IDLE, "connection times while nothing is asked of the line")
            idle += await self._connect_times(addresses, plan, count=10 if plan.size is Size.LIGHT else 20)
            down_mb, up_mb = recipe.split_megabytes(plan if self._upload_url else _only_down(plan))
            wanted = [("down", self._download_url, plan.downlink, down_mb), ("up", self._upload_url, plan.uplink, up_mb)]
            for direction, url, asked, megabytes in wanted:
                if asked and url is not None:
                    loads.append(
                        await self._transfer(
                            direction, url, seconds=self._load_seconds(plan), plan=plan, addresses=addresses, listener=listener, max_octets=megabytes * 1e6
                        )
                    )
                    _check(loads[-1], url)
        except PathFault as error:
            fault = error
        return Measurement(
            key=key,
            at=at,
            method=Method.HTTPS,
            outcome=fault.outcome if fault else Outcome.OK,
            phase=fault.phase if fault else None,
            reason=fault.reason if fault else None,
            size=plan.size,
            setup_asked=plan.setup,
            values=_values(idle, loads, plan, self._upload_url is not None),
            series=tuple((f"series_{x.direction}_mbps", tuple(round(r, 4) for r in series.rates_per_bin(x.samples))) for x in loads),
            facts=tuple((facts | {f"http_version_{x.direction}": x.http_version for x in loads}).items()),
            megabytes=_megabytes(loads),
            seconds=time.monotonic() - began,
            far_end=self._download_url,
        )

    async def _tell(self, listener: ProbeListener | None, kind: str, phase: Phase, text: str) -> None:
        if listener is not None:
            await listener(ProbeEvent(kind=kind, phase=phase, text=text))

    async def _reach(self, plan: MeasurementPlan, facts: dict[str, Fact]) -> list[Address]:
        """Look the host up and connect once; return the addresses that answered, and note what was learnt."""
        parts = urlsplit(self._download_url)
        host, port, timeouts = parts.hostname or "", parts.port or 443, self._settings.timeouts
        try:
            async with asyncio.timeout(timeouts.name_lookup_s):
                found = await asyncio.to_thread(self._settings.look_up, host, port)
        except (OSError, UnicodeError) as error:
            raise fault_from(error, phase=Phase.NAME_LOOKUP, where=host) from None
        last = OSError(101, "no address")
        for address in found:
            try:
                local, _ = await asyncio.to_thread(_connect_once, address, _way_out(plan), timeouts.connect_s)
            except OSError as failed:
                last = failed
                continue
            interface = plan.interface or nearside.interface_of(local)
            facts["family"] = "ipv6" if address.family == socket.AF_INET6 else "ipv4"
            facts["address"] = nearside.address_kind(local)
            facts |= {f"near_end.{k}": v for k, v in nearside.link_facts(interface).items()}
            return [address]
        fault = fault_from(last, phase=Phase.CONNECT, where=host)
        if fault.phase is Phase.FAR_END:
            fault = PathFault(Phase.FAR_END, f"The host {host} answered, but nothing listens at port {port} there.", outcome=Outcome.VOID)
        raise fault

    async def _connect_times(self, addresses: list[Address], plan: MeasurementPlan, *, count: int) -> list[float]:
        out = []
        for _ in range(count):
            with contextlib.suppress(OSError):
                out.append((await asyncio.to_thread(_connect_once, addresses[0], _way_out(plan), 2.0))[1])
            await asyncio.sleep(0.03)
        return out

    async def _transfer(
        self, direction: str, url: str, *, seconds: float, plan: MeasurementPlan, addresses: list[Address], listener: ProbeListener | None, max_octets: float
    ) -> _Loaded:
        """Load one direction with several connections, and take connection times beside it."""
        import httpx2

        phase = Phase.DOWNLINK if direction == "down" else Phase.UPLINK
        timeouts = self._settings.timeouts
        loaded, counts = _Loaded(direction), [0] * plan.streams
        transport = httpx2.AsyncHTTPTransport(
            verify=self._settings.tls or ssl.create_default_context(),
            http1=True,
            http2=False,
            local_address=plan.source_address,
            socket_options=_socket_options(plan),
        )
        limits = httpx2.Timeout(connect=timeouts.connect_s, read=timeouts.stall_s, write=timeouts.stall_s, pool=None)
        one: Callable[[httpx2.AsyncClient, str, list[int], int, _Loaded], Awaitable[None]] = _download if direction == "down" else _upload
        async with httpx2.AsyncClient(transport=transport, timeout=limits, follow_redirects=True, headers={"accept-encoding": "identity"}) as client:
            await self._tell(listener, "phase", phase, "downloading" if direction == "down" else "uploading")
            tasks = [asyncio.ensure_future(one(client, url, counts, i, loaded)) for i in range(plan.streams)]
            beside = asyncio.ensure_future(self._delays_beside(addresses, plan, loaded)) if addresses else None
            try:
                await _watch(tasks, counts, loaded, seconds=seconds, max_octets=max_octets, patience_s=timeouts.connect_s + timeouts.tls_s)
            finally:
                for task in [*tasks, *([beside] if beside else [])]:
                    task.cancel()
                results = await asyncio.gather(*tasks, *([beside] if beside else []), return_exceptions=True)
        faults = [_translated(r, url, phase) for r in results if isinstance(r, Exception)]
        if faults and (not loaded.samples or loaded.samples[-1][1] == 0):
            raise faults[0]
        if faults and loaded.ended == "closed":
            loaded.ended = "stalled"
        return loaded

    async def _delays_beside(self, addresses: list[Address], plan: MeasurementPlan, loaded: _Loaded) -> None:
        await asyncio.sleep(0.4)  # past the ramp
        while True:
            try:
                loaded.delays_ms.append((await asyncio.to_thread(_connect_once, addresses[0], _way_out(plan), 2.0))[1])
            except OSError:
                loaded.failed_connects += 1
            await asyncio.sleep(0.05)


def _only_down(plan: MeasurementPlan) -> MeasurementPlan:
    from dataclasses import replace

    return replace(plan, uplink=False, downlink=True)


def _way_out(plan: MeasurementPlan) -> WayOut:
    return WayOut(interface=plan.interface, source_address=plan.source_address)


def _socket_options(plan: MeasurementPlan) -> list[Any]:
    option = getattr(socket, "SO_BINDTODEVICE", None)
    return [(socket.SOL_SOCKET, option, plan.interface.encode() + b"\0")] if plan.interface and option is not None else []


def _connect_once(address: Address, way_out: WayOut, timeout_s: float) -> tuple[str, float]:
    """Return (local address, ms a connection took). Raises OSError."""
    sock = way_out.socket(address.family, socket.SOCK_STREAM)
    with sock:
        sock.settimeout(timeout_s)
        began = time.perf_counter()
        sock.connect(address.sockaddr)
        return str(sock.getsockname()[0]), (time.perf_counter() - began) * 1e3


async def _download(client: httpx2.AsyncClient, url: str, counts: list[int], index: int, loaded: _Loaded) -> None:
    while True:
        async with client.stream("GET", url) as response:
            _refuse_status(response.status_code, url)
            loaded.http_version = response.http_version
            before = counts[index]
            async for chunk in response.aiter_raw():
                counts[index] += len(chunk)
            if counts[index] == before:
                raise PathFault(Phase.FAR_END, f"{url} gave an empty answer: name a larger file.", outcome=Outcome.VOID)


async def _upload(client: httpx2.AsyncClient, url: str, counts: list[int], index: int, loaded: _Loaded) -> None:
    block = os.urandom(32768)

    async def body() -> AsyncIterator[bytes]:
        for _ in range(2048):
            yield block
            counts[index] += len(block)

    while True:
        response = await client.post(url, content=body(), headers={"content-type": "application/octet-stream"})
        _refuse_status(response.status_code, url)
        loaded.http_version = response.http_version


def _refuse_status(status: int, url: str) -> None:
    if status >= 400:
        raise PathFault(Phase.FAR_END, f"{url} answered with status {status}: it does not serve this measurement.", outcome=Outcome.VOID)


async def _watch(tasks: Sequence[asyncio.Future[None]], counts: list[int], loaded: _Loaded, *, seconds: float, max_octets: float, patience_s: float) -> None:
    """Sample the counts from the first octet on, until the time, the octets or all connections end."""
    waited = time.monotonic()
    while not any(counts):
        if all(t.done() for t in tasks) or time.monotonic() - waited > patience_s:
            loaded.ended = "closed"
            return
        await asyncio.sleep(0.005)
    start = time.monotonic_ns()
    loaded.samples.append((start, sum(counts)))
    while True:
        await asyncio.sleep(0.02)
        now, octets = time.monotonic_ns(), sum(counts)
        loaded.samples.append((now, octets))
        if now - start >= seconds * 1e9:
            return
        if octets >= max_octets:
            loaded.ended = "octets"
            return
        if all(t.done() for t in tasks):
            loaded.ended = "closed"
            return


def _translated(error: Exception, url: str, phase: Phase) -> PathFault:
    """Return the fault that an exception of the HTTP client stands for."""
    import httpx2

    if isinstance(error, PathFault):
        return error
    if isinstance(error, httpx2.ConnectError) and "CERTIFICATE" in str(error).upper():
        return PathFault(Phase.TLS, f"What answered in place of {url} could not prove that it is that server. A sign-in page of the network?")
    if isinstance(error, httpx2.ConnectError | httpx2.ConnectTimeout):
        return PathFault(Phase.CONNECT, f"{url} did not answer.")
    if isinstance(error, httpx2.TimeoutException):
        return PathFault(phase, f"The path to {url} died in transfer: nothing passed in time. What was measured until then is kept.")
    if isinstance(error, httpx2.HTTPError | httpx2.InvalidURL | OSError):
        return PathFault(phase, f"The transfer with {url} broke off ({type(error).__name__}).")
    raise error


def _check(loaded: _Loaded, url: str) -> None:
    if loaded.ended == "stalled":
        phase = Phase.DOWNLINK if loaded.direction == "down" else Phase.UPLINK
        raise PathFault(phase, f"The path to {url} died in transfer. What was measured until then is kept.")


def _megabytes(loads: Sequence[_Loaded]) -> float:
    """Return what transfers took of the plan, in MB: the octets read or sent with about 5 % of headers, and the connections."""
    return 0.02 + sum(x.samples[-1][1] for x in loads if x.samples) * 1.05 / 1e6


def _values(idle: list[float], loads: list[_Loaded], plan: MeasurementPlan, has_upload: bool) -> tuple[Value, ...]:
    rows = []
    if idle:
        rows += [Value(quantity="delay_idle_ms", value=median(idle)), Value(quantity="delay_idle_p95_ms", value=series.percentile(idle, 0.95))]
    else:
        rows.append(Value(quantity="delay_idle_ms", reason="no connection was made"))
    by_direction = {x.direction: x for x in loads}
    for direction, asked in (("down", plan.downlink), ("up", plan.uplink)):
        if asked:
            rows += _direction_values(by_direction.get(direction), direction, has_address=direction == "down" or has_upload)
    rows += [Value(quantity=q, reason=why) for q, why in _UNKNOWABLE.items()]
    return tuple(rows)


def _direction_values(loaded: _Loaded | None, direction: str, *, has_address: bool) -> list[Value]:
    goodput, delay = f"goodput_{direction}_mbps", f"delay_loaded_{direction}_ms"
    if not has_address:
        why = "no address to upload to is declared"
        return [Value(quantity=goodput, reason=why), Value(quantity=delay, reason=why)]
    figures = series.figures_of_rate(loaded.samples) if loaded is not None else None
    if loaded is None or figures is None:
        return [Value(quantity=goodput, reason="the measurement ended before this load, or too little passed")]
    rows = [Value(quantity=goodput, value=figures.mbps, low=figures.low, high=figures.high)]
    if loaded.delays_ms:
        rows.append(Value(quantity=delay, value=fmean(loaded.delays_ms)))
    else:
        rows.append(Value(quantity=delay, reason="no connection was made under this load"))
    return rows

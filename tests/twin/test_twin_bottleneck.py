"""The bottleneck: its link with a clock of the test's own, and real bytes through its process. Only lower bounds of time are asserted: they hold on any machine."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections import deque
from types import SimpleNamespace
from typing import Self

import pytest

from bandwright.errors import RangeError, UsageError
from bandwright.twin.bottleneck import Bottleneck, goodput_mbps, ip_rate_mbps
from bandwright.twin.relay import Link, Relay, percentile_ms


def _link(*, mbps: float = 8.0, delay_s: float = 0.0, buffer_s: float = 0.1, loss: float = 0.0) -> Link:
    link = Link(1)
    link.octets_per_s, link.delay_s, link.buffer_s, link.loss_ratio = mbps * 1e6 / 8, delay_s, buffer_s, loss
    return link


def test_octets_leave_when_a_line_of_that_rate_has_sent_them_and_the_delay_has_passed():
    link = _link(mbps=8.0, delay_s=0.010)  # a million octets a second
    for i in range(5):
        assert link.enter(100.0, 1000, i, None, may_drop=True)
    assert [round(item[0] - 100.0, 9) for item in link.queue] == [0.011, 0.012, 0.013, 0.014, 0.015]
    assert [item[2] for item in link.leave(100.0131)] == [0, 1, 2]
    assert link.leave(100.0131) == []


def test_an_idle_line_begins_anew():
    link = _link()
    link.enter(100.0, 1000, "a", None, may_drop=True)
    link.enter(105.0, 1000, "b", None, may_drop=True)
    assert [item[0] for item in link.queue] == pytest.approx([100.001, 105.001])


def test_the_rate_comes_out_whatever_is_offered():
    link = _link(mbps=8.0, buffer_s=0.05)
    out, now = 0, 0.0
    for _ in range(20000):  # twice the rate is offered for ten seconds
        now += 0.0005
        link.enter(now, 1000, b"", None, may_drop=True)
        out += sum(item[1] for item in link.leave(now))
    assert out / now == pytest.approx(1e6, rel=0.01)
    assert link.dropped == pytest.approx(10000, rel=0.01)
    assert link.queue_most_s <= 0.05 + 0.001 + 1e-9  # a packet more than the buffer at most


def test_only_what_may_be_dropped_is():
    link = _link(buffer_s=0.002)
    for _ in range(10):
        link.enter(0.0, 1000, b"", None, may_drop=False)
    assert len(link.queue) == 10
    assert not link.room(0.0)
    assert not link.enter(0.0, 1000, b"", None, may_drop=True)
    assert link.room(0.0081)  # 10 ms of queue, 2 ms of buffer
    assert not link.room(0.0079)


def test_loss_has_its_share_and_a_rate_of_nothing_lets_nothing_pass():
    link = _link(mbps=1e6, loss=0.2)
    kept = sum(link.enter(float(i), 100, b"", None, may_drop=True) for i in range(5000))
    assert abs(kept / 5000 - 0.8) < 0.03  # standard error .006
    assert link.lost == 5000 - kept
    closed = _link(mbps=0.0)
    assert not closed.room(0.0)
    assert not closed.enter(0.0, 100, b"", None, may_drop=True)


def test_order_stays_when_the_delay_is_lowered():
    link = _link(delay_s=0.5)
    link.enter(0.0, 1000, "first", None, may_drop=True)
    link.delay_s = 0.0
    link.enter(0.1, 1000, "second", None, may_drop=True)
    assert link.leave(0.4) == []
    assert [item[2] for item in link.leave(0.6)] == ["first", "second"]


def test_lateness_is_counted():
    link = _link()
    for i in range(100):
        link.enter(float(i), 1000, b"", None, may_drop=True)
        link.leave(float(i) + 0.001 + (0.00005 if i < 98 else 0.0071))
    assert percentile_ms(link.late, 0.5) == pytest.approx(0.1)
    assert percentile_ms(link.late, 0.99) == pytest.approx(7.2, abs=0.11)
    assert percentile_ms([0, 0], 0.5) == 0.0


def test_headers_turn_goodput_into_rate_and_back():
    assert ip_rate_mbps(144.8) == pytest.approx(150.0)  # 1448 of 1500 octets, IPv4 and TCP with timestamps: RFC 791, 9293, 7323
    assert goodput_mbps(ip_rate_mbps(37.0)) == pytest.approx(37.0)


class _Echo:
    """Sends back what comes, over TCP and UDP on one port number."""

    def __init__(self) -> None:
        self.ended: list[str] = []
        self.heard = asyncio.Event()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._stream, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        outer = self

        class _Datagrams(asyncio.DatagramProtocol):
            def connection_made(self, transport) -> None:
                self.transport = transport

            def datagram_received(self, data, addr) -> None:
                outer.heard.set()
                self.transport.sendto(data[::-1], addr)

        self._udp, _ = await asyncio.get_running_loop().create_datagram_endpoint(_Datagrams, local_addr=("127.0.0.1", self.port))
        return self

    async def _stream(self, reader, writer) -> None:
        try:
            while data := await reader.read(65536):
                writer.write(data)
                await writer.drain()
            self.ended.append("end")
            writer.write_eof()
        except ConnectionResetError:
            self.ended.append("reset")
        self.heard.set()
        writer.close()

    async def __aexit__(self, *_) -> None:
        self._udp.close()
        self._server.close()


async def _datagram(address, data: bytes, timeout_s: float = 5.0) -> bytes:
    loop = asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.connect(address)
        await loop.sock_sendall(sock, data)
        return await asyncio.wait_for(loop.sock_recv(sock, 65536), timeout_s)


async def test_octets_pass_whole_and_in_order_and_both_ends_hear_the_end():
    data = bytes(range(256)) * 4000
    async with _Echo() as echo, Bottleneck(target=("127.0.0.1", echo.port), down_mbps=2000, up_mbps=2000, delay_ms=0) as link:
        reader, writer = await asyncio.open_connection(*link.address)

        async def send() -> None:
            writer.write(data)
            await writer.drain()
            writer.write_eof()

        _, got = await asyncio.gather(send(), reader.read(-1))
        assert got == data
        assert echo.ended == ["end"]
        writer.close()


async def test_a_transfer_takes_as_long_as_the_rate_says_and_a_round_trip_as_long_as_the_delay_says():
    data = bytes(250_000)
    async with _Echo() as echo, Bottleneck(target=("127.0.0.1", echo.port), down_mbps=2000, up_mbps=10, delay_ms=30) as link:
        begin = time.monotonic()
        assert await _datagram(link.address, b"abc") == b"cba"
        assert time.monotonic() - begin >= 0.030
        reader, writer = await asyncio.open_connection(*link.address)
        begin = time.monotonic()
        writer.write(data)
        assert len(await reader.readexactly(len(data))) == len(data)
        assert time.monotonic() - begin >= 0.030 + 250_000 * 8 / goodput_mbps(10e6)
        writer.close()


async def test_a_reset_reaches_the_other_end():
    async with _Echo() as echo, Bottleneck(target=("127.0.0.1", echo.port), down_mbps=100, up_mbps=100, delay_ms=0) as link:
        reader, writer = await asyncio.open_connection(*link.address)
        writer.write(b"x")
        await reader.readexactly(1)
        writer.transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        writer.transport.abort()
        await asyncio.wait_for(echo.heard.wait(), 5.0)
        assert echo.ended == ["reset"]


async def test_a_dead_target_resets_who_connects():
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        dead = unused.getsockname()
    async with Bottleneck(target=dead, down_mbps=100, up_mbps=100) as link:
        with contextlib.suppress(ConnectionResetError):
            reader, writer = await asyncio.open_connection(*link.address)
            assert await asyncio.wait_for(reader.read(1), 5.0) == b""
            writer.close()


async def test_figures_can_be_changed_while_it_runs_and_are_in_its_log():
    async with _Echo() as echo, Bottleneck(target=("127.0.0.1", echo.port), down_mbps=50, up_mbps=50, delay_ms=0, loss_ratio=0.0) as link:
        assert await _datagram(link.address, b"before") == b"erofeb"
        link.set(up_mbps=0.0)
        await _until(link, lambda: any(t.up.rate_mbps == 0.0 for t in link.truth))
        echo.heard.clear()
        with pytest.raises(TimeoutError):
            await _datagram(link.address, b"during", 0.2)
        assert not echo.heard.is_set()
        link.set(up_mbps=20.0, down_mbps=7.0)
        await _until(link, lambda: link.truth[-1].up.rate_mbps == pytest.approx(20.0))
        assert await _datagram(link.address, b"after") == b"retfa"
        await _until(link, lambda: sum(t.up.left_octets for t in link.truth) >= 2 * 28 + 11)
        assert link.truth[-1].down.rate_mbps == pytest.approx(7.0)
        assert sum(t.up.dropped for t in link.truth) == 1
        assert sum(t.up.entered_octets for t in link.truth) == 28 + 6 + 28 + 5  # IP and UDP headers: 20 + 8 octets, RFC 791 and 768


async def _until(link: Bottleneck, condition) -> None:
    """Read the log, second by second, until what is wanted is in it."""
    while not condition():
        await asyncio.wait_for(link.next_truth(), 20.0)


async def test_a_taken_port_and_figures_out_of_range_are_said():
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(UsageError, match="cannot listen there"):
        await Bottleneck(listen=taken.getsockname(), target=("127.0.0.1", 9), down_mbps=1, up_mbps=1).start()
    with pytest.raises(RangeError, match="loss_ratio"):
        Bottleneck(target=("127.0.0.1", 9), down_mbps=1, up_mbps=1, loss_ratio=1.5)
    idle = Bottleneck(target=("127.0.0.1", 9), down_mbps=1, up_mbps=1)
    with pytest.raises(UsageError, match="does not listen"):
        _ = idle.address
    with pytest.raises(UsageError, match="not running"):
        idle.set(down_mbps=3)
    await idle.close()


async def test_it_ends_with_its_owner():
    link = Bottleneck(target=("127.0.0.1", 9), down_mbps=1, up_mbps=1)
    await link.start()
    process = link._process
    await link.close()
    await link.close()
    assert process.returncode == 0
    with pytest.raises(UsageError, match="not running"):
        await link.next_truth()


def test_a_reset_while_the_streams_take_turns_ends_that_pair_only():
    class Gone:
        def recv(self, _most: int) -> bytes:
            raise ConnectionResetError

    pair, link = SimpleNamespace(closed=False), SimpleNamespace(room=lambda _now: True, octets_per_s=1e6)
    halves = [SimpleNamespace(source=Gone(), pair=pair, ended=False, link=link) for _ in range(2)]
    relay = SimpleNamespace(_order=deque(halves))
    resets = []

    def reset(gone: SimpleNamespace) -> None:
        gone.closed = True
        resets.append(gone)
        relay._order = deque(h for h in relay._order if not h.pair.closed)

    relay._reset = reset
    Relay._take_streams(relay, {h.source for h in halves})
    assert resets == [pair]
    assert not relay._order

"""The far end towards strangers, replays, other sessions and greedy friends; and a whole measurement on loopback."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import random
import socket
import ssl
import struct
import time
from pathlib import Path

import pytest
from ends import OpenNearEnd, far_end

from bandwright.errors import UsageError
from bandwright.ports import Probe, ProbeEvent
from bandwright.probe import far, pairing, stamp, wire
from bandwright.probe.contact import Timeouts, WayOut, open_contact
from bandwright.probe.limits import Limits
from bandwright.probe.near import NearEnd, NearEndSettings
from bandwright.words.measurement import MeasurementPlan, Method, Outcome, Phase, Size

TINY = MeasurementPlan(size=Size.LIGHT, max_seconds=2.2, max_megabytes=400.0)
SLOW = Limits(load_mbps=200.0, knocks_per_s=1000.0)  # so that a second of loopback is not gigabytes


@pytest.fixture(scope="module")
def served():
    with far_end(limits=SLOW) as served:
        yield served


async def _contact(secret: str, **more):
    known = pairing.parse(secret)
    return await open_contact(known, address=known.address, timeouts=Timeouts(), way_out=WayOut(), **more)


@contextlib.asynccontextmanager
async def _session(secret: str):
    """A proved session that has its turn, and gives it back whatever happens."""
    contact = await _contact(secret)
    try:
        assert (await contact.request({"type": "begin"}, timeout_s=30))["type"] == "begun"
        yield contact
    finally:
        await contact.request({"type": "bye"}, timeout_s=10)
        await contact.close()


# ---- a whole measurement


@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
async def test_a_measurement_on_loopback_has_every_part(host: str) -> None:
    if host == "::1" and not Path("/proc/net/if_inet6").exists():
        pytest.skip("no IPv6 here")
    heard: list[ProbeEvent] = []

    async def listen(event: ProbeEvent) -> None:
        heard.append(event)

    with far_end(host=host, limits=SLOW) as (_, secret):
        near = OpenNearEnd(None, secret)
        assert isinstance(near, Probe)
        m = await near.measure(TINY, listener=listen)
    assert (m.outcome, m.phase, m.reason) == (Outcome.OK, None, None)
    assert (m.method, m.size) == (Method.NEAR_FAR, Size.LIGHT)
    assert [e.phase for e in heard if e.kind == "phase"] == ["connect", "idle", "downlink", "uplink", "result"]
    for quantity in (
        "delay_idle_ms",
        "delay_variation_up_ms",
        "goodput_down_mbps",
        "goodput_up_mbps",
        "delay_loaded_down_ms",
        "delay_loaded_up_ms",
        "loss_ratio",
        "path_mtu",
    ):
        assert m.number(quantity) is not None, quantity
    assert m.get("loss_ratio").high < 0.3
    assert m.fact("family") == ("ipv6" if ":" in host else "ipv4")
    assert m.fact("congestion_control") in {"bbr", "cubic", "reno"}
    assert m.fact("near_end.rwnd_limited_share") is not None
    assert m.megabytes < 400 * 1.3
    assert m.seconds < 6
    assert all(v.value is not None or v.reason for v in m.values)
    assert len({v.quantity for v in m.values}) == len(m.values)


async def test_every_value_is_a_row_of_the_table_of_quantities(served) -> None:
    from bandwright.quantities import quantity

    m = await NearEnd(None, served[1]).measure(MeasurementPlan(size=Size.FULL, max_seconds=4.0, max_megabytes=300.0))
    assert m.outcome is Outcome.OK, m.reason
    for value in m.values:
        row = quantity(value.quantity)
        assert row is not None, value.quantity
        assert row.of == "measurement"
    assert {"capacity_down_mbps", "goodput_down_single_mbps"} <= {v.quantity for v in m.values}


async def test_megabytes_and_seconds_are_respected(served) -> None:
    began = time.monotonic()
    m = await NearEnd(None, served[1]).measure(MeasurementPlan(size=Size.USUAL, max_seconds=3.0, max_megabytes=12.0))
    assert m.outcome is Outcome.OK
    assert m.megabytes < 13
    assert time.monotonic() - began < 5
    assert m.fact("ended_down") == "octets"


async def test_one_direction_alone_is_measured_alone(served) -> None:
    m = await NearEnd(None, served[1]).measure(MeasurementPlan(size=Size.LIGHT, max_seconds=1.8, max_megabytes=100.0, downlink=False))
    assert m.get("goodput_down_mbps") is None
    assert m.number("goodput_up_mbps") is not None


async def test_a_source_address_and_an_interface_bind_every_socket(served) -> None:
    m = await NearEnd(None, served[1]).measure(
        MeasurementPlan(size=Size.LIGHT, max_seconds=1.8, max_megabytes=50.0, source_address="127.0.0.2", interface="lo")
    )
    assert m.outcome is Outcome.OK, m.reason
    wrong = await NearEnd(None, served[1]).measure(MeasurementPlan(size=Size.LIGHT, interface="no-such0"))
    assert (wrong.outcome, wrong.phase) == (Outcome.FAILED, Phase.CONNECT)


async def test_a_warm_up_loads_and_says_nothing(served) -> None:
    assert 0.5 < await NearEnd(None, served[1]).load(0.2, plan=MeasurementPlan(max_megabytes=20.0)) < 21.0
    assert await NearEnd("127.0.0.1:1", served[1]).load(0.2, plan=MeasurementPlan()) == 0.0


# ---- one at a time, and not too much


async def test_tests_run_one_at_a_time(served) -> None:
    first, second = await _contact(served[1]), await _contact(served[1])
    assert (await first.request({"type": "begin"}, timeout_s=10))["type"] == "begun"
    waiting = asyncio.ensure_future(second.request({"type": "begin"}, timeout_s=5))
    assert (await second.events.get())["type"] == "queued"
    await asyncio.sleep(0.1)
    assert not waiting.done()
    await first.request({"type": "bye"}, timeout_s=10)
    assert (await waiting)["type"] == "begun"
    await second.request({"type": "bye"}, timeout_s=10)
    for contact in (first, second):
        await contact.close()


async def test_a_far_end_that_stays_busy_makes_it_void() -> None:
    with far_end(limits=Limits(queue_s=0.2)) as (_, secret):
        holder = await _contact(secret)
        await holder.request({"type": "begin"}, timeout_s=10)
        m = await NearEnd(None, secret).measure(TINY)
        await holder.close()
    assert (m.outcome, m.phase) == (Outcome.VOID, Phase.FAR_END)
    assert "busy" in (m.reason or "")


async def test_a_used_up_month_makes_it_void_and_a_small_rest_is_kept_to() -> None:
    made = []
    with far_end(limits=Limits(megabytes_per_month=6.0, load_mbps=200.0)) as (_, secret):
        while len(made) < 4 and not (made and made[-1].outcome is Outcome.VOID):  # what a block leaves of the month, the next load may take
            made.append(await NearEnd(None, secret).measure(MeasurementPlan(size=Size.LIGHT, max_seconds=1.8, uplink=False) if not made else TINY))
    assert len(made) > 1
    assert sum(m.megabytes for m in made) < 7.5
    assert (made[-1].outcome, made[-1].phase) == (Outcome.VOID, Phase.FAR_END)
    assert "month" in (made[-1].reason or "")


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"kind": "tcp"},
        {"kind": "tcp", "direction": "down", "streams": 1000, "seconds": 1, "max_octets": 1e6},
        {"kind": "tcp", "direction": "down", "streams": 1, "seconds": 3600, "max_octets": 1e6},
        {"kind": "tcp", "direction": "down", "streams": 1, "seconds": float("1e400"), "max_octets": 1e6},
        {"kind": "/etc/passwd", "direction": "down", "streams": 1, "seconds": 1, "max_octets": 1e6},
        {"kind": "udp", "direction": "up", "streams": True, "seconds": 1, "max_octets": 1e6},
        {"kind": "udp", "direction": "down", "seconds": 1, "max_octets": 1e6, "payload": 60000},
        {"kind": "tcp", "direction": "down", "streams": 1, "seconds": 1, "max_octets": 1e6, "cc": 7},
        {"kind": ["tcp"], "direction": {"down": 1}, "streams": 1, "seconds": 1, "max_octets": 1e6},
        {"kind": "tcp", "direction": "down", "streams": "4", "seconds": [1], "max_octets": None},
    ],
)
async def test_loads_beyond_the_limits_are_refused(served, asked: dict) -> None:
    async with _session(served[1]) as contact:
        try:
            reply = await contact.request({"type": "load", **asked}, timeout_s=10)
            assert (reply["type"], reply["code"]) == ("refused", "limits")
        except ValueError:
            pass  # infinity cannot even be written
        assert (await contact.request({"type": "run", "path": "/bin/sh"}, timeout_s=10))["code"] == "unknown"


async def test_nothing_is_loaded_without_a_turn(served) -> None:
    contact = await _contact(served[1])
    asked = {"type": "load", "kind": "tcp", "direction": "down", "streams": 1, "seconds": 1, "max_octets": 1e6}
    assert (await contact.request(asked, timeout_s=10))["code"] == "turn"
    assert (await contact.request({"type": "delay", "pps": 10, "seconds": 1}, timeout_s=10))["code"] == "limits"
    await contact.request({"type": "bye"}, timeout_s=10)
    await contact.close()


# ---- strangers


def _udp(port: int) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.connect(("127.0.0.1", port))
    sock.settimeout(0.15)
    return sock


def _asked(sock: socket.socket, packet: bytes, *, patience_s: float = 0.15) -> bytes | None:
    """Return the answer to a packet, or None. Silence is waited for shortly, an answer for as long as a busy machine takes."""
    sock.settimeout(patience_s)
    sock.send(packet)
    try:
        return sock.recv(2048)
    except TimeoutError:
        return None


def test_unknown_udp_gets_no_answer_at_all(served) -> None:
    rng = random.Random(1)
    packets = [rng.randbytes(n) for n in (0, 1, 44, 72, 112, 112, 1400)]
    packets += [stamp.pack_sender(sequence=1, t1=0, ssid=s, key=k) for s in (0, 1, 77) for k in (None, b"x")]
    packets += [wire.pack_udp_opening(wire.UdpOpening(bytes(16), bytes(16)), b"x"), b"bw1u" + bytes(68)]
    with _udp(served[0].port) as sock:
        for packet in packets:
            sock.send(packet)
        with pytest.raises(TimeoutError):
            sock.recv(2048)


def _tls(port: int) -> ssl.SSLSocket:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    sock = socket.create_connection(("127.0.0.1", port), timeout=3)
    return context.wrap_socket(sock)


def _heard(tls: ssl.SSLSocket) -> bytes:
    """Return what came until the far end closed, in whichever way it did."""
    try:
        return tls.recv(1000)
    except (ssl.SSLEOFError, ConnectionResetError):
        return b""


@pytest.mark.parametrize(
    "octets",
    [
        b"\xff\xff\xff\xff",
        struct.pack("!I", 5) + b"hello",
        wire.encode({"type": "load"}),
        wire.encode({"type": "hello", "versions": [1], "near_id": "x", "nonce": "zz"}),
        wire.encode({"type": "hello", "versions": [1], "near_id": ["x"], "nonce": "00" * 16}),
    ],
)
def test_before_proof_nothing_but_tls_is_said_to_what_is_no_hello(served, octets: bytes) -> None:
    with _tls(served[0].port) as tls:
        tls.sendall(octets)
        assert _heard(tls) == b""


def test_before_proof_a_hello_gets_the_nonce_and_a_wrong_proof_gets_nothing(served) -> None:
    key_id = pairing.parse(served[1]).key_id
    for near_id in (key_id, "nobody"):
        with _tls(served[0].port) as tls:
            tls.sendall(wire.encode({"type": "hello", "versions": [1], "near_id": near_id, "nonce": "00" * 16}))
            welcome = wire.FrameReader().feed(tls.recv(4096))[0]
            assert set(welcome) == {"type", "version", "versions", "nonce"}
            tls.sendall(wire.encode({"type": "auth", "mac": "00" * 32}))
            assert _heard(tls) == b""


def test_an_unknown_version_gets_the_nonce_and_the_versions_and_no_more(served) -> None:
    with _tls(served[0].port) as tls:
        tls.sendall(wire.encode({"type": "hello", "versions": [2, 99], "near_id": "x", "nonce": "00" * 16}))
        welcome = wire.FrameReader().feed(tls.recv(4096))[0]
        assert (welcome["version"], welcome["versions"]) == (None, [1])
        assert tls.recv(1000) == b""


def test_old_tls_is_refused(served) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    with socket.create_connection(("127.0.0.1", served[0].port), timeout=3) as sock, pytest.raises((ssl.SSLError, OSError)):
        context.wrap_socket(sock)


@pytest.mark.parametrize(
    "octets", [b"GET / HTTP/1.1\r\n\r\n", b"bw1t" + bytes(32), b"bw1t" + bytes(range(32)), b"b" + bytes(100), b"\x16\x03\x01\x00\x05hello"]
)
def test_strange_tcp_is_dropped_without_a_word(served, octets: bytes) -> None:
    with socket.create_connection(("127.0.0.1", served[0].port), timeout=3) as sock:
        sock.sendall(octets)
        try:
            answer = sock.recv(1000)
            assert answer == b"" or octets[0] == 0x16  # TLS itself says that it understood nothing
        except ConnectionResetError:
            pass


def test_a_connection_that_says_nothing_is_dropped_in_time() -> None:
    with far_end(limits=Limits(unproved_s=0.3)) as (thread, _), socket.create_connection(("127.0.0.1", thread.port), timeout=3) as sock:
        began = time.monotonic()
        assert sock.recv(10) == b""
        assert time.monotonic() - began < 2


def test_too_many_knocks_from_one_network_are_not_answered() -> None:
    with far_end(limits=Limits(knocks_per_s=0.001)) as (thread, _):
        answered = 0
        for _ in range(60):
            try:
                with _tls(thread.port):
                    answered += 1
            except OSError:
                pass
        assert answered == 40  # the burst that is allowed


# ---- replays and other sessions


async def test_a_replayed_proof_is_refused(served) -> None:
    known = pairing.parse(served[1])
    recorded: list[bytes] = []
    for _ in range(2):
        with _tls(served[0].port) as tls:
            tls.sendall(wire.encode({"type": "hello", "versions": [1], "near_id": known.key_id, "nonce": "00" * 16}))
            welcome = wire.FrameReader().feed(tls.recv(4096))[0]
            if not recorded:
                mac = wire.auth_mac(
                    known.key.reveal(reason="test"),
                    nonce_far=bytes.fromhex(welcome["nonce"]),
                    nonce_near=bytes(16),
                    near_id=known.key_id,
                    certificate_sha256=known.certificate_sha256,
                )
                recorded.append(wire.encode({"type": "auth", "mac": mac.hex()}))
                tls.sendall(recorded[0])
                assert wire.FrameReader().feed(tls.recv(65536))[0]["type"] == "ok"
                continue
            tls.sendall(recorded[0])
            assert _heard(tls) == b""


async def test_tags_open_once_and_only_with_their_sessions_key(served) -> None:
    async with _session(served[1]) as contact:
        asked = {"type": "load", "kind": "tcp", "direction": "down", "streams": 2, "seconds": 0.2, "max_octets": 1e6}
        grant = await contact.request(asked, timeout_s=10)
        key = wire.derive(contact.session_key, f"load {grant['load']}")
        tag = bytes.fromhex(grant["tags"][0])

        def knock(octets: bytes) -> bytes:
            with socket.create_connection(("127.0.0.1", served[0].port), timeout=2) as sock:
                sock.sendall(octets)
                try:
                    return sock.recv(1)
                except ConnectionResetError:
                    return b""

        assert await asyncio.to_thread(knock, wire.pack_opening(tag, b"another session's key")) == b""
        assert await asyncio.to_thread(knock, wire.pack_opening(tag, key)) == b"R"
        assert await asyncio.to_thread(knock, wire.pack_opening(tag, key)) == b""  # the same again


async def test_a_udp_flow_needs_the_cookie_of_its_own_address(served) -> None:
    async with _session(served[1]) as contact:
        grant = await contact.request({"type": "load", "kind": "udp", "direction": "down", "seconds": 0.2, "max_octets": 1e6}, timeout_s=10)
        key, tag = wire.derive(contact.session_key, f"load {grant['load']}"), bytes.fromhex(grant["tags"][0])
        opening = wire.pack_udp_opening(wire.UdpOpening(tag, bytes(16)), key)

        with _udp(served[0].port) as one, _udp(served[0].port) as other:
            answer = await asyncio.to_thread(_asked, one, opening, patience_s=10)
            assert answer is not None
            assert len(answer) < len(opening)
            cookie = wire.parse_cookie(answer, tag=tag, key=key)
            assert cookie is not None
            stolen = wire.pack_udp_opening(wire.UdpOpening(tag, cookie), key)
            assert await asyncio.to_thread(_asked, other, stolen) is None  # the cookie of another address
            accepted = await asyncio.to_thread(_asked, one, stolen, patience_s=10)
            assert wire.parse_cookie(accepted or b"", tag=tag, key=key) == bytes(16)
            assert await asyncio.to_thread(_asked, other, opening) is None  # the tag is used


async def test_delay_packets_of_another_session_and_replayed_ones_are_refused(served) -> None:
    async with _session(served[1]) as contact:
        ready = await contact.request({"type": "delay", "pps": 10, "seconds": 1}, timeout_s=10)
        key = wire.derive(contact.session_key, "stamp")
        packet = stamp.pack_sender(sequence=3, t1=0, ssid=ready["ssid"], key=key)
        foreign = stamp.pack_sender(sequence=4, t1=0, ssid=ready["ssid"] % 65535 + 1, key=key)

        def ask(packet: bytes, patience_s: float = 0.15) -> bytes | None:
            with _udp(served[0].port) as sock:
                return _asked(sock, packet, patience_s=patience_s)

        answer = await asyncio.to_thread(ask, packet, 10)
        assert answer is not None
        assert len(answer) == len(packet)
        assert hmac.compare_digest(hmac.digest(key, answer[:96], "sha256")[:16], answer[96:])
        assert await asyncio.to_thread(ask, packet) is None
        assert await asyncio.to_thread(ask, foreign) is None
        reply = await contact.request({"type": "delay_end"}, timeout_s=10)
        assert (reply["answered"], reply["refused"]) == (1, 1)
        assert await asyncio.to_thread(ask, stamp.pack_sender(sequence=9, t1=0, ssid=ready["ssid"], key=key)) is None  # the session is over


async def test_a_session_is_taken_up_only_by_its_own_key(tmp_path) -> None:
    rows = [far.add_key(tmp_path, label) for label in ("one", "two")]
    async with far.FarEnd(far.FarEndSettings(state=tmp_path, hosts=("127.0.0.1",), port=0)) as running:
        one, two = (far.pairing_string(tmp_path, address=f"127.0.0.1:{running.port}", row=row) for row in rows)
        first = await _contact(one)
        thief = await _contact(two, resume=first.welcome["session"])
        assert thief.welcome["resumed"] is False
        assert thief.welcome["session"] != first.welcome["session"]
        owner = await _contact(one, resume=first.welcome["session"])
        assert owner.welcome["resumed"] is True
        for contact in (first, thief, owner):
            await contact.close()


# ---- its owner


async def test_a_taken_port_is_one_clear_error(tmp_path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        settings = far.FarEndSettings(state=tmp_path, hosts=("127.0.0.1",), port=taken.getsockname()[1])
        with pytest.raises(UsageError, match="cannot listen"):
            await far.serve(settings)


async def test_load_stops_soon_after_feedback_is_lost(served) -> None:
    """The watchdog of a UDP load: 300 ms. Measured at a relay that goes dead."""
    from relay import Relay

    async with Relay(served[0].port) as relay:
        settings = NearEndSettings(timeouts=Timeouts(start_s=3.0, stall_s=0.5, result_s=0.5))
        near = OpenNearEnd(f"127.0.0.1:{relay.port}", served[1], settings=settings)
        plan = MeasurementPlan(size=Size.LIGHT, downlink=False, max_megabytes=400.0, expected_up_mbps=20.0)
        from dataclasses import replace

        from bandwright.probe import recipe

        conduct = near._conduct(plan, replace(recipe.RECIPES[Size.LIGHT], tcp_s=0.0, udp_s=3.0, idle_s=0.1), None)
        running = asyncio.ensure_future(conduct.run())
        died = None
        while died is None and not running.done():
            await asyncio.sleep(0.01)
            if sum(n > 1000 for _, n in relay.udp_up_at) > 20:
                relay.dead, died = True, time.monotonic()
        with pytest.raises(Exception, match="no longer reported"):
            await running
        last = max(at for at, n in relay.udp_up_at if n > 1000)
    assert died is not None
    assert last - died < 1.0  # s: the 300 ms, a feedback that was under way, and a busy machine; the load itself would last 3 s

"""Each way a measurement can fail: the right phase, a plain sentence, what was seen until then kept, and no hang."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import threading
import time
from collections.abc import AsyncIterator, Iterator
from itertools import pairwise

import pytest
from ends import far_end
from relay import Relay

from bandwright.probe import far, keys, near, pairing
from bandwright.probe.contact import Address, Timeouts
from bandwright.probe.near import NearEnd, NearEndSettings
from bandwright.words.measurement import Measurement, MeasurementPlan, Outcome, Phase, Size

QUICK = Timeouts(name_lookup_s=0.4, connect_s=0.4, tls_s=0.4, auth_s=0.6)  # where that phase is to fail
ROOMY = Timeouts(stall_s=0.8, result_s=1.0)  # where what comes before must succeed, on a busy machine too
SHORT = MeasurementPlan(size=Size.LIGHT, max_seconds=2.2, max_megabytes=60.0)


@pytest.fixture
def served() -> Iterator[tuple[object, str]]:
    with far_end() as served:
        yield served


def _secret(address: str = "127.0.0.1:1") -> str:
    from bandwright.privacy import Private

    return pairing.make(pairing.Pairing(address=address, key_id="ab" * 8, key=Private(bytes(32)), certificate_sha256=bytes(32)))


async def _measure(address: str | None, secret: str, plan: MeasurementPlan = SHORT, timeouts: Timeouts = ROOMY, **settings: object) -> Measurement:
    began = time.monotonic()
    measurement = await NearEnd(address, secret, settings=NearEndSettings(timeouts=timeouts, **settings)).measure(plan)
    assert time.monotonic() - began < 20.0, "it hung"
    assert measurement.reason is None or measurement.reason.endswith((".", "?"))
    return measurement


async def test_a_resolver_that_fails_is_a_name_lookup_failure() -> None:
    def fails(host: str, port: int) -> list[Address]:
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    m = await _measure("far.example:8620", _secret(), look_up=fails)
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.NAME_LOOKUP)
    assert "radio may be fine" in (m.reason or "")


async def test_a_resolver_that_never_answers_is_given_up_in_time() -> None:
    release = threading.Event()

    def hangs(host: str, port: int) -> list[Address]:
        release.wait(5)
        return []

    m = await _measure("far.example:8620", _secret(), timeouts=QUICK, look_up=hangs)
    release.set()
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.NAME_LOOKUP)
    assert m.seconds < 2.5


async def test_where_the_name_fails_the_remembered_address_is_used(served: tuple[object, str]) -> None:
    thread, secret = served
    works = True

    def look_up(host: str, port: int) -> list[Address]:
        if works:
            return [Address(int(socket.AF_INET), ("127.0.0.1", thread.port))]
        raise socket.gaierror(socket.EAI_AGAIN, "no")

    end = NearEnd("far.example:8620", secret, settings=NearEndSettings(timeouts=ROOMY, look_up=look_up))
    plan = MeasurementPlan(size=Size.LIGHT, max_seconds=1.5, max_megabytes=1.0, uplink=False)
    assert (await end.measure(plan)).outcome is Outcome.OK
    works = False
    m = await end.measure(plan)
    assert m.outcome is Outcome.OK
    assert m.fact("name_lookup_failed") is True


async def test_a_black_hole_is_a_connect_failure() -> None:
    # A listener whose queue is full drops further connection requests without a word.
    with socket.socket() as listener, contextlib.ExitStack() as stack:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for _ in range(2):
            filler = stack.enter_context(socket.socket())
            filler.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                filler.connect(listener.getsockname())
        m = await _measure(f"127.0.0.1:{listener.getsockname()[1]}", _secret(), timeouts=QUICK)
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.CONNECT)
    assert "did not answer" in (m.reason or "")


async def test_a_closed_port_is_the_far_end_not_the_setup() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        m = await _measure(f"127.0.0.1:{taken.getsockname()[1]}", _secret())
    assert (m.outcome, m.phase) == (Outcome.VOID, Phase.FAR_END)
    assert "nothing listens" in (m.reason or "")


@contextlib.asynccontextmanager
async def _server(answer: bytes | None, tls: ssl.SSLContext | None = None) -> AsyncIterator[str]:
    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            await reader.read(100)
            if answer is not None:
                writer.write(answer)
                await writer.drain()
                writer.close()

    server = await asyncio.start_server(talk, "127.0.0.1", 0, ssl=tls)
    try:
        yield f"127.0.0.1:{server.sockets[0].getsockname()[1]}"
    finally:
        server.close()


async def test_a_sign_in_page_is_told_from_the_far_end() -> None:
    async with _server(b"HTTP/1.1 302 Found\r\nLocation: http://portal.example/\r\n\r\n") as address:
        m = await _measure(address, _secret())
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.TLS)
    assert "sign-in page" in (m.reason or "")


async def test_a_port_that_says_nothing_is_a_tls_failure_in_time() -> None:
    async with _server(None) as address:
        m = await _measure(address, _secret(), timeouts=QUICK)
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.TLS)
    assert m.seconds < 2.5


async def test_a_port_that_closes_at_once_is_a_tls_failure() -> None:
    async with _server(b"") as address:
        m = await _measure(address, _secret())
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.TLS)


async def test_another_certificate_is_not_your_far_end(tmp_path) -> None:
    certificate, private = keys.ensure_certificate(tmp_path)
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(certificate, private)
    async with _server(b"", tls) as address:
        m = await _measure(address, _secret())
    assert (m.outcome, m.phase) == (Outcome.VOID, Phase.TLS)  # it is a far end, only not the paired one
    assert "not the one that was paired" in (m.reason or "")


async def test_a_wrong_key_is_void_and_says_so(served: tuple[object, str]) -> None:
    from bandwright.privacy import Private

    _, secret = served
    right = pairing.parse(secret)
    wrong = pairing.make(pairing.Pairing(address=right.address, key_id=right.key_id, key=Private(bytes(32)), certificate_sha256=right.certificate_sha256))
    m = await _measure(None, wrong)
    assert (m.outcome, m.phase) == (Outcome.VOID, Phase.AUTH)
    check = await near.check(None, wrong, settings=NearEndSettings(timeouts=ROOMY))
    assert (check.outcome, check.phase) == (Outcome.VOID, Phase.AUTH)
    assert (await near.check(None, secret)).is_ok


async def test_a_revoked_key_is_refused_from_then_on(tmp_path) -> None:
    row = far.add_key(tmp_path, "attic")
    async with far.FarEnd(far.FarEndSettings(state=tmp_path, hosts=("127.0.0.1",), port=0)) as running:
        secret = far.pairing_string(tmp_path, address=f"127.0.0.1:{running.port}", row=row)
        assert (await near.check(None, secret)).is_ok
        far.revoke_key(tmp_path, row.key_id)
        check = await near.check(None, secret)
    assert (check.outcome, check.phase) == (Outcome.VOID, Phase.AUTH)


async def test_a_far_end_of_another_version_is_void(served: tuple[object, str], monkeypatch) -> None:
    from bandwright.probe import contact

    thread, secret = served
    monkeypatch.setattr(contact.wire, "VERSIONS", (999,))  # both ends run here; the far end's answer is made from what it knows
    check = await near.check(None, secret, settings=NearEndSettings(timeouts=ROOMY))
    assert check.is_ok  # both speak 999
    monkeypatch.undo()

    async def old(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(contact.wire.encode({"type": "welcome", "version": None, "versions": [7], "nonce": "00" * 16}))
        await writer.drain()
        writer.close()

    state = thread._settings.state
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(*keys.ensure_certificate(state))
    server = await asyncio.start_server(old, "127.0.0.1", 0, ssl=tls)
    check = await near.check(f"127.0.0.1:{server.sockets[0].getsockname()[1]}", secret, settings=NearEndSettings(timeouts=ROOMY))
    server.close()
    assert (check.outcome, check.phase) == (Outcome.VOID, Phase.AUTH)
    assert "version 7" in (check.reason or "")


async def _at_load(relay: Relay, act) -> None:
    await relay.loaded.wait()
    await asyncio.sleep(0.3)
    act()


async def test_a_path_that_dies_in_transfer_keeps_what_was_seen(served: tuple[object, str]) -> None:
    thread, secret = served
    async with Relay(thread.port) as relay:
        plan = MeasurementPlan(size=Size.USUAL, max_seconds=6.0, max_megabytes=4000.0)
        killer = asyncio.ensure_future(_at_load(relay, lambda: setattr(relay, "dead", True)))
        m = await _measure(f"127.0.0.1:{relay.port}", secret, plan)
        await killer
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.DOWNLINK)
    assert "died in transfer" in (m.reason or "")
    assert m.number("delay_idle_ms") is not None
    assert dict(m.series)["series_down_mbps"][1] > 0
    assert m.number("goodput_up_mbps") is None


async def test_new_ports_in_front_of_the_near_end_do_not_end_a_measurement(served: tuple[object, str]) -> None:
    thread, secret = served
    async with Relay(thread.port) as relay:

        def forget() -> None:
            relay.forget_tcp()
            relay.rebind_udp()

        plan = MeasurementPlan(size=Size.USUAL, max_seconds=4.0, max_megabytes=4000.0, uplink=False)
        forgetter = asyncio.ensure_future(_at_load(relay, forget))
        m = await _measure(f"127.0.0.1:{relay.port}", secret, plan)
        await forgetter
    assert m.outcome is Outcome.OK
    assert m.fact("reconnected") is True
    assert (m.number("goodput_down_mbps") or 0) > 1
    delays = dict(m.series)["series_delay_ms"]
    sent = dict(m.series)["series_delay_at_s"]
    assert len(delays) > 20
    assert max(b - a for a, b in pairwise(sent)) < 0.7  # the delay stream went on from its new port


async def test_a_connection_that_is_lost_between_loads_is_made_again(served: tuple[object, str]) -> None:
    thread, secret = served
    async with Relay(thread.port) as relay:

        async def forget(event) -> None:
            if event.kind == "phase" and event.phase == "idle":
                relay.forget_tcp()

        end = NearEnd(f"127.0.0.1:{relay.port}", secret, settings=NearEndSettings(timeouts=ROOMY))
        m = await end.measure(MeasurementPlan(size=Size.LIGHT, max_seconds=2.0, max_megabytes=4000.0, uplink=False), listener=forget)
    assert m.outcome is Outcome.OK, m.reason
    assert m.fact("reconnected") is True


async def test_large_packets_that_vanish_are_found_and_small_ones_used(served: tuple[object, str]) -> None:
    thread, secret = served
    async with Relay(thread.port) as relay:
        relay.swallow_above = 1400
        plan = MeasurementPlan(size=Size.LIGHT, max_seconds=3.0, max_megabytes=4000.0, uplink=False)
        m = await _measure(f"127.0.0.1:{relay.port}", secret, plan)
    assert m.outcome is Outcome.OK, m.reason
    assert m.fact("mtu_black_hole") is True
    assert (m.number("goodput_down_mbps") or 0) > 1


async def test_a_far_end_that_ends_in_transfer_makes_it_void(served: tuple[object, str]) -> None:
    thread, secret = served
    async with Relay(thread.port) as relay:
        plan = MeasurementPlan(size=Size.USUAL, max_seconds=6.0, max_megabytes=4000.0)
        ender = asyncio.ensure_future(_at_load(relay, lambda: threading.Thread(target=thread.stop).start()))
        m = await _measure(None, secret, plan, look_up=_through(relay))
        await ender
    assert (m.outcome, m.phase) == (Outcome.VOID, Phase.FAR_END)


def _through(relay: Relay):
    """A lookup that leads to the relay first and, once the relay has a dead far end behind it, to the far end's own port."""
    return lambda host, port: [Address(int(socket.AF_INET), ("127.0.0.1", relay.port if relay.loads_seen == 0 else port))]


async def test_a_result_that_does_not_come_is_said_and_the_near_half_kept(served: tuple[object, str]) -> None:
    thread, secret = served
    async with Relay(thread.port) as relay:
        plan = MeasurementPlan(size=Size.LIGHT, max_seconds=2.5, max_megabytes=4000.0, uplink=False)
        muter = asyncio.ensure_future(_at_load(relay, lambda: setattr(relay, "mute_control_down", True)))
        m = await _measure(f"127.0.0.1:{relay.port}", secret, plan)
        await muter
    assert m.outcome is Outcome.OK
    assert m.phase is Phase.RESULT
    assert "half" in (m.reason or "")
    assert (m.number("goodput_down_mbps") or 0) > 1

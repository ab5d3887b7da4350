"""Which address is taken, and what is made of each way in which connecting fails."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
import ssl
import time

import pytest

from bandwright.probe import contact
from bandwright.probe.contact import Address, Timeouts, WayOut, nat64_address
from bandwright.probe.outcome import fault_from
from bandwright.words.measurement import Outcome, Phase

V4, V6 = int(socket.AF_INET), int(socket.AF_INET6)


def test_families_take_turns() -> None:
    given = [Address(V6, ("a",)), Address(V6, ("b",)), Address(V4, ("c",)), Address(V4, ("d",)), Address(V4, ("e",))]
    assert [a.sockaddr[0] for a in contact._interleaved(given)] == ["a", "c", "b", "d", "e"]  # RFC 8305, 4
    assert contact._interleaved([]) == []


@contextlib.contextmanager
def _black_hole():
    """An address that swallows connection requests: a listener whose queue is full."""
    with socket.socket() as listener, contextlib.ExitStack() as stack:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for _ in range(2):
            filler = stack.enter_context(socket.socket())
            filler.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                filler.connect(listener.getsockname())
        yield Address(V4, listener.getsockname())


async def test_a_dead_address_does_not_hold_up_one_that_lives() -> None:
    with _black_hole() as dead, socket.create_server(("127.0.0.1", 0)) as alive:
        began = time.monotonic()
        sock, chosen = await contact._connect([dead, Address(V4, alive.getsockname())], Timeouts(connect_s=5.0, stagger_s=0.1), WayOut())
        sock.close()
        assert chosen.sockaddr == alive.getsockname()
    assert time.monotonic() - began < 4.0  # the dead one would have taken 5 s


async def test_a_refusal_tells_more_than_silence() -> None:
    with _black_hole() as dead, socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        with pytest.raises(ConnectionRefusedError):
            await contact._connect([dead, Address(V4, taken.getsockname())], Timeouts(connect_s=0.3, stagger_s=0.01), WayOut())
    with pytest.raises(OSError):
        await contact._connect([], Timeouts(), WayOut())


def test_the_address_behind_a_translator() -> None:
    # RFC 6052, 2.4: 192.0.2.33 under 2001:db8:122:344::/96 is 2001:db8:122:344::192.0.2.33; RFC 7050, 3 for how the prefix shows
    assert nat64_address("192.0.2.33", ["2001:db8:122:344::c000:aa"]) == "2001:db8:122:344::c000:221"
    assert nat64_address("192.0.2.33", ["64:ff9b::c000:ab"]) == "64:ff9b::c000:221"
    assert nat64_address("192.0.2.33", ["2001:db8::1"]) is None
    assert nat64_address("192.0.2.33", []) is None


def _tls_error(reason: str) -> ssl.SSLError:
    error = ssl.SSLError(1, reason)
    error.reason = reason
    return error


@pytest.mark.parametrize(
    ("error", "phase", "expected_phase", "outcome", "word"),
    [
        (socket.gaierror(-3, "Temporary failure"), Phase.NAME_LOOKUP, Phase.NAME_LOOKUP, Outcome.FAILED, "looked up"),
        (TimeoutError(), Phase.CONNECT, Phase.CONNECT, Outcome.FAILED, "did not answer"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "x"), Phase.CONNECT, Phase.FAR_END, Outcome.VOID, "nothing listens"),
        (OSError(errno.ENETUNREACH, "x"), Phase.CONNECT, Phase.CONNECT, Outcome.FAILED, "no way out"),
        (_tls_error("WRONG_VERSION_NUMBER"), Phase.TLS, Phase.TLS, Outcome.FAILED, "sign-in page"),
        (TimeoutError(), Phase.TLS, Phase.TLS, Outcome.FAILED, "half-open"),
        (ConnectionResetError(errno.ECONNRESET, "x"), Phase.TLS, Phase.TLS, Outcome.FAILED, "reset"),
        (EOFError(), Phase.AUTH, Phase.AUTH, Outcome.FAILED, "stopped answering"),
        (TimeoutError(), Phase.RESULT, Phase.RESULT, Outcome.FAILED, "half of the result"),
        (TimeoutError(), Phase.UPLINK, Phase.UPLINK, Outcome.FAILED, "died"),
        (OSError(errno.ENOMEM, "x"), Phase.NEAR_END, Phase.NEAR_END, Outcome.VOID, "This computer"),
    ],
)
def test_each_failure_has_its_phase_and_its_sentence(error: BaseException, phase: Phase, expected_phase: Phase, outcome: Outcome, word: str) -> None:
    fault = fault_from(error, phase=phase, where="far.example:8620")
    assert (fault.phase, fault.outcome) == (expected_phase, outcome)
    assert word in fault.reason
    assert fault.reason.endswith(".")
    assert fault_from(fault, phase=Phase.IDLE, where="") is fault


async def test_a_far_end_that_talks_nonsense_after_proof_makes_it_void() -> None:
    from ends import far_end

    from bandwright.probe.far_sessions import Sessions
    from bandwright.probe.near import NearEnd
    from bandwright.words.measurement import MeasurementPlan

    async def nonsense(self, session, message):
        return {"type": "ready", "load": "x"}

    with far_end() as (_, secret):
        kept = Sessions._grant
        Sessions._grant = nonsense
        try:
            m = await NearEnd(None, secret).measure(MeasurementPlan(max_seconds=2.0))
        finally:
            Sessions._grant = kept
    assert (m.outcome, m.phase) == (Outcome.VOID, Phase.FAR_END)
    assert "understood" in m.reason
    assert m.number("delay_idle_ms") is not None
    await asyncio.sleep(0)

"""A line to a modem that does wrong: nothing of one answer may end up in another, and nothing may hang."""

from __future__ import annotations

import asyncio
import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stage import Place, Script, SimClock, Wireless, wireless

from bandwright.errors import GatewayError, GatewayUnreachable
from bandwright.gateways.commands import Row
from bandwright.gateways.dialects.generic import EXTENDED, STRENGTH
from bandwright.gateways.dialects.preference import CARRIERS, EPS, SERVING
from bandwright.gateways.serial import AtGateway, TcpSettings
from bandwright.gateways.session import Session
from bandwright.twin.modem import Fault
from bandwright.words.rig import GatewayPlan, Tuning


def session(place: Place, clock: SimClock, **changed: float) -> tuple[Session, Wireless]:
    link = Wireless(place.modem, clock)
    return Session(link, **{"timeout_s": 5.0, "quiet_s": 0.3, **changed}), link


@pytest.mark.parametrize("echo", [True, False, None])
@pytest.mark.parametrize("fault", [None, Fault.UNSOLICITED, Fault.ECHO_TWICE, Fault.TRICKLE])
async def test_an_answer_is_whole_and_its_own_whatever_the_line_adds(echo, fault) -> None:
    clock = SimClock()
    place = Place(clock, echo=echo)
    talk, _ = session(place, clock)
    await talk.ask(EXTENDED.fill())
    place.modem.faults = Script([fault])
    done = await talk.ask(SERVING.fill())
    assert done.complete
    assert done.fault is None
    assert done.received.count("+QENG:") == 3
    assert done.received.rstrip().endswith("OK")


@pytest.mark.parametrize("echo", [True, None])
@pytest.mark.parametrize("silences", [1, 2, 3])
async def test_a_late_answer_never_feeds_the_next_command(echo, silences) -> None:
    clock = SimClock()
    place = Place(clock, echo=echo)
    talk, _ = session(place, clock)
    await talk.ask(EXTENDED.fill())
    place.modem.faults = Script([Fault.LATE] * silences)
    late = await talk.ask(CARRIERS.fill())
    assert not late.complete
    assert "no answer within 5 s" in late.fault
    after = await talk.ask(EPS.fill())
    assert after.complete
    assert "+CEREG:" in after.received
    assert "+QCAINFO" not in after.received


@pytest.mark.parametrize("echo", [True, None])
async def test_a_late_answer_that_outlasts_the_cleaning_is_put_aside(echo) -> None:
    # The answer to the first command comes after the line was brought to order, in front of the second command's own answer.
    clock = SimClock()
    place = Place(clock, echo=echo)
    talk, link = session(place, clock)
    await talk.ask(STRENGTH.fill())
    await talk.ask(EXTENDED.fill())
    link._coming.append((clock.seconds, b'\r\n+QCAINFO: "PCC",1300,100,"LTE BAND 3",1,138,-92,-10,-60,14\r\n\r\nOK\r\n'))
    done = await talk.ask(EPS.fill())
    assert done.complete
    assert "+CEREG:" in done.received
    assert "QCAINFO" not in done.received


async def test_an_error_result_is_kept_as_the_fault_of_its_exchange() -> None:
    clock = SimClock()
    place = Place(clock)
    talk, _ = session(place, clock)
    await talk.ask(EXTENDED.fill())
    place.modem.faults = Script([Fault.CME, Fault.ERROR])
    assert (await talk.ask(EXTENDED.fill())).fault == "+CME ERROR: 100"
    assert (await talk.ask(EXTENDED.fill())).fault == "ERROR"
    assert (await talk.ask(EXTENDED.fill())).fault is None


async def test_silence_for_good_ends_within_the_time_that_was_stated() -> None:
    clock = SimClock()
    place = Place(clock)
    place.modem.faults = lambda _command: Fault.SILENT
    talk, _ = session(place, clock, timeout_s=5.0)
    with pytest.raises(GatewayUnreachable, match="answers no bare AT"):
        await talk.ask(EXTENDED.fill())
    assert clock.seconds <= 6 * 5.0 + 1.0


async def test_a_line_that_vanishes_is_opened_anew_at_the_next_question() -> None:
    clock = SimClock()
    place = Place(clock)
    talk, link = session(place, clock)
    await talk.ask(EXTENDED.fill())
    place.modem.faults = Script([Fault.VANISH])
    with pytest.raises(GatewayUnreachable):
        await talk.ask(EXTENDED.fill())
    assert (await talk.ask(EXTENDED.fill())).complete
    assert link._talk is not None


async def test_a_patient_row_may_take_longer() -> None:
    clock = SimClock()
    place = Place(clock, answer_s=7.0)
    talk, _ = session(place, clock, timeout_s=8.0)
    await talk.ask(EXTENDED.fill())
    place.modem.answer_s = 14.0
    slow = Row(key="slow", template="AT+CESQ", expects="+CESQ:", patience=2.0)
    assert (await talk.ask(slow.fill())).complete
    assert not (await talk.ask(EXTENDED.fill())).complete


async def test_a_capture_names_what_could_not_be_asked_and_keeps_the_rest() -> None:
    clock = SimClock()
    gateway, _ = wireless(place := Place(clock), clock)
    await gateway.settings()
    place.modem.faults = Script([Fault.SILENT, Fault.CME], when=lambda command: command not in ("AT", "ATE1"))
    capture = await gateway.fetch()
    assert [done.complete for done in capture.exchanges].count(False) == 1
    assert [done.fault for done in capture.exchanges][1] == "+CME ERROR: 100"
    assert "+CEREG:" in capture.text
    assert all(done.sent in capture.text for done in capture.exchanges)


class Chatty(Wireless):
    """A line on which something nobody asked for comes all the time."""

    async def receive(self, timeout_s: float) -> bytes:
        data = await super().receive(min(timeout_s, 0.1))
        return data or b"\r\n+QIND: 1\r\n"


async def test_a_line_that_is_never_quiet_ends_too() -> None:
    clock = SimClock()
    talk = Session(Chatty(Place(clock).modem, clock), timeout_s=5.0, quiet_s=0.3)
    with pytest.raises(GatewayUnreachable, match="never quiet"):
        await talk.ask(EXTENDED.fill())
    assert clock.seconds <= 6 * (5.0 + 5.0) + 1.0


async def test_what_a_missing_answer_holds_is_nothing_of_another_command() -> None:
    clock = SimClock()
    place = Place(clock)
    talk, link = session(place, clock)
    await talk.ask(EXTENDED.fill())
    place.modem.faults = Script([Fault.SILENT])
    link._coming.append((clock.seconds, b'\r\n+QCAINFO: "PCC",1300,100\r\n\r\nOK\r\n'))
    done = await talk.ask(EPS.fill())
    assert not done.complete
    assert done.received == ""


class Babble:
    """A line that says anything at all."""

    def __init__(self, chunks: list[bytes]) -> None:
        self.name, self.chunks, self.seconds = "babble", list(chunks), 0.0

    async def open(self) -> None:
        pass

    async def send(self, data: bytes) -> None:
        pass

    async def receive(self, timeout_s: float) -> bytes:
        if self.chunks:
            return self.chunks.pop(0) or b"\n"
        self.seconds += timeout_s
        return b""

    async def close(self) -> None:
        pass

    def now_s(self) -> float:
        return self.seconds


PIECES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from(
        [
            b"OK\r\n",
            b"\r\nERROR\r\n",
            b"AT\r",
            b"AT\r\r\nOK\r\n",
            b"+QENG: ",
            b'"servingcell"',
            b'+QNWPREFCFG: "lte_band",1:3\r\n\r\nOK\r\n',
            b"\xff\xfe",
            b"+CME ERROR: 3\r\n",
        ]
    ),
)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(PIECES, max_size=60))
def test_whatever_a_line_says_only_our_own_errors_come_out(chunks) -> None:
    async def all_of_it() -> None:
        gateway = AtGateway("at-tcp", Babble(chunks), plan=GatewayPlan(key="own", kind="at-tcp"), settings=TcpSettings(address="x:1"), clock=SimClock())
        for act in (gateway.fetch, gateway.settings, gateway.abilities, gateway.connection, lambda: gateway.apply(Tuning(key="x", mode="lte"))):
            with contextlib.suppress(GatewayError):
                await act()
        await gateway.close()

    asyncio.run(all_of_it())

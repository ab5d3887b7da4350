"""Each thing a line does wrong, in each phase: what the person is told, what is recorded, that service comes back, and how long it takes at most."""

from __future__ import annotations

import re

import pytest
from hypothesis import HealthCheck, settings
from machine import Faults
from stage import Place, Script, SimClock, bring_back, put, read, wireless

from bandwright.errors import GatewayError
from bandwright.twin.modem import Fault
from bandwright.words.rig import Tuning

ANCHOR = Tuning(key="anchor 20", mode="endc", bands=("B20", "n78"))

# What is told or recorded when the first radio question meets the fault; None: nothing goes wrong.
READING = {
    Fault.LATE: "no answer within 5 s",
    Fault.SILENT: "no answer within 5 s",
    Fault.VANISH: "closed the line",
    Fault.CME: r"\+CME ERROR: 100",
    Fault.ERROR: "ERROR",
    Fault.UNSOLICITED: None,
    Fault.ECHO_TWICE: None,
    Fault.TRICKLE: None,
    Fault.HOLLOW: None,  # a reading question has "=", so it is answered OK and nothing else: the text shows that nothing was said
}
# What an apply that meets the fault at its first setting command ends in.
APPLYING = {
    Fault.LATE: True,  # it took effect, and the read-back shows it
    Fault.SILENT: True,
    Fault.VANISH: True,  # the command was lost with the line, and is asked for again
    Fault.CME: False,
    Fault.ERROR: False,
    Fault.UNSOLICITED: True,
    Fault.ECHO_TWICE: True,
    Fault.TRICKLE: True,
    Fault.HOLLOW: True,  # OK without effect: it does not read back, and is sent once more
}


def a_setting(command: str) -> bool:
    return bool(re.search(r'QNWPREFCFG="\w+",|QNWLOCK="\S+",', command))


def a_reading(command: str) -> bool:
    return command.startswith(("AT+QENG", "AT+QCAINFO"))


def a_read_back(command: str) -> bool:
    return bool(re.search(r'QNWPREFCFG="\w+"$|QNWLOCK="\S+"$', command))


async def stage(**modem: object):
    clock = SimClock()
    place = Place(clock, **modem)
    gateway, _ = wireless(place, clock)
    former = await gateway.settings()
    return clock, place, gateway, former


async def and_back(clock, place, gateway, former) -> None:
    assert await bring_back(gateway, former, clock)
    await clock.sleep(20.0)
    assert place.modem.in_force.mode == "automatic"
    assert place.modem.in_force.cell is None
    assert read(await gateway.fetch()).serving()


@pytest.mark.parametrize("moment", ["idle", "load_down"])
@pytest.mark.parametrize("fault", Fault)
async def test_reading_at_rest_and_in_a_test(fault, moment) -> None:
    clock, place, gateway, former = await stage()
    place.modem.faults = Script([fault], when=a_reading)
    began = clock.seconds
    told = None
    try:
        capture = await gateway.fetch(moment=moment)
        told = next((done.fault for done in capture.exchanges if done.fault is not None), None)
    except GatewayError as error:
        told = str(error)
    assert clock.seconds - began < 5.0 + 3.0  # the stated time-out, and bringing the line to order
    if READING[fault] is None:
        assert told is None
    else:
        assert re.search(READING[fault], told)
    again = await gateway.fetch(moment=moment)
    assert all(done.fault is None for done in again.exchanges)
    assert read(again).serving()
    await and_back(clock, place, gateway, former)


@pytest.mark.parametrize("fault", Fault)
async def test_applying(fault) -> None:
    clock, place, gateway, former = await stage()
    place.modem.faults = Script([fault], when=a_setting)
    ok, why = await put(gateway, ANCHOR, clock)
    assert ok == APPLYING[fault], why
    if ok:
        assert (place.modem.in_force.mode, set(place.modem.in_force.bands)) == ("endc", {"B20", "n78"})
    else:
        assert re.search({Fault.CME: r"\+CME ERROR: 100", Fault.ERROR: "ERROR"}[fault], why)
    await and_back(clock, place, gateway, former)


@pytest.mark.parametrize("when", [a_read_back, a_reading])
@pytest.mark.parametrize("fault", Fault)
async def test_waiting_until_it_is_shown(fault, when) -> None:
    clock, place, gateway, former = await stage()
    asked = len(place.modem.heard)
    place.modem.faults = Script([fault] * 2, when=lambda command: len(place.modem.heard) - asked > 12 and when(command))
    ok, why = await put(gateway, ANCHOR, clock)
    assert ok, why  # two faults while waiting only make the wait longer
    assert set(place.modem.in_force.bands) == {"B20", "n78"}
    await and_back(clock, place, gateway, former)


@pytest.mark.parametrize("fault", Fault)
async def test_restoring(fault) -> None:
    clock, place, gateway, former = await stage()
    ok, why = await put(gateway, ANCHOR, clock)
    assert ok, why
    place.modem.faults = Script([fault] * 3, when=a_setting)
    await and_back(clock, place, gateway, former)


async def test_a_band_that_is_accepted_and_never_used_is_not_taken_for_applied() -> None:
    clock, place, gateway, former = await stage(policy=("B3", "n78"))
    ok, why = await put(gateway, Tuning(key="b20", mode="lte", bands=("B20",)), clock)
    assert not ok
    assert "no service" in why or "shows" in why or "nothing was read" in why
    assert place.modem.configured.lte_band == (20,)  # it was accepted, and answered OK
    await and_back(clock, place, gateway, former)


async def test_a_refusal_of_every_setting_leaves_everything_as_it_was() -> None:
    clock, place, gateway, _ = await stage()
    before = place.modem.configured
    place.modem.faults = lambda command: Fault.ERROR if a_setting(command) else None
    ok, why = await put(gateway, ANCHOR, clock)
    assert not ok
    assert "answered AT+QNWPREFCFG" in why
    assert place.modem.configured == before


async def test_an_ok_that_never_has_an_effect_is_told() -> None:
    clock, place, gateway, _ = await stage()
    before = place.modem.configured
    place.modem.faults = lambda command: Fault.HOLLOW if a_setting(command) else None
    ok, why = await put(gateway, ANCHOR, clock)
    assert not ok
    assert "answered OK" in why
    assert "does not read back" in why
    assert place.modem.configured == before


async def test_a_nr_leg_that_shows_under_load_only_is_said_so() -> None:
    clock, place, gateway, _ = await stage()
    place.nr_under_load_only = True
    ok, why = await put(gateway, ANCHOR, clock, within_s=20.0)
    assert not ok
    assert "under load" in why
    place.loaded = True
    ok, why = await put(gateway, ANCHOR, clock)
    assert ok, why


async def test_a_setting_that_was_read_before_and_is_not_answered_any_more_proves_nothing() -> None:
    _, place, gateway, _ = await stage()
    place.modem.faults = lambda command: Fault.ERROR if "common/4g" in command else None
    with pytest.raises(GatewayError, match="no longer says its settings"):
        await gateway.settings()


TestFaults = Faults.TestCase
TestFaults.settings = settings(
    max_examples=100, stateful_step_count=8, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck), print_blob=False
)

"""The twin's modem prints the state it is given: what the reader of texts makes of its answers is that state again."""

from __future__ import annotations

import pytest
from stage import CELLS, Place, SimClock, read, wireless

from bandwright.gateways.captures import exchange_text
from bandwright.gateways.connection import lacking
from bandwright.gateways.proof import band_of
from bandwright.twin.modem import TwinModem
from bandwright.twin.modem_state import ModemSettings, RadioState
from bandwright.words.radio import Exchange, Reading, Registration
from bandwright.words.rig import Tuning


@pytest.mark.parametrize("mode", ["lte", "endc", "nr-sa"])
async def test_what_it_prints_is_what_it_was_given(mode) -> None:
    clock = SimClock()
    place = Place(clock, apply_delay_s=0.0)
    gateway, _ = wireless(place, clock)
    await gateway.apply(Tuning(key="x", mode=mode))
    state, reading = place.state(), read(await gateway.fetch())
    assert reading.mode.value == mode
    assert reading.registration.value == "home"
    given = {(c["rat"], c["arfcn"], c["pci"], c["band"], c["bandwidth_mhz"]) for c in state.carriers}
    seen = {(c.rat.value, c.number("arfcn"), c.number("pci"), band_of(c), c.number("dl_bandwidth")) for c in reading.serving()}
    assert seen == given
    for carrier in reading.serving():
        cell = next(c for c in CELLS if c["arfcn"] == carrier.number("arfcn"))
        assert abs(carrier.number("rsrp") - cell["rsrp_dbm"]) <= 1.0  # dB: printed in whole dBm
        assert abs(carrier.number("rsrq") - cell["rsrq_db"]) <= 1.0
        if carrier.number("sinr") is not None:
            assert abs(carrier.number("sinr") - cell["sinr_db"]) <= 2.0  # the LTE code counts in 2 dB


async def test_the_standard_codes_hold_the_same_levels() -> None:
    clock = SimClock()
    place = Place(clock, standard_only=True)
    gateway, _ = wireless(place, clock)
    reading = read(await gateway.fetch())
    lte = next(c for c in reading.serving() if c.rat.value == "lte")
    field = lte.get("rsrp")
    assert field.low <= CELLS[0]["rsrp_dbm"] < field.high  # TS 27.007, 8.69: a code is an interval of 1 dB


async def test_no_service_is_printed_as_no_service() -> None:
    clock = SimClock()
    place = Place(clock, apply_delay_s=0.0)
    gateway, _ = wireless(place, clock)
    await gateway.apply(Tuning(key="x", mode="lte", cell="lte:9999:7"))
    assert read(await gateway.fetch()) is None


async def test_a_setting_reads_back_at_once_and_takes_effect_after_its_delay() -> None:
    clock = SimClock()
    place = Place(clock, apply_delay_s=8.0)
    gateway, _ = wireless(place, clock)
    await gateway.apply(Tuning(key="x", mode="lte", bands=("B20",)))
    assert (await gateway.settings()).bands == ("B20",)
    assert place.modem.in_force.mode == "automatic"
    assert place.told == []
    clock.seconds += 8.1
    assert place.modem.in_force.bands == ("B20",)
    assert place.told == [("lte", ("B20",), None)]


def test_a_power_cut_takes_pins_away_and_nothing_else() -> None:
    modem = TwinModem(RadioState, clock=SimClock(), settings=ModemSettings(mode_pref="LTE", lte_band=(3,), pin_lte=(1300, 138)))
    modem.restart()
    assert modem.configured == ModemSettings(mode_pref="LTE", lte_band=(3,))


def test_a_band_it_does_not_have_is_an_error() -> None:
    modem = TwinModem(RadioState, clock=SimClock())
    assert modem.answer('+QNWPREFCFG="lte_band",66') == ["ERROR"]
    assert modem.answer("+CFUN=0") == ["ERROR"]


async def test_after_a_sim_change_it_is_said_what_is_missing() -> None:
    clock = SimClock()
    gateway, _ = wireless(Place(clock), clock)
    assert lacking((await gateway.connection()).text, read(await gateway.fetch())) == ()
    text = '+CPIN: SIM PIN\r\nOK\r\n+CGDCONT: 1,"IP","","",0,0\r\nOK\r\n+CGACT: 1,0\r\nOK\r\n'
    told = lacking(text, Reading(registration=Registration.DENIED))
    assert [line.split(".")[0] for line in told] == [
        "The SIM asks for something first (SIM PIN)",
        "The network does not serve it yet: the registration is 'denied'",
        "No access point name is set",
        "No data connection is active",
    ]
    assert "IPV4V6" in lacking('+CGDCONT: 1,"IP","internet","",0,0')[0]
    assert lacking("ERROR") == ()


def test_a_capture_shows_each_command_once_before_its_answer() -> None:
    done = (
        Exchange(sent="AT+CSQ", received="AT+CSQ\r\r\n+CSQ: 20,99\r\n\r\nOK\r\n"),
        Exchange(sent="AT+COPS?", received="+COPS: 0\r\n\r\nOK"),
        Exchange(sent="AT", received="", fault="x"),
    )
    assert exchange_text(done) == "AT+CSQ\r\r\n+CSQ: 20,99\r\n\r\nOK\r\nAT+COPS?\r\n+COPS: 0\r\n\r\nOK\r\nAT\r\n"

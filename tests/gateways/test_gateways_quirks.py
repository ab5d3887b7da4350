"""What real modems do beside their manuals, emulated independently of the twin's own faults: each must end in the right place, or be told."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from busfake import FakeDaemon
from fakes import private_bus
from scripted import MODEMS, ScriptedModem, keep, show
from stage import Place, RealClock, SimClock, bring_back, put, read, wireless

from bandwright.errors import GatewayBusy, GatewayError, GatewayRefused, GatewayUnreachable
from bandwright.gateways.dialects.base import same_value
from bandwright.gateways.guard import TimedReturn, recover
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.links import BusPlace, SerialLink
from bandwright.gateways.serial import AtGateway, SerialSettings
from bandwright.words.rig import GatewayPlan, Rig, Tuning

ANCHOR = Tuning(key="anchor 20", mode="endc", bands=("B20", "n78"))
TWO = Tuning(key="two", mode="lte", bands=("B3", "B20"))


def reworded(place: Place, change) -> None:
    """Let the twin's modem print its answers otherwise: change(command, line) -> line."""
    plain = place.modem.answer
    place.modem.answer = lambda command: [change(command, line) for line in plain(command)]


def backwards(_command: str, line: str) -> str:
    """Lists in falling order, as a modem that prints its newest first."""
    return re.sub(r"\d+(?::\d+)+", lambda found: ":".join(reversed(found.group().split(":"))), line)


def mode_words_turned(_command: str, line: str) -> str:
    return re.sub(r"LTE:NR5G", "NR5G:LTE", line)


@pytest.mark.parametrize("change", [backwards, mode_words_turned, lambda c, line: line.replace('"mode_pref",AUTO', '"mode_pref", AUTO')], ids=["bands", "modes", "a blank"])
async def test_a_read_back_in_another_order_is_the_same_setting(change) -> None:
    clock = SimClock()
    place = Place(clock)
    reworded(place, change)
    gateway, _ = wireless(place, clock)
    former = await gateway.settings()
    assert former.mode == "automatic"
    for tuning in (ANCHOR, TWO, Tuning(key="sa", mode="nr-sa")):
        ok, why = await put(gateway, tuning, clock)
        assert ok, why
        sent = len([c for c in place.modem.heard if re.search(r'",[\dA-Z]', c)])
        await gateway.apply(tuning)
        assert len([c for c in place.modem.heard if re.search(r'",[\dA-Z]', c)]) == sent, "what is held already is not sent again"
    assert await bring_back(gateway, former, clock)


async def test_a_modem_that_sorts_a_list_when_it_is_set_comes_back_all_the_same() -> None:
    """The former lists were printed as somebody once typed them; after the first change the modem prints its own order."""
    clock = SimClock()
    place = Place(clock)
    first, typed = place.modem.configured, [True]
    reworded(place, lambda command, line: backwards(command, line) if typed[0] else line)
    gateway, _ = wireless(place, clock)
    former = await gateway.settings()
    typed[0] = False
    ok, why = await put(gateway, ANCHOR, clock)
    assert ok, why
    await gateway.restore(former)
    seen = await gateway.settings()
    assert (seen.mode, seen.bands) == (former.mode, former.bands)
    assert dict(seen.raw) != dict(former.raw), "it is printed otherwise"
    assert place.modem.configured == first


def hex_modem(*, case, extra: int = 0, kept: int = (1 << 64) - 1) -> ScriptedModem:
    """A modem of the older dialect whose mask is printed in the case it likes, with bits of its own added, or bits it lacks dropped."""

    def put_mask(held, found):
        held["band"] = f"0x{case(f'{(int(found.group(1), 16) & kept) | extra:x}')}"
        return ""

    answers = [
        (r'AT\+QENG="servingcell"', '+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2D003,138,1300,3,5,5,1A2B,-92,-10,-62,17,28'),
        (r'AT\+QCFG="nwscanmode"', show('+QCFG: "nwscanmode",{mode}')),
        (r'AT\+QCFG="nwscanmode",([0-3])', keep("mode")),
        (r'AT\+QCFG="band"', show('+QCFG: "band",0x260,{band},0x0')),
        (r'AT\+QCFG="band",0,([0-9A-F]+)', put_mask),
    ]
    return ScriptedModem({"mode": "0", "band": f"0x000{case('a00a0000a5')}"}, answers)


async def over(modem: ScriptedModem):
    return open_gateway(GatewayPlan(key="own", kind="at-tcp", settings=(("address", await modem.serve()), ("quiet_s", "0.02"))), clock=SimClock())


@pytest.mark.parametrize("case", [str.lower, str.upper])
async def test_hexadecimal_in_either_case_and_with_leading_zeros_is_the_same_mask(case) -> None:
    modem = hex_modem(case=case)
    gateway = await over(modem)
    former = await gateway.settings()
    await gateway.apply(TWO)
    assert (await gateway.settings()).bands == ("B3", "B20")
    await gateway.restore(former)
    assert int(modem.held["band"], 16) == 0xA00A0000A5
    asked = len(modem.heard)
    await gateway.restore(former)
    assert not any(",0," in command for command in modem.heard[asked:]), "nothing is sent when it is back already"
    await gateway.close()
    await modem.stop()


async def test_bits_that_a_modem_adds_of_its_own_are_told_and_not_taken_for_applied() -> None:
    modem = hex_modem(case=str.lower, extra=1 << 27)  # B28 stays allowed, whatever is asked for
    gateway = await over(modem)
    with pytest.raises(GatewayRefused, match=r"does not read back; it reads back as 8080004"):
        await gateway.apply(TWO)
    assert (await gateway.settings()).bands == ("B3", "B20", "B28")
    await gateway.close()
    await modem.stop()


async def test_bands_printed_in_another_order_in_one_command_are_the_same() -> None:
    modem = MODEMS["+GTCCINFO"]()
    plain = modem._answer

    def turned(command: str) -> str:
        text = plain(command)
        return re.sub(r"(\+GTACT: \d+,\d*,\d*),([\d,]+)", lambda found: f"{found.group(1)},{','.join(reversed(found.group(2).split(',')))}", text) if command == "AT+GTACT?" else text

    modem._answer = turned
    gateway = await over(modem)
    former = await gateway.settings()
    await gateway.apply(TWO)
    assert set((await gateway.settings()).bands) == {"B3", "B20"}
    await gateway.restore(former)
    assert set((await gateway.settings()).bands) == set(former.bands)
    await gateway.close()
    await modem.stop()


async def test_a_modem_that_answers_every_command_one_too_late_never_feeds_a_wrong_answer() -> None:
    """Not one late answer: from some moment on each answer comes only when the next command is sent."""
    clock = SimClock()
    place = Place(clock)
    gateway, link = wireless(place, clock)
    await gateway.fetch()
    plain_send, held, late = link.send, [], [True]

    async def send(data: bytes) -> None:
        before = len(link._coming)
        await plain_send(data)
        fresh = [link._coming.pop() for _ in range(len(link._coming) - before)][::-1]
        if late[0]:
            link._coming.extend(held)
            held[:] = fresh
        else:
            link._coming.extend([*held, *fresh])
            held.clear()

    link.send = send
    for _ in range(4):
        try:
            capture = await gateway.fetch()
        except GatewayUnreachable:
            continue
        for done in capture.exchanges:
            for word in ("QENG", "QCAINFO", "CEREG", "C5GREG", "COPS"):
                assert f"+{word}:" not in done.received or word in done.sent, (done.sent, done.received)
    late[0] = False
    assert read(await gateway.fetch()).serving()
    whole = await gateway.fetch()
    assert all(done.complete and done.fault is None for done in whole.exchanges)


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal needs POSIX")
async def test_a_modem_that_resets_and_comes_back_under_another_name_is_found_again(tmp_path) -> None:
    clock = SimClock()
    place = Place(clock)
    here, there = tmp_path / "ttyUSB2", tmp_path / "ttyUSB3"
    where = BusPlace(0x1234, 0x0001, "1-2:1.2")
    await place.modem.serve_pty(here)
    ports = {str(here.resolve()): where}
    link = SerialLink(str(here), speed=115200, listed=lambda: ports)
    gateway = AtGateway("at-serial", link, plan=GatewayPlan(key="own", kind="at-serial"), settings=SerialSettings(port=str(here), quiet_s=0.02, timeout_s=1.0), clock=clock)
    former = await gateway.settings()
    await gateway.apply(ANCHOR)
    await place.modem.close()  # the mode change makes it restart
    here.unlink()
    ports.clear()
    with pytest.raises(GatewayUnreachable):
        for _ in range(3):
            await gateway.settings()
    await place.modem.serve_pty(there)
    other = tmp_path / "elsewhere"
    await Place(clock).modem.serve_pty(other)
    here.symlink_to(other)  # its old name is another device's now
    ports.update({str(other.resolve()): BusPlace(0x9999, 0x0002, "1-4:1.0"), str(there.resolve()): where})
    seen = await gateway.settings()
    assert (seen.mode, set(seen.bands)) == ("endc", {"B20", "n78"})
    await gateway.restore(former)
    assert place.modem.configured.mode == "automatic"
    await gateway.close()
    await place.modem.close()


async def test_the_guard_takes_a_setting_that_is_printed_otherwise_for_back(tmp_path) -> None:
    place = Place(RealClock(), apply_delay_s=0.0)
    host, port = await place.modem.serve_tcp()
    plan = GatewayPlan(key="own", kind="at-tcp", settings=(("address", f"{host}:{port}"), ("quiet_s", "0.02")))
    gateway = open_gateway(plan, clock=RealClock())
    former = await gateway.settings()
    guard = TimedReturn(tmp_path, lambda _key: plan)
    guard.arm(Rig(key="r", line="A", gateway="own"), former, seconds=600.0)
    await gateway.apply(Tuning(key="pinned", mode="endc", cell="lte:6300:55"))
    await gateway.close()
    reworded(place, backwards)
    record = next(tmp_path.glob("return-*.json"))
    held = record.read_text()
    guard.disarm("own")
    record.write_text(re.sub(r'"pid": \d+', '"pid": 1', re.sub(r'"born": "[^"]*"', '"born": "0"', held)))  # as if its process and guard were gone
    (done,) = await recover(tmp_path, timeout_s=5.0)
    assert done.ok, done.why
    assert place.modem.in_force.cell is None
    await place.modem.close()


async def test_a_daemon_that_restarts_in_the_middle_is_found_again_with_its_settings(tmp_path) -> None:
    process, address = private_bus(tmp_path)
    fake = FakeDaemon()
    await fake.start(address)
    gateway = open_gateway(GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", address),)), clock=RealClock())
    former = await gateway.settings()
    await gateway.apply(Tuning(key="lte", mode="lte", bands=("B3", "B20")))
    await fake.stop()
    with pytest.raises(GatewayError) as gone:
        await gateway.fetch()
    assert str(gone.value)
    again = FakeDaemon()
    again.modem.modes, again.modem.bands = fake.modem.modes, fake.modem.bands  # the modem kept them
    await again.start(address)
    for _ in range(3):
        try:
            assert '"rsrp": -92.0' in (await gateway.fetch()).text
            break
        except GatewayError:
            continue
    else:
        pytest.fail("the daemon was not found again")
    assert (await gateway.settings()).mode == "lte"
    await gateway.restore(former)
    assert (again.modem.modes, sorted(again.modem.bands)) == ([24, 0], [33, 50, 378])
    await gateway.close()
    await again.stop()
    process.terminate()
    process.wait()


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("1:3:20", "20:3:1", True),
        ("0x80005", "0080005", True),
        ("80005", "80004", False),
        ("AUTO", "auto", True),
        ("1,1300,138", "1,138,1300", False),
        ('"03",3FFFFFFF,1,2,7F,,', "03,3fffffff,1,2,7f,,", True),
        ("0", "", True),
        (None, None, True),
        (None, "0", False),
    ],
)
def test_what_is_the_same_value_and_what_is_not(one, other, same) -> None:
    assert same_value(one, other) is same


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal needs POSIX")
async def test_a_port_has_one_hold_by_whichever_name_it_is_called(tmp_path: Path) -> None:
    place = Place(SimClock())
    await place.modem.serve_pty(tmp_path / "modem")
    (tmp_path / "alias").symlink_to(tmp_path / "modem")
    one, other = (SerialLink(str(tmp_path / name), speed=115200, listed=dict) for name in ("modem", "alias"))
    await one.open()
    with pytest.raises(GatewayBusy, match="in use by another Bandwright"):
        await other.open()
    await one.close()
    await other.open()
    await other.close()
    await place.modem.close()

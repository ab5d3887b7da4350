"""One process on a port: a second one is refused with the name of the port; and what this computer has is said with what to do."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from pathlib import Path

import pytest
from stage import Place, RealClock, Script, SimClock

from bandwright.errors import DeclarationError, GatewayBusy, GatewayUnreachable
from bandwright.gateways.declared import split_address
from bandwright.gateways.discover import discover
from bandwright.gateways.kinds import KINDS, kind, open_gateway
from bandwright.gateways.links import SerialLink
from bandwright.gateways.locks import PortLock
from bandwright.gateways.owners import daemon_holds
from bandwright.twin.modem import Fault
from bandwright.words.rig import GatewayPlan

HOLDER = """
import asyncio, sys
sys.path.insert(0, {tests!r})
from stage import RealClock
from bandwright.gateways.kinds import open_gateway
from bandwright.words.rig import GatewayPlan

async def main():
    gateway = open_gateway(GatewayPlan(key="own", kind={kind!r}, settings={settings!r}), clock=RealClock())
    await gateway.fetch()
    print("holding", flush=True)
    await asyncio.sleep(3600)
asyncio.run(main())
"""


@pytest.mark.parametrize("which", ["at-tcp", "at-serial"])
async def test_a_second_process_on_a_port_is_refused_and_the_first_goes_on(which, tmp_path) -> None:
    if which == "at-serial" and sys.platform == "win32":
        pytest.skip("a pseudo-terminal needs POSIX")
    place = Place(RealClock())
    host, port = await place.modem.serve_tcp()
    link = tmp_path / "modem"
    if which == "at-serial":
        await place.modem.serve_pty(link)
    settings = (("address", f"{host}:{port}"),) if which == "at-tcp" else (("port", str(link)),)
    code = HOLDER.format(tests=str(Path(__file__).parent), kind=which, settings=settings)
    other = await asyncio.create_subprocess_exec(sys.executable, "-c", code, stdout=subprocess.PIPE)
    assert (await asyncio.wait_for(other.stdout.readline(), 30)).strip() == b"holding"
    gateway = open_gateway(GatewayPlan(key="own", kind=which, settings=settings), clock=RealClock())
    named = f"{host}:{port}" if which == "at-tcp" else str(link)
    with pytest.raises(GatewayBusy) as raised:
        await gateway.fetch()
    assert named in str(raised.value)
    assert f"process {other.pid}" in str(raised.value)
    other.kill()
    await other.wait()
    assert (await gateway.fetch()).text  # a holder that was killed holds nothing
    await gateway.close()
    await place.modem.close()


def test_a_hold_excludes_others_of_this_process_too_and_ends_when_given() -> None:
    first, second = PortLock("test:one"), PortLock("test:one")
    first.take("one")
    first.take("one")
    with pytest.raises(GatewayBusy, match="one is in use"):
        second.take("one")
    PortLock("test:two").take("two")
    first.give()
    first.give()
    second.take("one")
    second.give()


async def test_a_port_that_is_not_there_is_one_clear_sentence(tmp_path) -> None:
    with pytest.raises(GatewayUnreachable, match="cannot be opened"):
        await SerialLink(str(tmp_path / "ttyUSB9"), speed=115200).open()


def test_discovery_names_ports_owners_rights_and_what_is_missing(tmp_path) -> None:
    dev = tmp_path / "dev"
    dev.mkdir()
    for name in ("ttyUSB0", "ttyUSB2", "cdc-wdm0"):
        (dev / name).touch()
    found = discover(platform="linux", root=tmp_path, owner=lambda name: "the modem daemon (0)" if name.endswith("ttyUSB2") else None)
    by_name = {Path(one.name).name: one for one in found}
    assert by_name["ttyUSB0"].usable
    assert not by_name["ttyUSB2"].usable
    assert "belongs to the modem daemon" in by_name["ttyUSB2"].text
    assert "modem-daemon" in by_name["ttyUSB2"].todo
    assert by_name["cdc-wdm0"].kind == "qmi-tool"
    assert {"modem daemon", "qmicli", "mbimcli", "ssh"} <= by_name.keys()
    assert all(one.usable or one.todo for one in found)


def test_rights_that_are_missing_come_with_the_group_and_the_rule(tmp_path, monkeypatch) -> None:
    dev = tmp_path / "dev"
    dev.mkdir()
    (dev / "ttyUSB0").touch()
    (dev / "cdc-wdm0").touch()
    monkeypatch.setattr("os.access", lambda *_: False)
    found = {Path(one.name).name: one for one in discover(platform="linux", root=tmp_path, owner=lambda _name: None)}
    assert "usermod -aG" in found["ttyUSB0"].todo
    assert "udev rule" in found["cdc-wdm0"].todo


@pytest.mark.parametrize(("platform", "word"), [("linux", "/dev/ttyUSB2"), ("darwin", "/dev/cu.usbmodem"), ("win32", "device manager")])
def test_each_system_is_told_in_its_own_words(platform, word, tmp_path, monkeypatch) -> None:
    (tmp_path / "dev").mkdir()
    monkeypatch.setenv("PATH", str(tmp_path))
    found = {one.name: one for one in discover(platform=platform, root=tmp_path, owner=lambda _name: None)}
    assert word in found["serial ports"].todo
    assert not found["qmicli"].usable
    assert ("apt install" in found["qmicli"].todo) == (platform == "linux")
    assert ("modem daemon" in found) == (platform == "linux")
    assert not found["ssh"].usable


async def test_the_daemon_can_be_asked_for_its_ports_from_within_a_loop() -> None:
    assert daemon_holds("unix:path=/nonexistent/bus") is None


def test_kinds_have_a_row_each_with_documented_settings() -> None:
    assert len({row.key for row in KINDS}) == len(KINDS)
    for row in KINDS:
        assert row.label
        assert row.about.endswith(".")
        assert row.tunes
        assert all(field.description for field in row.settings.model_fields.values()), row.key


def test_an_unknown_kind_or_setting_is_said_with_what_there_is() -> None:
    with pytest.raises(DeclarationError, match="at-serial"):
        kind("carrier-pigeon")
    with pytest.raises(DeclarationError, match=r'gateway "own": speeed.*speed'):
        open_gateway(GatewayPlan(key="own", kind="at-serial", settings=(("port", "/dev/ttyUSB2"), ("speeed", "1"))), clock=SimClock())
    with pytest.raises(DeclarationError, match="port"):
        open_gateway(GatewayPlan(key="own", kind="at-serial"), clock=SimClock())
    with pytest.raises(DeclarationError, match="host:port"):
        open_gateway(GatewayPlan(key="own", kind="at-tcp", settings=(("address", "192.0.2.1"),)), clock=SimClock())


@pytest.mark.parametrize(
    ("text", "parts"), [("192.0.2.1:5000", ("192.0.2.1", 5000)), ("[2001:db8::1]:5000", ("2001:db8::1", 5000)), ("gw.example.org:1", ("gw.example.org", 1))]
)
def test_an_address_is_host_and_port(text, parts) -> None:
    assert split_address(text) == parts


@pytest.mark.parametrize("text", ["192.0.2.1", "192.0.2.1:", ":5000", "192.0.2.1:0", "192.0.2.1:65536", "a:b"])
def test_anything_else_is_no_address(text) -> None:
    with pytest.raises(DeclarationError):
        split_address(text)


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal needs POSIX")
async def test_a_port_that_another_program_holds_is_said_to_be_held(tmp_path) -> None:
    import serial

    place = Place(RealClock())
    await place.modem.serve_pty(tmp_path / "modem")
    holder = serial.Serial(str(tmp_path / "modem"), exclusive=True)
    with pytest.raises(GatewayBusy, match="held by another program"):
        await SerialLink(str(tmp_path / "modem"), speed=115200).open()
    holder.close()
    await place.modem.close()


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal needs POSIX")
@pytest.mark.parametrize("which", ["at-tcp", "at-serial"])
@pytest.mark.parametrize("fault", [Fault.VANISH, Fault.SILENT, Fault.LATE, Fault.TRICKLE])
async def test_a_real_line_that_does_wrong_is_told_and_used_again(which, fault, tmp_path) -> None:
    place = Place(RealClock())
    host, port = await place.modem.serve_tcp()
    await place.modem.serve_pty(tmp_path / "modem")
    where = ("address", f"{host}:{port}") if which == "at-tcp" else ("port", str(tmp_path / "modem"))
    gateway = open_gateway(GatewayPlan(key="own", kind=which, settings=(where, ("timeout_s", "1.5"), ("quiet_s", "0.05"))), clock=RealClock())
    await gateway.fetch()
    place.modem.faults = Script([fault], when=lambda command: command == "AT+QCAINFO")
    if fault is Fault.VANISH:
        with pytest.raises(GatewayUnreachable):
            await gateway.fetch()
    else:
        faults = [done.fault for done in (await gateway.fetch()).exchanges if done.fault]
        assert faults == ([] if fault is Fault.TRICKLE else ["no answer within 1.5 s"])
    again = await gateway.fetch()
    assert all(done.fault is None for done in again.exchanges)
    assert "+QCAINFO:" in again.exchanges[1].received
    await gateway.close()
    await place.modem.close()

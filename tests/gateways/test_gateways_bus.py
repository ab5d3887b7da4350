"""The modem daemon over D-Bus: what it does oddly, against a fake of its interfaces on a real bus of our own."""

from __future__ import annotations

import shutil

import pytest
from busfake import CORE, FakeDaemon
from dbus_fast.errors import DBusError
from fakes import private_bus
from stage import SimClock, read

from bandwright.errors import GatewayBusy, GatewayRefused, GatewayUnreachable
from bandwright.gateways.bus import daemon_ports
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.links import SerialLink
from bandwright.gateways.owners import daemon_owner
from bandwright.words.rig import GatewayPlan, Tuning

pytestmark = pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is not installed")


@pytest.fixture
async def stand(tmp_path):
    process, address = private_bus(tmp_path)
    fake, clock = FakeDaemon(), SimClock()
    await fake.start(address)
    gateway = open_gateway(GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", address), ("stale_after_s", "60"))), clock=clock)
    yield fake, gateway, clock, address
    await gateway.close()
    await fake.stop()
    process.terminate()
    process.wait()


async def test_what_the_daemon_says_can_be_read(stand) -> None:
    _, gateway, _, _ = stand
    reading = read(await gateway.fetch())
    assert reading.mode.value == "endc"
    assert reading.registration.value == "home"
    assert {(c.rat.value, c.number("arfcn"), c.number("rsrp")) for c in reading.serving()} == {("lte", 1300.0, -92.0), ("nr", 640000.0, -98.0)}


async def test_no_identity_of_the_device_is_asked_for(stand) -> None:
    _, gateway, _, _ = stand
    capture = await gateway.fetch()
    assert "001100110011002" not in capture.text
    assert not any("001100110011002" in done.received for done in capture.exchanges)


async def test_values_that_do_not_change_for_long_are_marked(stand) -> None:
    fake, gateway, clock, _ = stand
    assert dict((await gateway.fetch()).meta).get("stale") is None
    clock.seconds += 61
    assert "has not changed for 61 s" in dict((await gateway.fetch()).meta)["stale"]
    fake.signal.rsrp = -91.0
    assert dict((await gateway.fetch()).meta).get("stale") is None


async def test_a_signal_rate_of_somebody_else_is_left_alone_and_ours_is_taken_back(stand) -> None:
    fake, gateway, _, _ = stand
    await gateway.fetch()
    assert fake.signal.rates == [2]
    await gateway.close()
    assert fake.signal.rates == [2, 0]
    fake.signal.rate = 5
    await gateway.fetch()
    await gateway.close()
    assert fake.signal.rates == [2, 0]
    assert fake.signal.rate == 5


async def test_a_modem_that_is_removed_is_said_to_be_gone_and_found_again(stand) -> None:
    fake, gateway, _, address = stand
    await gateway.fetch()
    fake.remove_modem()
    with pytest.raises(GatewayUnreachable, match="gone"):
        await gateway.fetch()
        await gateway.fetch()
    await fake.stop()
    await fake.start(address)
    assert (await gateway.fetch()).text


async def test_a_daemon_that_ends_is_said_to_be_gone(stand) -> None:
    fake, gateway, _, _ = stand
    await gateway.fetch()
    await fake.stop()
    with pytest.raises(GatewayUnreachable):
        await gateway.fetch()
    with pytest.raises(GatewayUnreachable, match="does not run"):
        await gateway.fetch()


@pytest.mark.parametrize(
    ("name", "kind", "told"),
    [
        (f"{CORE}.Unauthorized", GatewayRefused, "polkit rule"),
        ("org.freedesktop.DBus.Error.AccessDenied", GatewayRefused, "polkit rule"),
        (f"{CORE}.Unsupported", GatewayRefused, "driver for this modem has no SetCurrentModes"),
        (f"{CORE}.InProgress", GatewayBusy, "cannot do SetCurrentModes now"),
        (f"{CORE}.Failed", GatewayRefused, "refused SetCurrentModes"),
    ],
)
async def test_a_refusal_is_explained(stand, name, kind, told) -> None:
    fake, gateway, _, _ = stand
    fake.modem.fails["SetCurrentModes"] = DBusError(name, "said the daemon")
    with pytest.raises(kind, match=told):
        await gateway.apply(Tuning(key="lte", mode="lte"))
    assert fake.modem.modes == [24, 0]


async def test_cells_that_cannot_be_asked_for_are_a_fault_of_that_question_only(stand) -> None:
    fake, gateway, _, _ = stand
    fake.modem.fails["GetCellInfo"] = DBusError(f"{CORE}.Unsupported", "operation not supported")
    capture = await gateway.fetch()
    assert any(done.fault and "Unsupported" in done.fault for done in capture.exchanges)
    assert '"rsrp": -92.0' in capture.text


async def test_modes_and_bands_are_sent_by_their_numbers(stand) -> None:
    fake, gateway, _, _ = stand
    former = await gateway.settings()
    assert former.mode == "automatic"
    await gateway.apply(Tuning(key="x", mode="lte", bands=("B3", "B20")))
    assert fake.modem.modes == [8, 0]
    assert fake.modem.bands == [33, 50]  # E-UTRA band n is 30 + n (enumeration of the daemon's interface)
    await gateway.apply(Tuning(key="x", mode="nr-sa", bands=("n78",)))
    assert fake.modem.modes == [16, 0]
    assert fake.modem.bands == [378]  # NR band n is 300 + n
    await gateway.restore(former)
    assert (fake.modem.modes, fake.modem.bands) == ([24, 0], [33, 50, 378])


async def test_en_dc_alone_and_a_pinned_cell_are_not_offered(stand) -> None:
    fake, gateway, _, _ = stand
    for tuning in (Tuning(key="x", mode="endc"), Tuning(key="x", mode="lte", cell="lte:1300:138")):
        with pytest.raises(GatewayRefused, match="Nothing was sent"):
            await gateway.apply(tuning)
    assert fake.modem.called == []


async def test_an_unknown_modem_is_said_with_what_there_is(stand) -> None:
    _, _, clock, address = stand
    gateway = open_gateway(GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", address), ("modem", "7"))), clock=clock)
    with pytest.raises(GatewayUnreachable, match=r"no modem '7'.*Modem/0"):
        await gateway.fetch()
    by_port = open_gateway(GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", address), ("modem", "/dev/ttyUSB2"))), clock=clock)
    assert (await by_port.fetch()).text
    await by_port.close()


async def test_a_port_that_the_daemon_owns_is_not_opened(stand, tmp_path) -> None:
    _, _, _, address = stand
    assert await daemon_ports(address) == {"ttyUSB2": "/org/freedesktop/ModemManager1/Modem/0", "cdc-wdm0": "/org/freedesktop/ModemManager1/Modem/0"}
    port = tmp_path / "ttyUSB2"
    port.write_bytes(b"")
    link = SerialLink(str(port), speed=115200, owner=lambda name: daemon_owner(name, bus_address=address))
    with pytest.raises(GatewayBusy, match=r"ttyUSB2 belongs to the modem daemon.*not opened"):
        await link.open()


def test_without_a_bus_nobody_owns_a_port() -> None:
    assert daemon_owner("/dev/ttyUSB2", bus_address="unix:path=/nonexistent/bus") is None


async def test_a_bus_that_dies_is_said_and_nothing_hangs(tmp_path) -> None:
    process, address = private_bus(tmp_path)
    fake = FakeDaemon()
    await fake.start(address)
    gateway = open_gateway(GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", address), ("timeout_s", "2"))), clock=SimClock())
    await gateway.fetch()
    process.kill()
    process.wait()
    for _ in range(2):
        with pytest.raises(GatewayUnreachable):
            await gateway.fetch()
    await gateway.close()

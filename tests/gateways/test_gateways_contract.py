"""Every kind of gateway keeps the same promises. What stands behind each kind is said in its case.

On the twin's modem: at-tcp and at-serial. On the operating system's own daemon: modem-daemon (reads; its generic modem cannot set modes).
On fakes: at-tcp in the other dialects, modem-daemon with modes and bands, qmi-tool, mbim-tool, router-ssh, tr181, remote, pasted.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

import pytest
from busfake import FakeDaemon
from contract import PROMISES, Case
from fakes import MBIM_ANSWERS, QMI_ANSWERS, Page, Person, asked, private_bus, router, tool
from scripted import MODEMS
from stage import Place, RealClock, SimClock

from bandwright.gateways import bus as bus_module
from bandwright.gateways.commands import Row
from bandwright.gateways.dialects.table import allowed_rows
from bandwright.gateways.kinds import KINDS, open_gateway
from bandwright.gateways.router import ROUTER_ROWS
from bandwright.gateways.secrets import file_secrets
from bandwright.gateways.tools import MBIM, QMI
from bandwright.words.rig import GatewayPlan, Tuning

TUNINGS = (
    Tuning(key="lte", mode="lte"),
    Tuning(key="sa", mode="nr-sa"),
    Tuning(key="anchor 20", mode="endc", bands=("B20", "n78")),
    Tuning(key="pinned", mode="endc", cell="lte:6300:55"),
    Tuning(key="nr pinned", mode="nr-sa", bands=("n78",), cell="nr:640000:211:30:78"),
    Tuning(key="automatic", mode="automatic"),
)
LTE_TWO = Tuning(key="two", mode="lte", bands=("B3", "B20"))
NR_ONE = Tuning(key="one", mode="nr-sa", bands=("n78",))


def allowed(rows: tuple[Row, ...]) -> Callable[[str], bool]:
    patterns = [re.compile(re.sub(r"\\\{\w+\\\}", r'[\\w:,"/-]*', re.escape(row.template))) for row in rows]
    return lambda sent: any(pattern.fullmatch(sent) for pattern in patterns)


AT_MAY = allowed(allowed_rows())


@asynccontextmanager
async def twin_over_tcp(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    clock = SimClock()
    place = Place(clock)
    host, port = await place.modem.serve_tcp()
    plan = GatewayPlan(key="own", kind="at-tcp", settings=(("address", f"{host}:{port}"), ("quiet_s", "0.05")))
    yield Case(
        plan=plan,
        clock=clock,
        behind="the twin's modem over TCP",
        says=("+QENG:", "+QCAINFO:", "1300"),
        tunings=TUNINGS,
        sent=lambda: place.modem.heard,
        may_send=AT_MAY,
        unplug=place.modem.close,
        settle=lambda: clock.sleep(10),
        exclusive=True,
    )
    await place.modem.close()


@asynccontextmanager
async def twin_over_pty(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    if sys.platform == "win32":
        pytest.skip("a pseudo-terminal needs POSIX")
    clock = SimClock()
    place = Place(clock)
    link = tmp_path / "modem"
    await place.modem.serve_pty(link)

    async def unplug() -> None:
        await place.modem.close()
        link.unlink()

    yield Case(
        plan=GatewayPlan(key="own", kind="at-serial", settings=(("port", str(link)), ("quiet_s", "0.05"))),
        clock=clock,
        behind="the twin's modem over a pseudo-terminal",
        says=("+QENG:", "+QCAINFO:", "1300"),
        tunings=TUNINGS,
        sent=lambda: place.modem.heard,
        may_send=AT_MAY,
        unplug=unplug,
        settle=lambda: clock.sleep(10),
        exclusive=True,
    )
    await place.modem.close()


@asynccontextmanager
async def twin_by_the_standard(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    clock = SimClock()
    place = Place(clock, standard_only=True)
    host, port = await place.modem.serve_tcp()
    yield Case(
        plan=GatewayPlan(key="own", kind="at-tcp", settings=(("address", f"{host}:{port}"), ("quiet_s", "0.05"))),
        clock=clock,
        behind="the twin's modem over TCP, 27.007 only",
        says=("+CESQ:", "+CEREG: 2,1"),
        tunings=(Tuning(key="lte", mode="lte"), Tuning(key="sa", mode="nr-sa"), Tuning(key="automatic", mode="automatic")),
        sent=lambda: place.modem.heard,
        may_send=AT_MAY,
        unplug=place.modem.close,
        settle=lambda: clock.sleep(10),
        exclusive=True,
    )
    await place.modem.close()


def scripted(dialect: str, says: tuple[str, ...], tunings: tuple[Tuning, ...]):
    @asynccontextmanager
    async def case(_tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
        modem = MODEMS[dialect]()
        address = await modem.serve()
        yield Case(
            plan=GatewayPlan(key="own", kind="at-tcp", settings=(("address", address), ("quiet_s", "0.05"))),
            clock=SimClock(),
            behind=f"a scripted modem of dialect {dialect}",
            says=says,
            tunings=tunings,
            sent=lambda: modem.heard,
            may_send=AT_MAY,
            unplug=modem.stop,
            exclusive=True,
        )
        await modem.stop()

    return case


@asynccontextmanager
async def pasted(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    person, clock = Person(), SimClock()
    opening = {"ask": person.ask}

    async def unplug() -> None:
        opening.clear()

    yield Case(
        plan=GatewayPlan(key="supplied", kind="pasted", settings=(("page", "http://192.0.2.1/"),)),
        clock=clock,
        behind="a scripted person",
        says=("RSRP: -92",),
        tunings=TUNINGS,
        sent=lambda: person.questions,
        may_send=lambda _question: True,
        unplug=unplug,
        opening=opening,
        reads_back_mode=False,
    )


def command_line_tool(name: str, answers: dict[str, str], says: tuple[str, ...], may: tuple[str, ...]):
    @asynccontextmanager
    async def case(tmp_path: Path, monkeypatch) -> AsyncIterator[Case]:
        made = tool(tmp_path, name, answers)
        monkeypatch.setenv("PATH", str(tmp_path), prepend=os.pathsep)

        async def unplug() -> None:
            made.unlink()
            monkeypatch.setenv("PATH", str(tmp_path))

        yield Case(
            plan=GatewayPlan(key="own", kind=f"{name[:4].rstrip('c')}-tool"),
            clock=SimClock(),
            behind=f"a program that prints recorded answers of {name}",
            says=says,
            sent=lambda: asked(tmp_path),
            may_send=lambda question: question in may,
            unplug=unplug,
        )

    return case


@asynccontextmanager
async def router_console(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    ssh = router(tmp_path)

    async def unplug() -> None:
        ssh.write_text("#!/bin/sh\necho 'ssh: connect to host 192.0.2.1 port 22: No route to host' >&2\nexit 255\n")

    yield Case(
        plan=GatewayPlan(key="own", kind="router-ssh", settings=(("host", "192.0.2.1"), ("program", str(ssh)))),
        clock=SimClock(),
        behind="a program that acts as ssh with a router's console behind it",
        says=("primary-band: B3@20Mhz",),
        tunings=(Tuning(key="lte", mode="lte", bands=("B3", "B20")), Tuning(key="sa", mode="nr-sa"), Tuning(key="auto", mode="automatic")),
        sent=lambda: asked(tmp_path),
        may_send=allowed(ROUTER_ROWS),
        unplug=unplug,
    )


@asynccontextmanager
async def data_model_file(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    clock = SimClock()
    file = tmp_path / "parameters"
    file.write_text('Cellular.Interface.1.CurrentAccessTechnology="LTE"\nCellular.Interface.1.RSRP=-92\n')

    async def unplug() -> None:
        file.unlink()

    yield Case(
        plan=GatewayPlan(key="own", kind="tr181", settings=(("file", str(file)),)),
        clock=clock,
        behind="a file of parameters",
        says=("RSRP=-92",),
        sent=lambda: ["read"],
        may_send=lambda _sent: True,
        unplug=unplug,
    )


@asynccontextmanager
async def data_model_document(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    page = Page()
    async with page.served() as port:
        settings = (("url", f"http://127.0.0.1:{port}/tr181"), ("headers.X-Session", "secret:page"))
        case = Case(
            plan=GatewayPlan(key="own", kind="tr181", settings=settings),
            clock=SimClock(),
            behind="a fake page with a JSON document",
            says=('"RSRP": -92',),
            sent=lambda: page.sent,
            may_send=lambda sent: sent == "GET /tr181",
            opening={"secrets": secrets(tmp_path)},
        )

        async def elsewhere() -> None:
            case.plan = GatewayPlan(key="own", kind="tr181", settings=(("url", "http://127.0.0.1:1/"),))

        case.unplug = elsewhere
        yield case


def secrets(folder: Path):
    file = folder / "secrets.toml"
    file.write_text('page = "s3ssion-key"\n')
    file.chmod(0o600)
    return file_secrets(file)


@asynccontextmanager
async def declared_requests(tmp_path: Path, _monkeypatch) -> AsyncIterator[Case]:
    page = Page()
    async with page.served() as port:
        base = f"http://127.0.0.1:{port}"
        settings = (
            ("fetch.url", f"{base}/api/radio"),
            ("fetch.headers.X-Session", "secret:page"),
            ("map.lte.pcell.rsrp", "lte.rsrp_dbm"),
            ("map.lte.pcell.arfcn", "lte.ch"),
            ("apply.url", f"{base}/api/net"),
            ("apply.method", "POST"),
            ("apply.body", '{"mode": "{mode}", "bands": "{bands}"}'),
            ("apply.headers.X-Session", "secret:page"),
            ("all_bands", "all"),
            ("modes.lte", "LTE_ONLY"),
            ("modes.automatic", "AUTO"),
            ("settings.url", f"{base}/api/net"),
            ("settings.headers.X-Session", "secret:page"),
            ("settings.mode", "net.mode"),
            ("settings.bands", "net.bands"),
        )
        case = Case(
            plan=GatewayPlan(key="own", kind="remote", settings=settings),
            clock=SimClock(),
            behind="a fake page with JSON documents behind a session header",
            says=('"rsrp": -92', '"arfcn": 1300'),
            tunings=(Tuning(key="lte", mode="lte", bands=("B3", "B20")), Tuning(key="auto", mode="automatic")),
            sent=lambda: page.sent,
            may_send=lambda sent: sent in {"GET /api/radio", "GET /api/net", "POST /api/net"},
            opening={"secrets": secrets(tmp_path)},
        )

        async def elsewhere() -> None:
            case.plan = GatewayPlan(key="own", kind="remote", settings=(("fetch.url", "http://127.0.0.1:1/"),))

        case.unplug = elsewhere
        yield case


def bus_case(address: str, monkeypatch, **more: object) -> Case:
    called: list[str] = []
    inner = bus_module._call

    async def noted(bus, path, method, body, **rest):
        called.append(f"{method.interface}.{method.member}")
        return await inner(bus, path, method, body, **rest)

    monkeypatch.setattr(bus_module, "_call", noted)
    table = {f"{method.interface}.{method.member}" for method in bus_module.METHODS}
    case = Case(
        plan=GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", address),)),
        clock=RealClock(),
        sent=lambda: called,
        may_send=lambda name: name in table,
        exclusive=True,
        **more,
    )

    async def elsewhere() -> None:
        case.plan = GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", "unix:path=/nonexistent/bus"),))

    case.unplug = elsewhere
    return case


@asynccontextmanager
async def fake_daemon(tmp_path: Path, monkeypatch) -> AsyncIterator[Case]:
    if shutil.which("dbus-daemon") is None:
        pytest.skip("dbus-daemon is not installed")
    process, address = private_bus(tmp_path)
    fake = FakeDaemon()
    await fake.start(address)
    yield bus_case(
        address,
        monkeypatch,
        behind="a fake of the daemon's interfaces on a real bus",
        says=('"rsrp": -92.0', '"earfcn": 1300', '"RegistrationState": 1'),
        tunings=(Tuning(key="lte", mode="lte", bands=("B3", "B20")), Tuning(key="sa", mode="nr-sa", bands=("n78",)), Tuning(key="auto", mode="automatic")),
    )
    await fake.stop()
    process.terminate()
    process.wait()


@asynccontextmanager
async def fake_daemon_with_a_second_port(tmp_path: Path, monkeypatch) -> AsyncIterator[Case]:
    if shutil.which("dbus-daemon") is None:
        pytest.skip("dbus-daemon is not installed")
    process, address = private_bus(tmp_path)
    fake, place = FakeDaemon(), Place(RealClock(), apply_delay_s=0.0)
    await fake.start(address)
    host, port = await place.modem.serve_tcp()
    case = bus_case(
        address,
        monkeypatch,
        behind="a fake of the daemon's interfaces on a real bus, and the twin's modem over TCP as the second port",
        says=('"rsrp": -92.0', '"earfcn": 1300'),
        tunings=TUNINGS,
    )
    called, may_call = case.sent, case.may_send
    case.plan = GatewayPlan(key="own", kind="modem-daemon", settings=(("bus", address), ("second_port", f"{host}:{port}")))
    case.sent, case.may_send = lambda: [*called(), *place.modem.heard], lambda sent: may_call(sent) or AT_MAY(sent)
    yield case
    await place.modem.close()
    await fake.stop()
    process.terminate()
    process.wait()


CASES: dict[str, Callable[[Path, pytest.MonkeyPatch], AbstractAsyncContextManager[Case]]] = {
    "at-tcp": twin_over_tcp,
    "at-serial": twin_over_pty,
    "at-tcp, standard": twin_by_the_standard,
    "at-tcp, +QENG older": scripted("+QENG older", ("+QENG:",), (LTE_TWO, Tuning(key="auto", mode="automatic"))),
    "at-tcp, !GSTATUS": scripted("!GSTATUS", ("!GSTATUS:",), (LTE_TWO, Tuning(key="auto", mode="automatic"))),
    "at-tcp, +CPSI": scripted("+CPSI", ("+CPSI:",), (LTE_TWO, NR_ONE, Tuning(key="auto", mode="automatic"))),
    "at-tcp, +XCESQ": scripted("+XCESQ", ("+XCESQ:",), (LTE_TWO, Tuning(key="auto", mode="automatic"))),
    "at-tcp, +GTCCINFO": scripted("+GTCCINFO", ("+GTCCINFO:",), (LTE_TWO, NR_ONE, Tuning(key="auto", mode="automatic"))),
    "at-tcp, ^HCSQ": scripted("^HCSQ", ("^HCSQ:",), (LTE_TWO, Tuning(key="auto", mode="automatic"))),
    "at-tcp, ^SMONI": scripted("^SMONI", ("^SMONI:",), ()),
    "pasted": pasted,
    "qmi-tool": command_line_tool("qmicli", QMI_ANSWERS, ("RSRP: '-92 dBm'", "RX Channel: '1300'"), QMI.arguments()),
    "mbim-tool": command_line_tool("mbimcli", MBIM_ANSWERS, ("EARFCN: 1300",), MBIM.arguments()),
    "router-ssh": router_console,
    "tr181": data_model_file,
    "tr181, document": data_model_document,
    "remote": declared_requests,
    "modem-daemon": fake_daemon,
    "modem-daemon, second port": fake_daemon_with_a_second_port,
}


@pytest.mark.parametrize("promise", PROMISES, ids=lambda promise: promise.__name__)
@pytest.mark.parametrize("name", CASES)
async def test_the_kind_keeps_the_promise(name, promise, tmp_path, monkeypatch) -> None:
    async with CASES[name](tmp_path, monkeypatch) as case:
        await promise(case)


@pytest.mark.parametrize("promise", PROMISES, ids=lambda promise: promise.__name__)
async def test_the_real_modem_daemon_keeps_the_promise(promise, real_daemon, monkeypatch) -> None:
    await promise(bus_case(real_daemon[0], monkeypatch, behind="the operating system's own modem daemon", says=('"RegistrationState": 1', '"rsrp": -9')))


async def test_readings_come_from_the_real_daemon_while_tunings_go_to_the_modems_second_port(real_daemon) -> None:
    """The daemon's generic modem cannot set bands; the modem's other port can, and the daemon's own measurement shows it."""
    watching = open_gateway(GatewayPlan(key="seen", kind="modem-daemon", settings=(("bus", real_daemon[0]), ("signal_rate_s", "1"))), clock=RealClock())
    tuning = open_gateway(GatewayPlan(key="tuned", kind="at-tcp", settings=(("address", real_daemon[1]),)), clock=RealClock())
    former = await tuning.settings()
    try:
        assert await within(15.0, lambda: level(watching), (-93.0, -91.0))  # band 3 at -92 dBm; the daemon knows whole codes only
        await tuning.apply(Tuning(key="b20", mode="lte", bands=("B20",)))
        assert await within(15.0, lambda: level(watching), (-85.0, -83.0))  # band 20 at -84 dBm
        await tuning.restore(former)
        assert await within(15.0, lambda: level(watching), (-93.0, -91.0))
    finally:
        await tuning.close()
        await watching.close()


async def level(gateway) -> float | None:
    return json.loads((await gateway.fetch()).text)["Modem.Signal"].get("Lte", {}).get("rsrp")


async def within(seconds: float, ask, bounds: tuple[float, float]) -> bool:
    until = asyncio.get_running_loop().time() + seconds
    while asyncio.get_running_loop().time() < until:
        value = await ask()
        if value is not None and bounds[0] <= value <= bounds[1]:
            return True
        await asyncio.sleep(0.1)
    return False


def test_every_kind_is_under_contract() -> None:
    assert {name.partition(",")[0] for name in CASES} == {kind.key for kind in KINDS}


def test_the_check_of_what_was_sent_can_fail() -> None:
    assert AT_MAY('AT+QENG="servingcell"')
    assert AT_MAY('AT+QNWPREFCFG="lte_band",1:3')
    assert not AT_MAY("AT+CFUN=0")
    assert not AT_MAY('AT+QNWPREFCFG="lte_band",1:3;+CFUN=0')

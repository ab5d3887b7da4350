"""Declared requests: secrets stay out of sight, nothing but what was declared is sent, and what goes wrong is one clear sentence."""

from __future__ import annotations

import sys

import pytest
from fakes import Page, program
from stage import SimClock, read

from bandwright.errors import DeclarationError, GatewayRefused, GatewayUnreachable, SecretError
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.proof import read_back
from bandwright.gateways.secrets import file_secrets, keep_secret
from bandwright.privacy import Private
from bandwright.words.rig import GatewayPlan, Tuning


def plan(*settings: tuple[str, str]) -> GatewayPlan:
    return GatewayPlan(key="own", kind="remote", settings=settings)


@pytest.fixture
def secrets(tmp_path):
    file = tmp_path / "secrets.toml"
    keep_secret(file, "page", Private("s3ssion-key"))
    return file_secrets(file)


async def test_a_secret_is_sent_and_never_recorded(secrets) -> None:
    page = Page()
    async with page.served() as port:
        gateway = open_gateway(
            plan(("fetch.url", f"http://127.0.0.1:{port}/api/radio"), ("fetch.headers.X-Session", "secret:page")), clock=SimClock(), secrets=secrets
        )
        capture = await gateway.fetch()
        assert page.seen[0]["x-session"] == "s3ssion-key"
        assert "s3ssion-key" not in capture.text
        assert "s3ssion-key" not in repr(capture)
        page.session = "another"
        with pytest.raises(GatewayRefused) as raised:
            await gateway.fetch()
        assert "log in anew" in str(raised.value)
        assert "s3ssion-key" not in str(raised.value)


async def test_mapped_quantities_are_read_as_their_carrier(secrets) -> None:
    page = Page()
    async with page.served() as port:
        names = {"rsrp": "lte.rsrp_dbm", "arfcn": "lte.ch", "pci": "lte.pci", "band": "lte.band", "sinr": "lte.absent"}
        settings = [(f"map.lte.pcell.{name}", path) for name, path in names.items()]
        request = (("fetch.url", f"http://127.0.0.1:{port}/api/radio"), ("fetch.headers.X-Session", "secret:page"))
        gateway = open_gateway(plan(*request, *settings), clock=SimClock(), secrets=secrets)
        capture = await gateway.fetch()
        assert "ession" not in capture.text
        assert '"ch": 1300' in capture.exchanges[0].received  # what came is kept, whatever was mapped
        (carrier,) = read(capture).serving()
        assert (carrier.rat.value, carrier.role.value) == ("lte", "pcell")
        assert (carrier.number("rsrp"), carrier.number("arfcn"), carrier.number("pci")) == (-92.0, 1300.0, 138.0)
        assert carrier.get("sinr") is None


async def test_a_redirect_is_not_followed() -> None:
    page = Page()
    page.other["/moved"] = (302, "")
    async with page.served() as port:
        gateway = open_gateway(plan(("fetch.url", f"http://127.0.0.1:{port}/moved")), clock=SimClock())
        with pytest.raises(GatewayRefused, match="status 302"):
            await gateway.fetch()
        assert page.sent == ["GET /moved"]


async def test_a_log_in_page_is_not_taken_for_a_document() -> None:
    page = Page()
    page.other["/api"] = (200, "<html>Please log in</html>")
    async with page.served() as port:
        gateway = open_gateway(plan(("fetch.url", f"http://127.0.0.1:{port}/api"), ("map.lte.pcell.rsrp", "a")), clock=SimClock())
        with pytest.raises(GatewayRefused, match=r"no JSON document.*log-in page"):
            await gateway.fetch()


async def test_a_command_runs_without_a_shell(tmp_path) -> None:
    script = program(tmp_path / "show", f"#!{sys.executable}\nimport sys\nprint(sys.argv[1:])\n")
    gateway = open_gateway(plan(("fetch.command", f"{script} 'a b' $HOME ; echo >x")), clock=SimClock())
    assert (await gateway.fetch()).exchanges[0].received.strip() == "['a b', '$HOME', ';', 'echo', '>x']"


async def test_a_command_that_hangs_is_ended(tmp_path) -> None:
    script = program(tmp_path / "hang", f"#!{sys.executable}\nimport time\ntime.sleep(600)\n")
    gateway = open_gateway(plan(("fetch.command", str(script)), ("timeout_s", "0.3")), clock=SimClock())
    with pytest.raises(GatewayUnreachable, match=r"no answer within 0.3 s"):
        await gateway.fetch()


async def test_a_command_that_fails_says_why(tmp_path) -> None:
    script = program(tmp_path / "fail", f"#!{sys.executable}\nimport sys\nsys.exit('no session to the gateway')\n")
    gateway = open_gateway(plan(("fetch.command", str(script))), clock=SimClock())
    with pytest.raises(GatewayRefused, match="no session to the gateway"):
        await gateway.fetch()


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ((("fetch.url", "ftp://192.0.2.1/"),), "fetch"),
        ((("fetch.url", "http://{mode}.example.org/"),), "fetch"),
        ((("fetch.url", "http://192.0.2.1/"), ("fetch.command", "x")), "either command or url"),
        ((("fetch.url", "http://192.0.2.1/{everything}"),), "slot 'everything' is not known"),
        ((("fetch.url", "http://192.0.2.1/"), ("fetch.headers.Authorization", "Basic eDp5")), "keep it outside this file"),
        ((("fetch.url", "http://192.0.2.1/"), ("fetch.method", "POST"), ("fetch.body", '{"password": "hunter"}')), "keep it outside this file"),
        ((("fetch.url", "http://192.0.2.1/"), ("apply.url", "http://192.0.2.1/set/{mode}")), "what cannot be read back is not set"),
        ((("fetch.url", "http://192.0.2.1/"), ("modes.turbo", "9")), "modes are"),
        ((("fetch.url", "http://192.0.2.1/"), ("modes.lte", '4";reboot')), "letters, digits"),
        ((("fetch.url", "http://192.0.2.1/"), ("map.rsrp", "a.b")), "like lte.pcell.rsrp"),
        ((("fetch.command", "x 'unclosed"),), "Quotes must be closed"),
        ((("fetch.url", "http://192.0.2.1/"), ("unheard_of", "1")), "unheard_of"),
        ((), "fetch"),
    ],
)
def test_a_declaration_that_cannot_be_used_is_said_with_its_place(settings, told) -> None:
    with pytest.raises(DeclarationError, match=told) as raised:
        open_gateway(plan(*settings), clock=SimClock())
    assert 'gateway "own"' in str(raised.value)


async def test_slots_take_closed_sets_only(secrets) -> None:
    page = Page(session="")
    page.held = {"mode": "AUTO", "bands": ["B3"]}
    async with page.served() as port:
        base = f"http://127.0.0.1:{port}"
        page.session = None
        settings = (
            ("fetch.url", f"{base}/api/radio"),
            ("apply.url", f"{base}/api/net"),
            ("apply.method", "POST"),
            ("modes.lte", "4"),
            ("settings.url", f"{base}/api/net"),
        )
        gateway = open_gateway(plan(*settings, ("apply.body", '{"mode": "{mode}", "bands": [{lte_bands}]}'), ("settings.mode", "net.mode")), clock=SimClock())
        await gateway.apply(Tuning(key="x", mode="lte", bands=("B3", "B20")))
        assert page.held == {"mode": "4", "bands": [3, 20]}
        with pytest.raises(GatewayRefused, match="mode"):
            await gateway.apply(Tuning(key="x", mode="nr-sa"))
        with pytest.raises(GatewayRefused, match="pinned cell"):
            await gateway.apply(Tuning(key="x", mode="lte", cell="lte:1300:138"))
        assert "cannot be known here" in (await gateway.abilities()).label


def test_the_file_of_secrets_is_for_its_owner_only(tmp_path) -> None:
    file = tmp_path / "secrets.toml"
    keep_secret(file, "page", Private('a "quoted"\nkey'))
    keep_secret(file, "other", Private("x"))
    assert file.stat().st_mode & 0o777 == 0o600
    assert file_secrets(file)("page") == Private('a "quoted"\nkey')
    assert file_secrets(file)("other") == Private("x")
    with pytest.raises(SecretError, match="is not in"):
        file_secrets(file)("absent")
    if sys.platform != "win32":
        file.chmod(0o644)
        with pytest.raises(SecretError, match="chmod 600"):
            file_secrets(file)("page")
    with pytest.raises(SecretError, match="is not there"):
        file_secrets(tmp_path / "none")("page")


async def test_an_antenna_is_switched_by_the_declared_request_and_reads_back() -> None:
    page = Page(session=None)
    page.held = {"mode": "4", "ant": "int"}
    async with page.served() as port:
        base = f"http://127.0.0.1:{port}"
        settings = (
            *(("fetch.url", f"{base}/api/radio"), ("apply.url", f"{base}/api/net"), ("apply.method", "POST"), ("settings.url", f"{base}/api/net")),
            *(("apply.body", '{"mode": "{mode}", "ant": "{antenna}"}'), ("modes.lte", "4"), ("antennas.own", "int"), ("antennas.outside", "ext")),
            *(("settings.mode", "net.mode"), ("settings.antenna", "net.ant")),
        )
        gateway = open_gateway(plan(*settings), clock=SimClock())
        assert (await gateway.abilities()).switches_antenna
        former = await gateway.settings()
        outside = Tuning(key="x", mode="lte", antenna="outside")
        assert read_back(outside, former) == (False, "the antenna reads back as own, not outside")
        await gateway.apply(outside)
        assert page.held == {"mode": "4", "ant": "ext"}
        assert read_back(outside, await gateway.settings()) == (True, "")
        await gateway.apply(Tuning(key="y", mode="lte"))  # says nothing of the antenna: it stays
        assert page.held["ant"] == "ext"
        await gateway.restore(former)
        assert page.held["ant"] == "int"


async def test_an_antenna_without_a_slot_for_it_is_refused() -> None:
    gateway = open_gateway(
        plan(("fetch.url", "http://192.0.2.1/"), ("apply.url", "http://192.0.2.1/{mode}"), ("modes.lte", "4"), ("settings.url", "http://192.0.2.1/")),
        clock=SimClock(),
    )
    with pytest.raises(GatewayRefused, match="needs a slot"):
        await gateway.apply(Tuning(key="x", mode="lte", antenna="outside"))

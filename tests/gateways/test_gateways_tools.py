"""The real QMI and MBIM tools of the operating system, against a stand-in for their proxy; and what the tools' failures become."""

from __future__ import annotations

import shutil
import sys

import pytest
from fakes import program, tool
from proxies import proxy
from stage import SimClock, read

from bandwright.errors import GatewayRefused, GatewayUnreachable
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.tools import ToolGateway, ToolSettings
from bandwright.words.rig import GatewayPlan


def opened(kind: str, **settings: str) -> ToolGateway:
    return open_gateway(GatewayPlan(key="own", kind=kind, settings=tuple(settings.items())), clock=SimClock())


@pytest.mark.skipif(shutil.which("qmicli") is None, reason="qmicli is not installed")
async def test_the_real_qmi_tool_is_asked_and_its_words_are_read() -> None:
    try:
        async with proxy("qmi-proxy"):
            capture = await opened("qmi-tool", device="/dev/null", open_as="qmi").fetch(moment="load_down")
    except OSError as error:
        pytest.skip(f"a proxy already runs here: {error}")
    answers = {done.sent: done for done in capture.exchanges}
    assert "RSRP: '-92 dBm'" in answers["qmicli --nas-get-signal-info"].received
    assert "RX Channel: '1300'" in answers["qmicli --nas-get-lte-cphy-ca-info"].received
    assert "NotSupported" in answers["qmicli --nas-get-tx-rx-info=lte"].fault
    reading = read(capture)
    assert {(c.number("arfcn"), c.number("pci")) for c in reading.serving() if c.number("arfcn")} == {(1300.0, 138.0)}


@pytest.mark.skipif(shutil.which("mbimcli") is None, reason="mbimcli is not installed")
async def test_the_real_mbim_tool_is_asked_and_its_words_are_kept() -> None:
    try:
        async with proxy("mbim-proxy"):
            capture = await opened("mbim-tool", device="/dev/null").fetch(moment="load_down")
    except OSError as error:
        pytest.skip(f"a proxy already runs here: {error}")
    answers = {done.sent: done for done in capture.exchanges}
    assert "RSSI [0-31,99]: '21'" in answers["mbimcli --query-signal-state"].received
    assert answers["mbimcli --ms-query-base-stations-info"].fault


async def test_a_tool_that_may_not_open_the_device_says_what_to_do(tmp_path, monkeypatch) -> None:
    program(tmp_path / "qmicli", f'#!{sys.executable}\nimport sys\nsys.exit("error: couldn\'t create QmiDevice: Permission denied")\n')
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(GatewayUnreachable, match=r"Permission denied.*udev rule"):
        await opened("qmi-tool").fetch()


async def test_a_tool_that_hangs_is_ended_and_said(tmp_path, monkeypatch) -> None:
    program(tmp_path / "mbimcli", f"#!{sys.executable}\nimport time\ntime.sleep(600)\n")
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(GatewayUnreachable, match=r"no answer within 0\.2 s"):
        await opened("mbim-tool", timeout_s="0.2").fetch(moment="load_down")


async def test_a_missing_tool_is_named_with_its_package(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(GatewayUnreachable, match=r"qmicli is not installed.*libqmi-utils"):
        await opened("qmi-tool").fetch()


async def test_preferences_are_read_as_settings(tmp_path, monkeypatch) -> None:
    text = "\tMode preference: 'lte, 5gnr'\n\tLTE band preference: '3'\n\tLTE band preference (ext): '3, 20'\n\tNR5G SA band preference: '78'\n"
    tool(tmp_path, "qmicli", {"--nas-get-system-selection-preference": text})
    monkeypatch.setenv("PATH", str(tmp_path))
    seen = await opened("qmi-tool").settings()
    assert (seen.mode, seen.bands) == ("automatic", ("B3", "B20", "n78"))


async def test_a_question_outside_the_table_is_not_run() -> None:
    gateway = opened("qmi-tool")
    with pytest.raises(GatewayRefused, match="Nothing was run"):
        await gateway._run("--dms-set-operating-mode=offline")


def test_a_device_is_a_path_and_nothing_else() -> None:
    with pytest.raises(ValueError, match="device"):
        ToolSettings(device="/dev/cdc-wdm0 --dms-reset")
    with pytest.raises(ValueError, match="device"):
        ToolSettings(device="-d")

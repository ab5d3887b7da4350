"""Modems of the other dialects, as small as will do: they hold their settings and answer their own reading and setting commands over TCP.

The answers have the documented form of each dialect; figures are invented. They are fakes, and show that a dialect's tables fit together
(recognised, read back, set, put back), not that a certain device behaves so.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable


class ScriptedModem:
    def __init__(self, held: dict[str, str], answers: list[tuple[str, str | Callable[[dict[str, str], re.Match[str]], str]]]) -> None:
        self.held, self.heard = dict(held), []
        self.answers = [(re.compile(pattern), answer) for pattern, answer in answers]
        self.server: asyncio.Server | None = None

    async def serve(self) -> str:
        self.server = await asyncio.start_server(self._talk, "127.0.0.1", 0)
        return f"127.0.0.1:{self.server.sockets[0].getsockname()[1]}"

    async def stop(self) -> None:
        self.server.close()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                command = (await reader.readuntil(b"\r")).decode().strip()
                self.heard.append(command)
                writer.write(f"{command}\r\r\n{self._answer(command)}\r\n".encode())
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            writer.close()

    def _answer(self, command: str) -> str:
        if command in ("AT", "ATE1"):
            return "OK"
        for pattern, answer in self.answers:
            found = pattern.fullmatch(command)
            if found is not None:
                text = answer if isinstance(answer, str) else answer(self.held, found)
                return text if text == "ERROR" else f"{text}\r\n\r\nOK".lstrip()
        return "ERROR"


def show(line: str):
    return lambda held, _found: line.format(**held)


def keep(*names: str):
    def put(held: dict[str, str], found: re.Match[str]) -> str:
        held.update({name: value for name, value in zip(names, found.groups(), strict=True) if value is not None})
        return ""

    return put


def _keep_mask(held: dict[str, str], found: re.Match[str]) -> str:
    held["band"] = f"0x{found.group(1).lower()}"
    return ""


def _keep_index(held: dict[str, str], found: re.Match[str]) -> str:
    held["index"] = f"{int(found.group(1), 16):02X}"
    return ""


def _keep_ratio(held: dict[str, str], found: re.Match[str]) -> str:
    held["rat"] = f"{int(found.group(1), 16):02X}"
    return ""


_PROFILES = {"00": "All bands", "09": "LTE ALL", "0A": "B20", "0B": "B3 B20"}
_MASKS = {"00": "0000000000080005", "09": "0000000000080005", "0A": "0000000000080000", "0B": "0000000000080004"}
_HEAD = "Index, Name,                        GW Band Mask     L Band Mask"


def _profile(index: str) -> str:
    return f"{index}, {_PROFILES[index]:30} 0002000007C00000 {_MASKS[index]}"


def _config_b(held: dict[str, str], _found: re.Match[str]) -> str:
    return f"{_HEAD}\r\n{_profile(held['index'])}"


MODEMS: dict[str, Callable[[], ScriptedModem]] = {
    "+QENG older": lambda: ScriptedModem(
        {"mode": "0", "band": "0x80005"},
        [
            (r'AT\+QENG="servingcell"', '+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2D003,138,1300,3,5,5,1A2B,-92,-10,-62,17,28'),
            (r'AT\+QCFG="nwscanmode"', show('+QCFG: "nwscanmode",{mode}')),
            (r'AT\+QCFG="nwscanmode",([0-3])', keep("mode")),
            (r'AT\+QCFG="band"', show('+QCFG: "band",0x260,{band},0x0')),
            (r'AT\+QCFG="band",0,([0-9A-F]+)', _keep_mask),
        ],
    ),
    "!GSTATUS": lambda: ScriptedModem(
        {"rat": "00", "index": "00"},
        [
            (
                r"AT!GSTATUS\?",
                "!GSTATUS: \r\nCurrent Time:  22016\t\tTemperature: 40\r\nLTE band:      B3     \t\tLTE bw:      20 MHz  \r\nLTE Rx chan:   1300",
            ),
            (r"AT!SELRAT\?", show("!SELRAT: {rat}, as chosen")),
            (r"AT!SELRAT=([0-9A-F]+)", _keep_ratio),
            (r"AT!BAND\?", _config_b),
            (r"AT!BAND=\?", "\r\n".join([_HEAD, *(_profile(index) for index in _PROFILES)])),
            (r"AT!BAND=([0-9A-F]+)", _keep_index),
        ],
    ),
    "+CPSI": lambda: ScriptedModem(
        {"mode": "2", "lte_band": "1:3:20", "nr5g_band": "1:78", "nsa_nr5g_band": "1:78"},
        [
            (r"AT\+CPSI\?", "+CPSI: LTE,Online,001-01,0x1A2B,27447299,138,EUTRAN-BAND3,1300,5,5,-100,-920,-620,14"),
            (r"AT\+CNMP\?", show("+CNMP: {mode}")),
            (r"AT\+CNMP=(2|38|71|109)", keep("mode")),
            *((rf'AT\+CSYSSEL="{name}"', show(f'+CSYSSEL: "{name}",{{{name}}}')) for name in ("lte_band", "nr5g_band", "nsa_nr5g_band")),
            *((rf'AT\+CSYSSEL="{name}",([\d:]+)', keep(name)) for name in ("lte_band", "nr5g_band", "nsa_nr5g_band")),
        ],
    ),
    "+XCESQ": lambda: ScriptedModem(
        {"all": "4,2,,1,8,101,103,120"},
        [
            (r"AT\+XCESQ\?", "+XCESQ: 0,99,99,255,255,19,46,32"),
            (r"AT\+XACT\?", show("+XACT: {all}")),
            (r"AT\+XACT=\?", "+XACT: (0-6),(0-2),0,1,8,101,103,120"),
            (r"AT\+XACT=([\d,]+)", keep("all")),
        ],
    ),
    "+GTCCINFO": lambda: ScriptedModem(
        {"all": "17,6,3,103,120,5078"},
        [
            (r"AT\+GTCCINFO\?", "+GTCCINFO: \r\n1,4,001,01,1A2B,001A2D003,1300,138,103,100,-7,29,49,20"),
            (r"AT\+GTACT\?", show("+GTACT: {all}")),
            (r"AT\+GTACT=\?", "+GTACT: (1,2,14,17,20),(2,3,6),(2,3,6),(),(1,8),(103,120),(),(),(5078)"),
            (r"AT\+GTACT=([\d,]+)", keep("all")),
        ],
    ),
    "^HCSQ": lambda: ScriptedModem(
        {"order": '"00"', "gw": "3FFFFFFF", "rest": "1,2", "mask": "7FFFFFFFFFFFFFFF"},
        [
            (r"AT\^HCSQ\?", '^HCSQ:"LTE",53,45,181,18'),
            (r"AT\^SYSCFGEX\?", show("^SYSCFGEX:{order},{gw},{rest},{mask}")),
            (r'AT\^SYSCFGEX=("\d+"),([0-9A-F]+),(\d,\d),([0-9A-F]+),,', keep("order", "gw", "rest", "mask")),
        ],
    ),
    "^SMONI": lambda: ScriptedModem({}, [(r"AT\^SMONI", "^SMONI: 4G,1300,3,20,20,FDD,001,01,1A2B,01A2D003,138,33,-92,-10,NOCONN")]),
}

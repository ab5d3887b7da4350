"""Stand-ins for what cannot be had in a test: a person, command-line tools, a router's console, a gateway's page, the modem daemon.

Their answers have the shape that the real ones print; identities and figures are invented.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import asynccontextmanager
from pathlib import Path

QMI_ANSWERS = {
    "--nas-get-signal-info": "[/dev/cdc-wdm0] Successfully got signal info\nLTE:\n\tRSSI: '-61 dBm'\n\tRSRQ: '-11 dB'\n\tRSRP: '-92 dBm'\n\tSNR: '13.4 dB'\n",
    "--nas-get-lte-cphy-ca-info": (
        "[/dev/cdc-wdm0] Successfully got carrier aggregation info\nPrimary Cell Info\n\tPhysical Cell ID: '138'\n\tRX Channel: '1300'\n"
        "\tDL Bandwidth: '20'\n\tLTE Band: 'eutran-3'\n"
    ),
    "--nas-get-system-selection-preference": (
        "[/dev/cdc-wdm0] Successfully got system selection preference\n\tEmergency mode: 'no'\n\tMode preference: 'lte'\n"
        "\tLTE band preference: '3, 20'\n\tLTE band preference (ext): '3, 20'\n"
    ),
}
MBIM_ANSWERS = {
    "--query-registration-state": "[/dev/cdc-wdm0] Registration status:\n\t         Network error: 'unknown'\n\t        Register state: 'home'\n",
    "--ms-query-base-stations-info": "LTE Serving cell:\n\t           EARFCN: 1300\n\t Physical cell id: 138\n\t             RSRP: -92 dBm\n\t             RSRQ: -11 dBm\n",
}

_TOOL = """#!{python}
import json, sys, pathlib
answers = json.loads({answers!r})
pathlib.Path({log!r}).open("a").write(sys.argv[-1] + "\\n")
answer = answers.get(sys.argv[-1])
if answer is None:
    sys.exit("error: couldn't do it: QMI protocol error (94): 'NotSupported'")
print(answer, end="")
"""

_ROUTER = """#!{python}
import json, pathlib, re, sys
state, log = pathlib.Path({state!r}), pathlib.Path({log!r})
command = sys.argv[-1]
log.open("a").write(command + "\\n")
held = json.loads(state.read_text())
if "monitor" in command:
    print("    primary-band: B3@20Mhz earfcn: 1300 phy-cellid: 138\\n            rsrp: -92dBm")
elif "print detail" in command:
    print(' 0   name="lte1" mtu=1500 network-mode=' + held["network-mode"] + ' band="' + held["band"] + '" 5g-band="' + held["5g-band"] + '"')
else:
    for name, value in re.findall(r" (network-mode|band|5g-band)=(\\S+)", command):
        held[name] = value.strip('"')
    state.write_text(json.dumps(held))
"""


def program(path: Path, text: str) -> Path:
    path.write_text(text)
    path.chmod(0o755)
    return path


def tool(folder: Path, name: str, answers: dict[str, str]) -> Path:
    """A command-line tool that prints a recorded answer to each question, and logs what it was asked."""
    return program(folder / name, _TOOL.format(python=sys.executable, answers=json.dumps(answers), log=str(folder / "asked")))


def router(folder: Path) -> Path:
    """An ssh program with a router's console behind it."""
    state = folder / "state.json"
    state.write_text(json.dumps({"network-mode": "lte,5g", "band": "", "5g-band": ""}))
    return program(folder / "fake-ssh", _ROUTER.format(python=sys.executable, state=str(state), log=str(folder / "asked")))


def asked(folder: Path) -> list[str]:
    log = folder / "asked"
    return log.read_text().splitlines() if log.exists() else []


class Page:
    """A gateway's own page: JSON documents and one setting request behind a session header."""

    def __init__(self, session: str = "s3ssion-key") -> None:
        self.held = {"mode": "AUTO", "bands": "all"}
        self.session, self.seen, self.sent = session, [], []
        self.other: dict[str, tuple[int, str]] = {}

    def answer(self, request: str, headers: dict[str, str], body: str) -> tuple[int, str]:
        self.sent.append(request)
        self.seen.append(headers)
        if request.split()[1] in self.other:
            return self.other[request.split()[1]]
        if headers.get("x-session") != self.session:
            return 401, f"no session like {headers.get('x-session')}"
        if request.startswith("GET /api/radio"):
            return 200, json.dumps({"lte": {"rsrp_dbm": -92, "ch": 1300, "pci": 138, "band": 3}, "session": self.session})
        if request.startswith("GET /api/net"):
            return 200, json.dumps({"net": self.held})
        if request.startswith("POST /api/net"):
            self.held = json.loads(body)
            return 200, "{}"
        if request.startswith("GET /tr181"):
            return 200, json.dumps(
                [{"Cellular.Interface.1.": {"CurrentAccessTechnology": "LTE", "RSRP": -92, "RSRQ": -11, "PreferredAccessTechnology": "LTE"}}]
            )
        return 404, "nothing here"

    @asynccontextmanager
    async def served(self):
        async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            head = (await reader.readuntil(b"\r\n\r\n")).decode()
            request, *lines = head.strip().split("\r\n")
            headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
            body = (await reader.readexactly(int(headers.get("content-length", "0")))).decode()
            status, text = self.answer(request.rpartition(" ")[0], headers, body)
            data = text.encode()
            extra = "Location: http://127.0.0.1:1/elsewhere\r\n" if status == 302 else ""
            writer.write(f"HTTP/1.1 {status} X\r\nContent-Length: {len(data)}\r\n{extra}Connection: close\r\n\r\n".encode() + data)
            await writer.drain()
            writer.close()

        server = await asyncio.start_server(talk, "127.0.0.1", 0)
        try:
            yield server.sockets[0].getsockname()[1]
        finally:
            server.close()


class Person:
    """A person who pastes a page that differs from paste to paste, and does what they are told."""

    def __init__(self) -> None:
        self.questions: list[str] = []
        self.answers: list[str | Callable[[str], str]] = []
        self.count = 0

    async def ask(self, question) -> str:
        self.questions.append(question.text)
        if self.answers:
            answer = self.answers.pop(0)
            return answer(question.text) if callable(answer) else answer
        if question.kind == "set":
            return "done"
        self.count += 1
        return f"Signal\nRSRP: -92 dBm\nUptime: {self.count} min"


def private_bus(folder: Path) -> tuple[subprocess.Popen[bytes], str]:
    """Start a message bus of our own; return its process and address."""
    process = subprocess.Popen(
        ["dbus-daemon", "--session", "--nofork", "--nopidfile", "--print-address=1", f"--address=unix:path={folder / 'bus'}"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "XDG_RUNTIME_DIR": str(folder)},
    )
    return process, process.stdout.readline().decode().strip()

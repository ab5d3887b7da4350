"""The modem of the twin: answers AT commands over TCP, a pseudo-terminal or a unix socket, from a plain state it is given.

It speaks dialect A (`+QENG`, `+QCAINFO`, `+QNWPREFCFG`, `+QNWLOCK`) and what 3GPP TS 27.007 asks of every modem. A setting reads back at
once and takes effect after a delay on the clock it was given, as on real equipment; what takes effect is told to `on_settings`.
What real lines do wrong can be asked of it, command by command, with `faults`.

It knows the state only as words and numbers in plain mappings and prints them; what they mean is for others to find out.
Sources of the layouts: Network Application Note 3.2; 3GPP TS 27.007, 8.5, 8.69, 10.1.22, 10.1.47, 7.3; codes 36.133 9.1.4, 9.1.7 and 38.133 10.1.6.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from bandwright.ports import Clock

__all__ = ["CarrierState", "Conversation", "Fault", "ModemSettings", "Piece", "RadioState", "TwinModem"]


CarrierState = Mapping[str, Any]
"""One carrier as the twin's site knows it, a plain mapping. Needed: rat (lte, nr), role (pcell, scell, pscell, neighbour), band ("B3", "n78"),
arfcn, pci, bandwidth_mhz, rsrp_dbm, rsrq_db, sinr_db. Used where given: scs_khz, rssi_dbm, tx_power_dbm (None when idle), cqi, cell_id, tac,
active (False for a configured secondary cell without data)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioState:
    """What the modem prints. mode: lte, endc, nr-sa, none. registration: home, roaming, searching, denied, limited, none. connected: data flows."""

    mode: str = "none"
    registration: str = "none"
    carriers: Sequence[CarrierState] = ()
    plmn: str = "001-01"
    operator: str = "TEST"
    tac: int = 0x1A2B
    cell_id: int = 0x1A2D003
    connected: bool = False

    def first(self, *roles: str) -> CarrierState | None:
        """Return the first carrier in one of these roles."""
        return next((c for c in self.carriers if c.get("role") in roles), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModemSettings:
    """The settings as the modem holds them."""

    mode_pref: str = "AUTO"
    nr5g_disable_mode: int = 0
    lte_band: tuple[int, ...] = ()
    nr5g_band: tuple[int, ...] = ()
    nsa_nr5g_band: tuple[int, ...] = ()
    pin_lte: tuple[int, int] | None = None  # earfcn, pci
    pin_nr: tuple[int, int, int, int] | None = None  # pci, arfcn, scs_khz, band

    @property
    def mode(self) -> str:
        """The mode these settings allow: automatic, nr-sa, endc, lte."""
        words = set(self.mode_pref.split(":"))
        if words in ({"LTE"}, {"LTE", "WCDMA"}):
            return "lte"
        if words == {"NR5G"}:
            return "nr-sa"
        return "endc" if self.nr5g_disable_mode == 1 else "automatic"

    @property
    def bands(self) -> tuple[str, ...]:
        """The bands these settings allow in their mode."""
        lte = () if self.mode == "nr-sa" else self.lte_band
        nr = {"lte": (), "nr-sa": self.nr5g_band, "endc": self.nsa_nr5g_band}.get(self.mode, (*self.nr5g_band, *self.nsa_nr5g_band))
        return (*(f"B{n}" for n in sorted(lte)), *(f"n{n}" for n in sorted(set(nr))))

    @property
    def cell(self) -> str | None:
        """The pinned cell: "lte:EARFCN:PCI" or "nr:ARFCN:PCI:SCS_KHZ:BAND"."""
        if self.pin_lte is not None:
            return f"lte:{self.pin_lte[0]}:{self.pin_lte[1]}"
        if self.pin_nr is not None:
            pci, arfcn, scs, band = self.pin_nr
            return f"nr:{arfcn}:{pci}:{scs}:{band}"
        return None


class Fault(StrEnum):
    """What a line can do wrong with one command."""

    LATE = "late"  # no answer now; it comes in front of the next command's answer
    SILENT = "silent"  # the command is never answered
    VANISH = "vanish"  # the line goes dead before the answer
    CME = "cme"  # +CME ERROR: 100
    ERROR = "error"  # ERROR
    UNSOLICITED = "unsolicited"  # lines nobody asked for, shaped like answers, before the answer
    ECHO_TWICE = "echo twice"
    TRICKLE = "trickle"  # a byte at a time
    HOLLOW = "hollow"  # OK without effect


@dataclass(frozen=True, slots=True)
class Piece:
    """What goes back over the line: bytes after a pause, or the end of the line."""

    data: bytes = b""
    pause_s: float = 0.0
    hang_up: bool = False


Faults = Callable[[str], "Fault | None"]
OnSettings = Callable[[str, tuple[str, ...], "str | None"], None]

_LTE_BANDS = (1, 3, 7, 8, 20, 28, 38)
_NR_BANDS = (1, 3, 28, 78)


class TwinModem:
    """A modem for the twin.

    state: returns what the radio does now; asked at each reading command, after settings that are due have taken effect.
    on_settings: told (mode, bands, cell) when settings take effect. apply_delay_s: how long that takes.
    lte_bands, nr_bands: what it has. policy: what of these it will ever use ("accepted, answered OK, never used"); None is all.
    echo: whether it echoes until told otherwise; None never does, whatever it is told. faults: asked for each command.
    standard_only: whether it knows the commands of TS 27.007 only. heard: every command line that came.
    """

    def __init__(
        self,
        state: Callable[[], RadioState],
        *,
        clock: Clock,
        on_settings: OnSettings | None = None,
        apply_delay_s: float = 8.0,
        answer_s: float = 0.0,
        lte_bands: Sequence[int] = _LTE_BANDS,
        nr_bands: Sequence[int] = _NR_BANDS,
        policy: Sequence[str] | None = None,
        echo: bool | None = True,
        faults: Faults | None = None,
        settings: ModemSettings | None = None,
        standard_only: bool = False,
    ) -> None:
        self.state, self._clock, self._on_settings = state, clock, on_settings
        self._apply_delay_s, self.answer_s = apply_delay_s, answer_s
        self._policy = None if policy is None else frozenset(policy)
        self.echo, self.faults = echo, faults
        self.configured = settings or ModemSettings(lte_band=tuple(lte_bands), nr5g_band=tuple(nr_bands), nsa_nr5g_band=tuple(nr_bands))
        self.has = (tuple(lte_bands), tuple(nr_bands))
        self._in_force = self.effective(self.configured)
        self._due_s: float | None = None
        self.operator_format = 0
        self.reports: dict[str, int] = {}
        self.standard_only = standard_only
        self.heard: list[str] = []
        self._closers: list[Callable[[], object]] = []
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def in_force(self) -> ModemSettings:
        """The settings that have taken effect by now."""
        self.settle()
        return self._in_force

    def settle(self) -> None:
        """Let settings that are due take effect."""
        if self._due_s is not None and self._clock.monotonic_s() >= self._due_s:
            self._due_s = None
            self._in_force = self.effective(self.configured)
            if self._on_settings is not None:
                self._on_settings(self._in_force.mode, self._in_force.bands, self._in_force.cell)

    def restart(self) -> None:
        """Start anew, as after a power cut: pins are gone, other settings stay."""
        self.configure(pin_lte=None, pin_nr=None)

    def conversation(self) -> Conversation:
        """Return a conversation without a line under it: bytes in, pieces out."""
        return Conversation(self)

    async def serve_tcp(self, host: str = "127.0.0.1", port: int = 0) -> tuple[str, int]:
        """Serve on a TCP port; return host and port."""
        server = await asyncio.start_server(self._serve_stream, host, port)
        self._closers.append(server.close)
        address: tuple[str, int] = server.sockets[0].getsockname()[:2]
        return address

    async def serve_unix(self, path: str) -> None:
        """Serve on a unix socket; a leading NUL makes it an abstract one (Linux)."""
        server = await asyncio.start_unix_server(self._serve_stream, path)
        self._closers.append(server.close)

    async def serve_pty(self, link: Path) -> None:
        """Serve on a pseudo-terminal, reached through a symbolic link that is set anew when the line was lost (POSIX)."""
        if sys.platform == "win32":
            msg = "a pseudo-terminal needs POSIX"
            raise OSError(msg)
        self._open_pty(link)

    async def close(self) -> None:
        """Stop serving."""
        for stop in self._closers:
            stop()
        self._closers.clear()
        for task in list(self._tasks):
            task.cancel()
        if self._tasks:
            await asyncio.gather(*self._tasks, return_exceptions=True)

    def answer(self, command: str) -> list[str]:
        """Return the lines that answer one command without its AT, the last one a final result."""
        self.settle()
        for pattern, action in _COMMANDS:
            if self.standard_only and pattern.pattern.startswith((r"\+Q", r"\+(Q")):
                continue
            found = pattern.fullmatch(command)
            if found is not None:
                return action(self, found)
        return ["ERROR"]

    def effective(self, settings: ModemSettings) -> ModemSettings:
        """Return what of these settings will ever be used: bands outside the policy are not."""
        if self._policy is None:
            return settings
        return replace(
            settings,
            lte_band=tuple(n for n in settings.lte_band if f"B{n}" in self._policy),
            nr5g_band=tuple(n for n in settings.nr5g_band if f"n{n}" in self._policy),
            nsa_nr5g_band=tuple(n for n in settings.nsa_nr5g_band if f"n{n}" in self._policy),
        )

    def configure(self, **changes: object) -> list[str]:
        """Hold changed settings; they take effect after the delay, counted anew from each change."""
        changed = replace(self.configured, **changes)  # type: ignore[arg-type]  # the table of commands gives each field its type
        if changed != self.configured:
            self.configured = changed
            self._due_s = self._clock.monotonic_s() + self._apply_delay_s
        return ["OK"]

    async def _serve_stream(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
        talk = self.conversation()
        try:
            while data := await reader.read(4096):
                for piece in talk.feed(data):
                    if piece.hang_up:
                        return
                    if piece.pause_s:
                        await self._clock.sleep(piece.pause_s)
                    writer.write(piece.data)
                    await writer.drain()
        except (OSError, asyncio.CancelledError):
            return  # the line is shut, or the modem is switched off
        finally:
            writer.close()
            if task is not None:
                self._tasks.discard(task)

    def _open_pty(self, link: Path) -> None:
        import tty

        master, slave = os.openpty()
        tty.setraw(slave)
        with contextlib.suppress(FileNotFoundError):
            link.unlink()
        link.symlink_to(os.ttyname(slave))
        queue: asyncio.Queue[bytes] = asyncio.Queue()
        loop = asyncio.get_running_loop()

        def readable() -> None:
            with contextlib.suppress(OSError):  # EIO: the other side closed; the slave end we keep makes that rare
                queue.put_nowait(os.read(master, 4096))

        async def talk_on() -> None:
            talk = self.conversation()
            while True:
                for piece in talk.feed(await queue.get()):
                    if piece.hang_up:
                        shut()
                        self._open_pty(link)
                        return
                    if piece.pause_s:
                        await self._clock.sleep(piece.pause_s)
                    os.write(master, piece.data)

        def shut() -> None:
            with contextlib.suppress(OSError, ValueError):
                loop.remove_reader(master)
                os.close(master)
                os.close(slave)

        loop.add_reader(master, readable)
        task = asyncio.ensure_future(talk_on())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        self._closers.append(shut)


@dataclass
class Conversation:
    """One line's side of the talk: bytes in, pieces out. It holds what the line itself remembers: echo, and an answer that is late."""

    modem: TwinModem
    _buffer: bytes = b""
    _echo: bool = field(init=False)
    _late: list[Piece] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._echo = self.modem.echo is True

    def feed(self, data: bytes) -> Iterator[Piece]:
        """Take bytes that came; give what goes back."""
        self._buffer += data
        while (stop := self._buffer.find(b"\r")) >= 0:
            line, self._buffer = self._buffer[:stop].lstrip(b"\r\n"), self._buffer[stop + 1 :].lstrip(b"\n")
            text = line.decode("ascii", "replace").strip()
            if text:
                yield from self._one(text)

    def _one(self, text: str) -> Iterator[Piece]:
        modem = self.modem
        modem.heard.append(text)
        fault = modem.faults(text) if modem.faults is not None else None
        late, self._late = self._late, []
        if fault is Fault.VANISH:
            yield Piece(hang_up=True)
            return
        echo = f"{text}\r".encode() if self._echo else b""
        if fault is Fault.ECHO_TWICE:
            echo *= 2
        unasked = '\r\n+CEREG: 1,"1A2B","01A2D003",7\r\n\r\n+CSQ: 20,99\r\n' if fault is Fault.UNSOLICITED else ""
        *lines, final = self._answers(text, fault)
        block = "".join(f"{line}\r\n" for line in ("", *lines)) if lines else ""
        answer = echo + f"{unasked}{block}\r\n{final}\r\n".encode()
        yield from late
        if fault is Fault.SILENT:
            return
        if fault is Fault.LATE:
            self._late.append(Piece(answer))
        elif fault is Fault.TRICKLE:
            yield from (Piece(bytes([byte]), pause_s=0.01) for byte in answer)
        else:
            yield Piece(answer, pause_s=modem.answer_s)

    def _answers(self, text: str, fault: Fault | None) -> list[str]:
        if text[:2].upper() != "AT":
            return ["ERROR"]
        if fault is Fault.CME:
            return ["+CME ERROR: 100"]
        if fault is Fault.ERROR:
            return ["ERROR"]
        rest = text[2:]
        if fault is Fault.HOLLOW and "=" in rest:
            return ["OK"]
        basic = re.match(r"(?:[EVQXZLH&][A-Z]?\d*)+", rest, re.IGNORECASE)
        if basic is not None and rest[0] not in "+!^$":
            if self.modem.echo is not None and (set_echo := re.search(r"E(\d?)", basic.group(0).upper())):
                self._echo = set_echo.group(1) == "1"
            rest = rest[basic.end() :]
        lines: list[str] = []
        for part in rest.split(";") if rest else []:
            answered = self.modem.answer(part)
            if answered[-1] != "OK":
                return [*lines, *answered]
            lines += answered[:-1]
        return [*lines, "OK"]


Action = Callable[[TwinModem, "re.Match[str]"], list[str]]

_LTE_RB = {1.4: 6, 3.0: 15, 5.0: 25, 10.0: 50, 15.0: 75, 20.0: 100}
_LTE_BW_CODE = {1.4: 0, 3.0: 1, 5.0: 2, 10.0: 3, 15.0: 4, 20.0: 5}
_NR_BW_CODE = {5: 0, 10: 1, 15: 2, 20: 3, 25: 4, 30: 5, 40: 6, 50: 7, 60: 8, 70: 9, 80: 10, 90: 11, 100: 12, 200: 13, 400: 14, 35: 15, 45: 16}
_SCS_CODE = {15: 0, 30: 1, 60: 2, 120: 3, 240: 4}
_LTE_TDD = range(33, 54)
_NR_TDD = (34, 38, 39, 40, 41, 46, 47, 48, 50, 51, 53, 77, 78, 79, 90, 96, 101, 102, 104)
_STAT = {"none": 0, "home": 1, "searching": 2, "denied": 3, "limited": 8, "roaming": 5}


def _number(band: str) -> int:
    return int(band[1:])


def _ue_state(state: RadioState) -> str:
    if state.mode == "none" or state.registration in ("none", "searching"):
        return "SEARCH"
    if state.registration in ("limited", "denied"):
        return "LIMSRV"
    return "CONNECT" if state.connected else "NOCONN"


def _lte_tail(state: RadioState, cell: CarrierState) -> str:
    """Return the LTE part of a serving-cell line, from the duplex on."""
    mcc, mnc = state.plmn.split("-")
    bandwidth = _LTE_BW_CODE.get(float(cell.get("bandwidth_mhz", 20.0)), 5)
    rsrp, rsrq, sinr = cell.get("rsrp_dbm", -140.0), cell.get("rsrq_db", -20.0), cell.get("sinr_db", -20.0)
    duplex = "TDD" if _number(cell["band"]) in _LTE_TDD else "FDD"
    tx = round(cell["tx_power_dbm"] * 10) if cell.get("tx_power_dbm") is not None else "-"
    return (
        f'"LTE","{duplex}",{mcc},{mnc},{cell.get("cell_id", state.cell_id):X},{cell["pci"]},{cell["arfcn"]},{_number(cell["band"])},{bandwidth},{bandwidth},{cell.get("tac", state.tac):X},'
        f"{round(rsrp)},{round(rsrq)},{round(_rssi(cell))},{max(0, round((sinr + 20) / 2))},{cell.get('cqi', '-')},{tx},{max(0, round(rsrp + 122))}"
    )


def _rssi(cell: CarrierState) -> float:
    if cell.get("rssi_dbm") is not None:
        return float(cell["rssi_dbm"])
    blocks = _LTE_RB.get(float(cell.get("bandwidth_mhz", 20.0)), 100)
    return float(cell.get("rsrp_dbm", -140.0)) - float(cell.get("rsrq_db", -20.0)) + 10 * math.log10(blocks)


def _nr_width(cell: CarrierState) -> tuple[int, int]:
    return _NR_BW_CODE.get(round(cell.get("bandwidth_mhz", 20.0)), 3), _SCS_CODE.get(cell.get("scs_khz", 30), 1)


def _serving(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    ue = _ue_state(state)
    mcc, mnc = state.plmn.split("-")
    pcell, pscell = state.first("pcell"), state.first("pscell")
    if pcell is None or ue == "SEARCH":
        return ['+QENG: "servingcell","SEARCH"', "OK"]
    if pcell["rat"] == "nr":
        width, scs = _nr_width(pcell)
        duplex = "TDD" if _number(pcell["band"]) in _NR_TDD else "FDD"
        line = (
            f'+QENG: "servingcell","{ue}","NR5G-SA","{duplex}",{mcc},{mnc},{pcell.get("cell_id", state.cell_id):X},{pcell["pci"]},{state.tac:06X},{pcell["arfcn"]},'
            f"{_number(pcell['band'])},{width},{round(pcell['rsrp_dbm'])},{round(pcell['rsrq_db'])},{round(pcell['sinr_db'])},{scs},-"
        )
        return [line, "OK"]
    if pscell is None:
        return [f'+QENG: "servingcell","{ue}",{_lte_tail(state, pcell)}', "OK"]
    width, scs = _nr_width(pscell)
    return [
        f'+QENG: "servingcell","{ue}"',
        f"+QENG: {_lte_tail(state, pcell)}",
        f'+QENG: "NR5G-NSA",{mcc},{mnc},{pscell["pci"]},{round(pscell["rsrp_dbm"])},{round(pscell["sinr_db"])},{round(pscell["rsrq_db"])},{pscell["arfcn"]},{_number(pscell["band"])},{width},{scs}',
        "OK",
    ]


def _neighbours(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    pcell = state.first("pcell")
    lines = []
    for cell in state.carriers:
        if cell.get("role") == "neighbour" and cell["rat"] == "lte":
            where = "intra" if pcell is not None and pcell["arfcn"] == cell["arfcn"] else "inter"
            lines.append(
                f'+QENG: "neighbourcell {where}","LTE",{cell["arfcn"]},{cell["pci"]},{round(cell.get("rsrq_db", -12))},{round(cell["rsrp_dbm"])},{round(_rssi(cell))},0,{max(0, round(cell["rsrp_dbm"] + 122))},-,-,-,-'
            )
    return [*lines, "OK"]


def _aggregated(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    lines = []
    for cell in modem.state().carriers:
        role = {"pcell": "PCC", "scell": "SCC", "pscell": "SCC"}.get(cell.get("role", ""))
        if role is None:
            continue
        status = 1 if role == "PCC" else (2 if cell.get("active", True) else 1)
        band = _number(cell["band"])
        if cell["rat"] == "lte":
            blocks = _LTE_RB.get(float(cell.get("bandwidth_mhz", 20.0)), 100)
            tail = "" if role == "PCC" else ",0,-,-"
            lines.append(
                f'+QCAINFO: "{role}",{cell["arfcn"]},{blocks},"LTE BAND {band}",{status},{cell["pci"]},{round(cell["rsrp_dbm"])},{round(cell["rsrq_db"])},{round(_rssi(cell))},{round(cell["sinr_db"])}{tail}'
            )
        elif role == "PCC":
            lines.append(f'+QCAINFO: "PCC",{cell["arfcn"]},{_nr_width(cell)[0]},"NR5G BAND {band}",{cell["pci"]}')
        else:
            lines.append(
                f'+QCAINFO: "SCC",{cell["arfcn"]},{_nr_width(cell)[0]},"NR5G BAND {band}",{status},{cell["pci"]},0,-,-,{round(cell["rsrp_dbm"])},{round(cell["rsrq_db"])}'
            )
    return [*lines, "OK"]


def _network_info(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    legs = [c for c in (state.first("pcell"), state.first("pscell")) if c is not None]
    if not legs:
        return ["+QNWINFO: No Service", "OK"]
    lines = []
    for cell in legs:
        nr = cell["rat"] == "nr"
        duplex = "TDD" if _number(cell["band"]) in (_NR_TDD if nr else _LTE_TDD) else "FDD"
        lines.append(
            f'+QNWINFO: "{duplex} {"NR5G" if nr else "LTE"}","{state.plmn.replace("-", "")}","{"NR5G" if nr else "LTE"} BAND {_number(cell["band"])}",{cell["arfcn"]}'
        )
    return [*lines, "OK"]


def _extended(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    codes = [99, 99, 255, 255, 255, 255, 255, 255, 255]
    for cell in (state.first("pcell"), state.first("pscell")):
        if cell is not None and cell["rat"] == "lte":
            codes[4] = _code(cell["rsrq_db"], -20.0, 0.5, 34)
            codes[5] = _code(cell["rsrp_dbm"], -141.0, 1.0, 97)
        elif cell is not None:
            codes[6] = _code(cell["rsrq_db"], -43.5, 0.5, 126)
            codes[7] = _code(cell["rsrp_dbm"], -157.0, 1.0, 126)
            codes[8] = _code(cell["sinr_db"], -23.5, 0.5, 127)
    return ["+CESQ: " + ",".join(str(code) for code in codes), "OK"]


def _code(value: float, low: float, step: float, top: int) -> int:
    return min(top, max(0, math.floor((value - low) / step)))


def _strength(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    pcell = modem.state().first("pcell")
    code = 99 if pcell is None or pcell["rat"] != "lte" else min(31, max(0, round((_rssi(pcell) + 113) / 2)))
    return [f"+CSQ: {code},99", "OK"]


def _registration(modem: TwinModem, found: re.Match[str]) -> list[str]:
    state, word = modem.state(), found.group(1)
    n = modem.reports.get(word, 0)
    is_5g = state.mode == "nr-sa"
    stat = _STAT.get(state.registration, 0) if (word == "C5GREG") == is_5g or state.mode == "none" else 0
    where = ""
    if n >= 2 and stat in (1, 5):
        act = 11 if is_5g else 7
        where = f',"{state.tac:06X}","{state.cell_id:09X}",{act}' if is_5g else f',"{state.tac:04X}","{state.cell_id:08X}",{act}'
    return [f"+{word}: {n},{stat}{where}", "OK"]


def _report(modem: TwinModem, found: re.Match[str]) -> list[str]:
    modem.reports[found.group(1)] = int(found.group(2))
    return ["OK"]


def _operator(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    if state.mode == "none":
        return ["+COPS: 0", "OK"]
    name = state.plmn.replace("-", "") if modem.operator_format == 2 else state.operator
    return [f'+COPS: 0,{modem.operator_format},"{name}",{11 if state.mode == "nr-sa" else 7}', "OK"]


def _operator_format(modem: TwinModem, found: re.Match[str]) -> list[str]:
    modem.operator_format = int(found.group(1))
    return ["OK"]


def _per_port(modem: TwinModem, found: re.Match[str]) -> list[str]:
    state, word = modem.state(), found.group(1)
    cell = state.first("pcell")
    if cell is None:
        return ["ERROR"]
    value = round({"QRSRP": cell["rsrp_dbm"], "QRSRQ": cell["rsrq_db"], "QSINR": cell["sinr_db"]}[word])
    return [f"+{word}: {value},{value},-32768,-32768,{'NR5G' if cell['rat'] == 'nr' else 'LTE'}", "OK"]


def _preference_ask(modem: TwinModem, found: re.Match[str]) -> list[str]:
    name, held = found.group(1), modem.configured
    values = {
        "mode_pref": held.mode_pref,
        "nr5g_disable_mode": str(held.nr5g_disable_mode),
        "lte_band": _list(held.lte_band),
        "nr5g_band": _list(held.nr5g_band),
        "nsa_nr5g_band": _list(held.nsa_nr5g_band),
    }
    return [f'+QNWPREFCFG: "{name}",{values[name]}', "OK"]


def _bands_ask(modem: TwinModem, found: re.Match[str]) -> list[str]:
    lte, nr = modem.has
    all_of_it = ModemSettings(lte_band=lte, nr5g_band=nr, nsa_nr5g_band=nr)
    shown = modem.effective(all_of_it if found.group(1) == "policy_band" else modem.configured)
    lists = (("lte_band", shown.lte_band), ("nsa_nr5g_band", shown.nsa_nr5g_band), ("nr5g_band", shown.nr5g_band))
    return [*(f'+QNWPREFCFG: "{name}",{_list(bands)}' for name, bands in lists), "OK"]


def _list(bands: Sequence[int]) -> str:
    return ":".join(str(n) for n in bands) or "0"


def _set_mode(modem: TwinModem, found: re.Match[str]) -> list[str]:
    return modem.configure(mode_pref=found.group(1).upper())


def _set_disable(modem: TwinModem, found: re.Match[str]) -> list[str]:
    return modem.configure(nr5g_disable_mode=int(found.group(1)))


def _set_bands(modem: TwinModem, found: re.Match[str]) -> list[str]:
    bands = tuple(sorted({int(n) for n in found.group(2).split(":")}))
    lte, nr = modem.has
    if not set(bands) <= set(lte if found.group(1) == "lte_band" else nr):
        return ["ERROR"]
    return modem.configure(**{found.group(1): bands})


def _system_ask(modem: TwinModem, _found: re.Match[str]) -> list[str]:
    return [f"+WS46: {({'lte': 28, 'nr-sa': 36}).get(modem.configured.mode, 37 if modem.configured.mode_pref != 'AUTO' else 35)}", "OK"]


def _set_system(modem: TwinModem, found: re.Match[str]) -> list[str]:
    return modem.configure(mode_pref={"28": "LTE", "35": "AUTO", "36": "NR5G", "37": "LTE:NR5G"}[found.group(1)])


def _pin_ask(modem: TwinModem, found: re.Match[str]) -> list[str]:
    held = modem.configured
    pin = (1, *held.pin_lte) if held.pin_lte is not None else None
    values: tuple[int, ...] | None = pin if found.group(1) == "common/4g" else held.pin_nr
    return [f'+QNWLOCK: "{found.group(1)}",' + ",".join(str(n) for n in values or (0,)), "OK"]


def _pin_lte(modem: TwinModem, found: re.Match[str]) -> list[str]:
    return modem.configure(pin_lte=(int(found.group(1)), int(found.group(2))))


def _pin_nr(modem: TwinModem, found: re.Match[str]) -> list[str]:
    pci, arfcn, scs, band = (int(n) for n in found.groups())
    return modem.configure(pin_nr=(pci, arfcn, scs, band))


def _unpin(modem: TwinModem, found: re.Match[str]) -> list[str]:
    return modem.configure(**{"pin_lte" if found.group(1) == "common/4g" else "pin_nr": None})


def _lines(*lines: str) -> Action:
    def give(_modem: TwinModem, _found: re.Match[str]) -> list[str]:
        return [*lines, "OK"]

    return give


def _row(pattern: str, action: Action) -> tuple[re.Pattern[str], Action]:
    return re.compile(pattern, re.IGNORECASE), action


_COMMANDS: tuple[tuple[re.Pattern[str], Action], ...] = (
    _row(r'\+QENG="servingcell"', _serving),
    _row(r'\+QENG="neighbourcell"', _neighbours),
    _row(r"\+QCAINFO\??", _aggregated),
    _row(r"\+QNWINFO", _network_info),
    _row(r"\+(QRSRP|QRSRQ|QSINR)", _per_port),
    _row(r'\+QNWPREFCFG\s*=\s*"(mode_pref|nr5g_disable_mode|lte_band|nr5g_band|nsa_nr5g_band)"', _preference_ask),
    _row(r'\+QNWPREFCFG\s*=\s*"(policy_band|ue_capability_band)"', _bands_ask),
    _row(r'\+QNWPREFCFG\s*=\s*"mode_pref",((?:AUTO|LTE|NR5G|WCDMA)(?::(?:LTE|NR5G|WCDMA))*)', _set_mode),
    _row(r'\+QNWPREFCFG\s*=\s*"nr5g_disable_mode",([012])', _set_disable),
    _row(r'\+QNWPREFCFG\s*=\s*"(lte_band|nr5g_band|nsa_nr5g_band)",(\d+(?::\d+)*)', _set_bands),
    _row(r'\+QNWLOCK\s*=\s*"(common/4g|common/5g)"', _pin_ask),
    _row(r'\+QNWLOCK\s*=\s*"common/4g",1,(\d+),(\d+)', _pin_lte),
    _row(r'\+QNWLOCK\s*=\s*"common/5g",(\d+),(\d+),(\d+),(\d+)', _pin_nr),
    _row(r'\+QNWLOCK\s*=\s*"(common/4g|common/5g)",0', _unpin),
    _row(r"\+CESQ", _extended),
    _row(r"\+CESQ=\?", _lines("+CESQ: (0-63,99),(0-7,99),(0-96,255),(0-49,255),(0-34,255),(0-97,255),(0-126,255),(0-126,255),(0-127,255)")),
    _row(r"\+CSQ", _strength),
    _row(r"\+(CEREG|C5GREG|CGREG|CREG)\?", _registration),
    _row(r"\+(CEREG|C5GREG|CGREG|CREG)=([0-5])", _report),
    _row(r"\+CEREG=\?", _lines("+CEREG: (0-2)")),
    _row(r"\+COPS\?", _operator),
    _row(r"\+COPS=3,([012])", _operator_format),
    _row(r"\+CPIN\?", _lines("+CPIN: READY")),
    _row(r"\+CFUN\?", _lines("+CFUN: 1")),
    _row(r"\+CGDCONT\?", _lines('+CGDCONT: 1,"IPV4V6","internet","",0,0')),
    _row(r"\+CGACT\?", _lines("+CGACT: 1,1")),
    _row(r"\+WS46=\?", _lines("+WS46: (12,22,25,28,29,35,36,37)")),
    _row(r"\+WS46\?", _system_ask),
    _row(r"\+WS46=(28|35|36|37)", _set_system),
    _row(r"\+CGDCONT=\?", _lines('+CGDCONT: (1-11),"IP",,,(0-2),(0-4)', '+CGDCONT: (1-11),"IPV4V6",,,(0-2),(0-4)')),
    _row(r"\+GCAP", _lines("+GCAP: +CGSM,+DS,+ES")),
    _row(r"\+CGMI", _lines("TEST")),
    _row(r"\+CGMM", _lines("Twin modem")),
    _row(r"\+CGMR", _lines("1.0")),
    _row(r"\+CGSN", _lines("001100110011002")),
    _row(r"\+CMEE=[012]", _lines()),
)

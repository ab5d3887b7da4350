"""The modem of the twin: answers AT commands over TCP, a pseudo-terminal or a unix socket, from a plain state it is given.

It speaks the dialect of `+QENG` (with `+QCAINFO`, `+QNWPREFCFG`, `+QNWLOCK`) and what 3GPP TS 27.007 asks of every modem. A setting reads back at
once and takes effect after a delay on the clock it was given, as on real equipment; what takes effect is told to `on_settings`.
What real lines do wrong can be asked of it, command by command, with `faults`.
What it answers stands in `modem_answers`, what it knows in `modem_state`.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path

from bandwright.ports import Clock
from bandwright.twin.modem_answers import COMMANDS
from bandwright.twin.modem_state import ModemSettings, RadioState

__all__ = ["Conversation", "Fault", "Piece", "TwinModem"]


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
        for pattern, action in COMMANDS:
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

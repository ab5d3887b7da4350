"""One AT conversation: a command out, its answer in, and nothing of another command's answer mixed in.

What a line to a modem does wrong in practice, and what is done here about it:
- after a time-out the line is dirty: a late answer would feed the next command. Bare `AT` is sent until it is answered by one OK
  and then silence;
- echo on or off, or printed twice: echo is asked for, because where it comes it marks where an answer begins;
- lines that nobody asked for: kept verbatim in the exchange, left to the reader of the text;
- an answer that is another command's (no echo of ours before it, or its lines begin with another command word): dropped, and the wait
  goes on.
One command is in flight at a time; a lock sees to it.
Source: ITU-T V.250, 5.2 to 5.7 (command lines, result codes); 3GPP TS 27.007, 9.1 (+CME ERROR).
"""

from __future__ import annotations

import asyncio
import re

from bandwright.errors import GatewayUnreachable
from bandwright.gateways.commands import Command, Row
from bandwright.gateways.links import Link
from bandwright.words.radio import Exchange

__all__ = ["ATTENTION", "ECHO", "Session"]

ATTENTION = Row(key="attention", template="AT", source="ITU-T V.250, 5.2")
ECHO = Row(key="echo", template="ATE1", source="ITU-T V.250, 6.2.4")

_FINAL = re.compile(r"^(?:OK|ERROR|\+CM[ES] ERROR:.*|NO CARRIER|NO DIALTONE|BUSY|COMMAND NOT SUPPORT)$")
_WORD = re.compile(r"^([+!^*#$%][A-Z0-9]+)\s*:", re.IGNORECASE)
_TRIES = 6
_STRETCH = 4  # an answer that keeps coming is not late: it may take so many times the time-out


class Session:
    """An AT conversation over a link.

    timeout_s: how long nothing may come while an answer is waited for. quiet_s: how long nothing must come for a line to count as quiet.
    """

    def __init__(self, link: Link, *, timeout_s: float, quiet_s: float) -> None:
        self.link = link
        self._timeout_s, self._quiet_s = timeout_s, quiet_s
        self._one_at_a_time = asyncio.Lock()
        self._opened = False
        self._dirty = True
        self._echoes = False
        self._pending = b""
        self._started_s = 0.0

    async def ask(self, command: Command) -> Exchange:
        """Send a command and return the exchange, verbatim. An error result or a time-out stands in `fault`.

        Raises GatewayUnreachable when the line is gone, or will not come back to order after a time-out; GatewayBusy from opening.
        """
        async with self._one_at_a_time:
            await self._ready()
            return await self._exchange(command, self._timeout_s * command.row.patience)

    def restart_watch(self) -> None:
        """Count `at_s` of the exchanges from now."""
        self._started_s = self.link.now_s()

    async def close(self) -> None:
        """Let go of the line. Safe to call twice."""
        self._opened, self._dirty, self._pending = False, True, b""
        await self.link.close()

    async def _ready(self) -> None:
        try:
            if not self._opened:
                await self.link.open()
                self._opened, self._dirty, self._echoes, self._pending = True, True, False, b""
            if self._dirty:
                await self._clean()
        except GatewayUnreachable:
            await self.close()
            raise

    async def _clean(self) -> None:
        """Bring the line to order: bare AT until one OK and then silence; then echo on, and see whether it comes."""
        self._echoes = False
        await self._settle(ATTENTION.fill(), "answers no bare AT, or is never quiet")
        self._dirty = False
        answer = await self._exchange(ECHO.fill(), self._timeout_s)
        if self._dirty:
            await self._settle(ATTENTION.fill(), "answers no bare AT after it was asked to echo")
            self._dirty = False
        probe = await self._exchange(ATTENTION.fill(), self._timeout_s)
        self._echoes = answer.fault is None and probe.complete and probe.received.lstrip().startswith("AT")

    async def _settle(self, command: Command, complaint: str) -> None:
        for _ in range(_TRIES):
            self._pending = b""
            await self.link.send(command.text.encode("ascii") + b"\r")
            received = await self._until_final(self._timeout_s, self.link.now_s() + self._timeout_s)
            if received is None or _fault(received) is not None:
                continue
            if not (self._pending or await self._listen(self._quiet_s)):
                return
            until_s = self.link.now_s() + self._timeout_s
            while self.link.now_s() < until_s and await self._listen(self._quiet_s):  # let it talk itself out
                pass
        self._dirty = True
        raise GatewayUnreachable(
            f"{self.link.name} {complaint}", given=f"{_TRIES} tries", todo="Check that this is the command port of the device, and its speed."
        )

    async def _listen(self, seconds: float) -> bytes:
        return await self.link.receive(seconds)

    async def _until_final(self, seconds: float, until_s: float) -> bytes | None:
        """Return what came up to the first final result, or None where nothing came for `seconds`, or it is `until_s`."""
        buffer = self._pending
        while True:
            stop = _final_stop(buffer)
            if stop is not None:
                self._pending = buffer[stop:].lstrip(b"\r\n")
                return buffer[:stop]
            left = min(seconds, until_s - self.link.now_s())
            chunk = await self._listen(left) if left > 0 else b""
            if not chunk:
                self._pending = buffer
                return None
            buffer += chunk

    async def _exchange(self, command: Command, seconds: float) -> Exchange:
        at_s = self.link.now_s() - self._started_s
        try:
            self._pending = b""
            await self.link.send(command.text.encode("ascii") + b"\r")
            until_s = self.link.now_s() + _STRETCH * seconds
            while True:
                block = await self._until_final(seconds, until_s)
                if block is None:
                    self._dirty = True
                    own = self._pending if not self._echoes or command.text.encode() in self._pending else b""
                    self._pending = b""
                    return Exchange(sent=command.text, received=_text(own), at_s=at_s, complete=False, fault=f"no answer within {seconds:g} s")
                verdict = await self._whose(block, command)
                if verdict is not None:
                    return Exchange(sent=command.text, received=_text(verdict), at_s=at_s, fault=_fault(verdict))
        except GatewayUnreachable:
            await self.close()
            raise
        except asyncio.CancelledError:
            self._dirty = True
            raise

    async def _whose(self, block: bytes, command: Command) -> bytes | None:
        """Return the block as the answer of this command, or None where it is another's and the wait goes on."""
        text = _text(block)
        if self._echoes:
            echoed = text.rfind(command.text)
            if echoed < 0:
                return None
            return text[echoed:].encode()
        words = [found.group(1).upper() for line in text.splitlines() if (found := _WORD.match(line.strip()))]
        if words and command.row.expects.rstrip(":").upper() in words:
            return block
        if words and _fault(block) is None and all(word not in command.text.upper() for word in words):
            return None if await self._more_comes() else block
        if not words and command.row.expects and _fault(block) is None:
            return None if await self._more_comes() else block
        return block

    async def _more_comes(self) -> bool:
        """Whether more follows a block that looks like a late answer of another command."""
        if self._pending:
            return True
        chunk = await self._listen(self._quiet_s)
        self._pending += chunk
        return bool(chunk)


def _final_stop(buffer: bytes) -> int | None:
    """Return where the first complete line with a final result ends, or None."""
    start = 0
    while True:
        ends = [place for mark in (b"\n", b"\r") if (place := buffer.find(mark, start)) >= 0]
        if not ends:
            return None
        stop = min(ends)
        if _FINAL.match(_text(buffer[start:stop]).strip()):
            return stop + (2 if buffer[stop : stop + 2] == b"\r\n" else 1)
        start = stop + 1


def _fault(block: bytes) -> str | None:
    """Return the error result that ends a block, or None where it ends in OK."""
    last = next((line.strip() for line in reversed(_text(block).splitlines()) if line.strip()), "")
    return None if last == "OK" else last


def _text(data: bytes) -> str:
    return data.decode("utf-8", "replace")

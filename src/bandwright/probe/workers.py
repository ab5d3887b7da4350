"""The parent's side of a worker process: start it early, give it a job, talk with it, and be sure that it ends."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

from bandwright.probe.worker import JOBS

__all__ = ["Worker", "WorkerDied"]

_ROOT = str(Path(__file__).resolve().parents[2])
_START = f"import sys; sys.path.insert(0, {_ROOT!r}); from bandwright.probe.worker import main; main()"
_UP_S = 15.0
_LINE_LIMIT = 64 * 2**20
_KILL = getattr(signal, "SIGKILL", signal.SIGTERM)


class WorkerDied(Exception):
    """A worker ended before it said what it was asked. Never leaves the room."""


class Worker:
    """A worker process. `await Worker.start()`, `give(job, ...)`, `next(...)`, and always `close()`."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self._waiting: list[dict[str, Any]] = []

    @classmethod
    async def start(cls, *, pass_fds: tuple[int, ...] = ()) -> Worker:
        """Start a process and return it when it waits for its job. Raises OSError where that cannot be had."""
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-I", "-S", "-c", _START, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, pass_fds=pass_fds, limit=_LINE_LIMIT
        )
        worker = cls(process)
        try:
            async with asyncio.timeout(_UP_S):
                await worker.message()  # "started": what comes after this is not slowed down by a busy computer's slow start
        except (TimeoutError, WorkerDied):
            await worker.close()
            raise OSError(errno.EAGAIN, "a process could not be started in time") from None
        except BaseException:
            await worker.close()
            raise
        return worker

    def give(self, job: str, **parameters: Any) -> None:
        """Give it its job."""
        if job not in JOBS:
            raise KeyError(job)
        self.send({"job": job, **parameters})

    def send(self, message: dict[str, Any]) -> None:
        """Send a command; silently nothing where the process has ended."""
        pipe = self._process.stdin
        if pipe is not None and not pipe.is_closing():
            pipe.write(json.dumps(message, separators=(",", ":")).encode() + b"\n")

    async def message(self) -> dict[str, Any]:
        """Return its next message. Raises WorkerDied."""
        if self._waiting:
            return self._waiting.pop(0)
        return await self._read()

    async def _read(self) -> dict[str, Any]:
        if self._process.stdout is None:
            raise WorkerDied
        try:
            line = await self._process.stdout.readline()
        except ValueError:
            raise WorkerDied from None
        if not line.endswith(b"\n"):
            raise WorkerDied
        message: dict[str, Any] = json.loads(line)
        return message

    async def close(self) -> None:
        """End the process. Safe to call twice."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        if self._process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._process.pid, _KILL)  # Popen.kill() would reap it behind the back of the event loop
        await self._process.wait()
        transport = getattr(self._process, "_transport", None)
        if transport is not None:
            transport.close()

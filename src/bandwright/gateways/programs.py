"""Running a program and taking what it prints: no shell, a time-out, and one clear error for what goes wrong."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from collections.abc import Sequence
from dataclasses import dataclass

from bandwright.errors import GatewayUnreachable

__all__ = ["Printed", "run_program"]

_MOST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Printed:
    """What a program printed, and its exit status; None where it was ended after the time-out."""

    status: int | None
    out: str
    trouble: str


async def run_program(words: Sequence[str], *, timeout_s: float, install: str | None = None) -> Printed:
    """Run a program without a shell. install: what to install where it is missing. Raises GatewayUnreachable where it cannot be started."""
    program = shutil.which(words[0])
    if program is None:
        raise GatewayUnreachable(f"the program {words[0]} is not installed here", todo=install or "Install it, or give its full path.")
    try:
        process = await asyncio.create_subprocess_exec(
            program, *words[1:], stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
        )
    except OSError as error:
        raise GatewayUnreachable(f"the program {words[0]} cannot be started", given=error.strerror) from error
    try:
        async with asyncio.timeout(timeout_s):
            out, trouble = await process.communicate()
    except TimeoutError:
        return Printed(None, "", f"no answer within {timeout_s:g} s")
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    return Printed(process.returncode, out[:_MOST_BYTES].decode("utf-8", "replace"), trouble[:_MOST_BYTES].decode("utf-8", "replace").strip())

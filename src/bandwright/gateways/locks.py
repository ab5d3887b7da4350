"""One process on a port at a time, whatever the port is: a lock file that the operating system releases when its holder dies."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import sys
import tempfile
from pathlib import Path
from typing import IO

from bandwright.errors import GatewayBusy

__all__ = ["PortLock", "lock_folder"]


def lock_folder() -> Path:
    """Return the folder of this user's lock files; made where missing, for this user only. Raises GatewayBusy where somebody else made it."""
    user = os.getuid() if sys.platform != "win32" else "user"
    folder = Path(tempfile.gettempdir()) / f"bandwright-locks-{user}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if sys.platform != "win32" and folder.lstat().st_uid != os.getuid():
        raise GatewayBusy(f"{folder} belongs to another user", todo="Remove it: locks are kept there.")
    return folder


class PortLock:
    """An exclusive hold on something with a name. Held by an open file, so it ends with the process, also on kill -9.

    Two holds of one process exclude each other too.
    """

    def __init__(self, name: str) -> None:
        digest = hashlib.sha256(name.encode()).hexdigest()[:16]
        self._name = re.sub(r"\W+", "_", name).strip("_")[:40] + f"-{digest}.lock"
        self._file: IO[str] | None = None

    def take(self, shown: str) -> None:
        """Take the hold. shown: what to call the port in a sentence. Raises GatewayBusy naming the port and, where known, its holder."""
        if self._file is not None:
            return
        file = (lock_folder() / self._name).open("a+")
        try:
            _lock(file)
        except OSError:
            file.seek(0)
            holder = file.read().strip() or "unknown"
            file.close()
            raise GatewayBusy(
                f"{shown} is in use by another Bandwright", given=f"process {holder}", todo="Wait for it to end, or stop it, then try again."
            ) from None
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
        self._file = file

    def give(self) -> None:
        """Let go. Safe to call twice."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):
                file.truncate(0)
            file.close()


if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30  # the byte that is locked lies behind the text, which stays readable for others

    def _lock(file: IO[str]) -> None:
        os.lseek(file.fileno(), _FAR, os.SEEK_SET)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        os.lseek(file.fileno(), 0, os.SEEK_SET)

else:
    import fcntl

    def _lock(file: IO[str]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

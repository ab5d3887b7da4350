"""One campaign at a time in a workspace: a lock that goes away with the process that holds it."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType
from typing import Self

from bandwright.errors import StoreError

__all__ = ["RunLock"]

LOCK_FILE = ".running"


class RunLock:
    """Held while something measures in a workspace. Raises StoreError where another process holds it."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK_FILE
        self._handle: int | None = None

    def __enter__(self) -> Self:
        self._handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            if os.name == "posix":
                import fcntl

                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            else:
                import msvcrt

                msvcrt.locking(self._handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            holder = self._path.read_text(encoding="utf-8").strip() or "another process"
            os.close(self._handle)
            self._handle = None
            raise StoreError(f"a campaign is already running in {self._path.parent}", given=f"process {holder}", todo="Wait for it, or stop it with Ctrl-C: nothing is lost") from None
        os.ftruncate(self._handle, 0)
        os.write(self._handle, str(os.getpid()).encode())
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

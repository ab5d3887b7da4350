"""A far end in a thread of its own (in a namespace of the test bed, or on loopback), and a near end whose raw view can be looked at."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from bandwright.probe import far
from bandwright.probe.conduct import Conduct
from bandwright.probe.judge import samples_of
from bandwright.probe.near import NearEnd
from bandwright.probe.seen import LoadSeen
from bandwright.probe.series import figures_of_rate

__all__ = ["FarThread", "OpenNearEnd", "far_end", "window_of"]


class OpenNearEnd(NearEnd):
    """A near end that keeps what it saw, for comparison with the truth."""

    conduct: Conduct

    def _conduct(self, *args: Any, **kwargs: Any) -> Conduct:
        self.conduct = super()._conduct(*args, **kwargs)
        return self.conduct


class FarThread:
    """A far end running in a thread. stop() ends it in order; the thread lives in the given namespace of the bed."""

    def __init__(self, settings: far.FarEndSettings, *, bed: Any = None) -> None:
        self._settings, self._bed = settings, bed
        self._up = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self.port = 0
        self.failure: BaseException | None = None
        self.thread = threading.Thread(target=self._live, daemon=True)
        self.thread.start()
        self._up.wait(10)
        if self.failure is not None:
            raise self.failure

    def _live(self) -> None:
        with self._bed.inside("far") if self._bed is not None else contextlib.nullcontext():
            try:
                asyncio.run(self._serve())
            except asyncio.CancelledError:
                pass
            except BaseException as error:  # noqa: BLE001 - handed to the thread that waits
                self.failure = error
                self._up.set()

    async def _serve(self) -> None:
        self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()

        def started(port: int) -> None:
            self.port = port
            self._up.set()

        await far.serve(self._settings, started=started)

    def stop(self) -> None:
        """End the far end and wait for it."""
        if self._loop is not None and self._task is not None and self.thread.is_alive():
            self._loop.call_soon_threadsafe(self._task.cancel)
        self.thread.join(10)


@contextlib.contextmanager
def far_end(*, host: str = "127.0.0.1", bed: Any = None, **settings: Any) -> Iterator[tuple[FarThread, str]]:
    """Run a far end with one key; yields it and the pairing string."""
    with tempfile.TemporaryDirectory(prefix="far-") as folder:
        state = Path(folder)
        row = far.add_key(state, "test")
        base = far.FarEndSettings(state=state, hosts=(host,) if bed is None else (), port=0)
        thread = FarThread(replace(base, **settings), bed=bed)
        try:
            shown = f"[{host}]" if ":" in host else host
            yield thread, far.pairing_string(state, address=f"{shown}:{thread.port}", row=row)
        finally:
            thread.stop()


def window_of(load: LoadSeen) -> tuple[int, int]:
    """Return the window (monotonic ns) of a load's rate, by the sender's clock: both ends of a test share one."""
    figures = figures_of_rate(samples_of(load))
    assert figures is not None
    return figures.from_ns, figures.to_ns

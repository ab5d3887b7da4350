"""One way to run heavy work: here, on this computer's processes, or on many machines by dask. The same answer from all.

Everything is written against `concurrent.futures.Executor`. A piece of work is a module's function with plain arguments that hold its
own seed, and it does nothing but return its answer: so it may be run again, anywhere, and in any order. That is what makes a worker
that dies in the middle harmless: `Processes` starts a new pool and runs what had no answer yet, as dask does by itself.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from multiprocessing import get_context
from threading import RLock
from typing import Any, TypeVar

from bandwright.errors import OurFault, UsageError
from bandwright.jobs.deciding import hold_to_one_thread

__all__ = ["Processes", "answers", "in_order", "open_executor"]

T = TypeVar("T")
_MOST_BREAKS = 4  # pools lost in a row without one answer between: the work itself ends its process


class Processes(Executor):
    """Worker processes of this computer, started anew where one of them dies. workers: as many as there are processors where None."""

    def __init__(self, workers: int | None = None) -> None:
        self.workers = workers or os.cpu_count() or 1
        self._lock = RLock()
        self._pool: ProcessPoolExecutor | None = None
        self._breaks = 0
        self._closed = False

    def pids(self) -> tuple[int, ...]:
        """Return the process numbers of the workers that were started."""
        with self._lock:
            return tuple(self._pool._processes or ()) if self._pool is not None else ()  # noqa: SLF001 -- the pool has no other way to say it

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Run a function in a worker; again in another where the worker dies."""
        outer: Future[T] = Future()
        self._start(outer, fn, args, kwargs)
        return outer

    def _start(self, outer: Future[T], fn: Callable[..., T], args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
        with self._lock:
            if self._closed:
                outer.set_exception(OurFault("work was given to workers that had been let go"))
                return
            if self._pool is None:
                self._pool = ProcessPoolExecutor(self.workers, mp_context=get_context("spawn"), initializer=hold_to_one_thread)
            pool = self._pool
            try:
                inner = pool.submit(fn, *args, **kwargs)
            except BrokenExecutor:
                self._lost(pool)
                self._start(outer, fn, args, kwargs)
                return

        def ended(done: Future[T]) -> None:
            error = done.exception() if not done.cancelled() else None
            if done.cancelled():
                outer.cancel()
            elif isinstance(error, BrokenExecutor):
                with self._lock:
                    self._lost(pool)
                    hopeless = self._breaks > _MOST_BREAKS
                if hopeless:
                    outer.set_exception(OurFault("the work ends the process that does it, again and again", todo="Look for lack of memory; then run it in one process"))
                else:
                    self._start(outer, fn, args, kwargs)
            elif error is not None:
                outer.set_exception(error)
            else:
                with self._lock:
                    self._breaks = 0
                outer.set_result(done.result())

        inner.add_done_callback(ended)

    def _lost(self, pool: ProcessPoolExecutor) -> None:
        """Note, once, that a pool is gone."""
        if self._pool is pool:
            self._pool = None
            self._breaks += 1
            pool.shutdown(wait=False)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let the workers go."""
        with self._lock:
            self._closed, pool = True, self._pool
        if pool is not None:
            pool.shutdown(wait=wait, cancel_futures=cancel_futures)


@contextmanager
def open_executor(what: str = "here") -> Iterator[Executor | None]:
    """Open where work is done, and let it go at the end. None is in this process, piece by piece.

    what: "here", "processes", "processes:2", or the address of a dask scheduler like "dask:tcp://127.0.0.1:8786". Raises UsageError.
    """
    kind, _, rest = what.partition(":")
    if kind == "here" and not rest:
        yield None
    elif kind == "processes" and (not rest or (rest.isdecimal() and int(rest) > 0)):
        with Processes(int(rest) if rest else None) as pool:
            yield pool
    elif kind == "dask" and rest:
        try:
            import distributed
        except ImportError:
            raise UsageError("dask is not installed here", todo="Install the extra: pip install 'bandwright[fleet]'") from None
        try:
            client: Any = getattr(distributed, "Client")(rest, set_as_default=False)  # noqa: B009 -- it has no types
        except (OSError, ValueError) as error:
            raise UsageError("no dask scheduler answers there", given=rest, allowed=str(error)[:120]) from None
        with client, client.get_executor(pure=False) as many:
            yield many
    else:
        raise UsageError("where to do the work", given=what, allowed="here, processes, processes:N, dask:ADDRESS")


def answers(function: Callable[..., T], pieces: Sequence[tuple[Any, ...]], executor: Executor | None = None) -> Iterator[tuple[int, T]]:
    """Return (place of the piece, answer) as they come. pieces: the arguments of each, with its seed among them."""
    if executor is None:
        for number, piece in enumerate(pieces):
            yield number, function(*piece)
        return
    places = {executor.submit(function, *piece): number for number, piece in enumerate(pieces)}
    for done in as_completed(places):
        yield places[done], done.result()


def in_order(function: Callable[..., T], pieces: Sequence[tuple[Any, ...]], executor: Executor | None = None) -> list[T]:
    """Return the answers in the order of the pieces, wherever they were made."""
    found = dict(answers(function, pieces, executor))
    return [found[i] for i in range(len(pieces))]

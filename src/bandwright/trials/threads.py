"""One thread of linear algebra: the same bits every time, and no threads that wait for one another over small matrices."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["one_thread"]


@contextmanager
def one_thread() -> Iterator[None]:
    """Hold linear algebra to one thread for as long as the block lasts.

    The libraries are loaded first: a limit does not reach one that is loaded later.
    """
    import scipy.linalg.lapack  # noqa: F401 - loads its library
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        yield

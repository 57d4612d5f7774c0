"""Row bands on a few threads: kernels that release the GIL and write each row once give the same bytes for any number of threads."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Lock
from typing import Any, TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

MOST_THREADS = 4
"""More threads than these only wait for memory."""
FEW_PIXELS = 100_000

Item = TypeVar("Item")
Result = TypeVar("Result")


_allowed: int | None = None


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def threads_allowed(most: int | None) -> Iterator[None]:
    """How many threads kernels may use meanwhile, in all of this process; None for all cores. Never changes a pixel."""
    global _allowed
    before, _allowed = _allowed, most
    try:
        yield
    finally:
        _allowed = before


_blas_lock = Lock()
_blas_users = 0
_blas_limit: threadpool_limits | None = None


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Linear algebra in one thread meanwhile: small equations wait longer for a second one than it helps, and the last digits hang on it.

    The command asks for the same before numpy is loaded; this is for callers from Python. The first to come sets the limit and the last to
    go lifts it, since each would otherwise give back what it found.
    """
    global _blas_users, _blas_limit
    with _blas_lock:
        if not _blas_users:
            _blas_limit = threadpool_limits(1, "blas")
        _blas_users += 1
    try:
        yield
    finally:
        with _blas_lock:
            _blas_users -= 1
            if not _blas_users and _blas_limit is not None:
                _blas_limit.restore_original_limits()


def thread_count() -> int:
    """Threads that a kernel uses."""
    return min(_allowed or cores(), MOST_THREADS)


def each(work: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """``work`` of every item, in their order."""
    with ThreadPoolExecutor(thread_count()) as pool:
        return list(pool.map(work, items))


def over_bands(work: Callable[[int, int], object], rows: int, *, pixels: int = FEW_PIXELS) -> None:
    """Call ``work(first, last)`` for bands that cover ``rows`` once; ``work`` must write only what belongs to its own rows.

    Where there are but few ``pixels`` in all it is called once: threads take longer to begin than such work. Threads of our own instead
    of numba's, whose fallback layer forbids two callers at once.
    """
    n = min(thread_count(), max(rows, 1))
    if n == 1 or pixels < FEW_PIXELS:
        work(0, rows)
        return
    edges = [rows * k // n for k in range(n + 1)]
    with ThreadPoolExecutor(n) as pool:
        list(pool.map(work, edges[:-1], edges[1:]))


def over_rows(kernel: Callable[..., object], *arrays: Any) -> None:
    """Call ``kernel(*arrays, first, last)`` for bands that cover the rows of the first array once."""
    over_bands(lambda first, last: kernel(*arrays, first, last), arrays[0].shape[0])


def by_bands(work: Callable[[Any], Any], plane: Any, reach: int) -> Any:
    """``work`` of a plane, a filter that sees ``reach`` rows up and down, done in bands: the same values as at once."""
    out = np.empty_like(plane)

    def band(first: int, last: int) -> None:
        top = max(first - reach, 0)
        out[first:last] = work(plane[top : last + reach])[first - top : last - top]

    over_bands(band, len(plane))
    return out

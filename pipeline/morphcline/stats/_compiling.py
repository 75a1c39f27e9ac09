"""Compiling a function when it is worth the wait, and running it on all cores.

Numba is imported only here, and only by those who ask. Whoever has a compiled way has a plain one beside it, which
gives the same numbers, for small work (compiling takes seconds the first time) and for where numba isn't installed.
Compiled functions hold no lock, so plain threads run them side by side: quicker to compile than numba's own loops over
threads, and safe wherever a scheduler runs several tasks in one process.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import TypeVar, cast

Function = TypeVar("Function", bound=Callable[..., object])
Task = TypeVar("Task")
Result = TypeVar("Result")


@cache
def can_compile() -> bool:
    """Return whether numba works here. Asking imports it, which takes a second: ask only where it would be used."""
    try:
        import numba  # noqa: F401  whether it can be imported is the question
    except ImportError:
        return False
    return True


def compiled(function: Function) -> Function:
    """Decorate a function to be compiled at its first call, kept on disk for later processes, free of Python's lock.

    Division by zero gives infinity as in numpy; nothing else changes: sums keep their order.
    """
    from numba import njit

    return cast(Function, njit(cache=True, nogil=True, error_model="numpy")(function))


def compiled_fast(function: Function) -> Function:
    """Decorate as :func:`compiled`, and let the compiler reorder sums and fuse products, so that it can use vectors.

    Results then differ from the plain ones by rounding; infinities and NaN must not occur.
    """
    from numba import njit

    return cast(Function, njit(cache=True, nogil=True, error_model="numpy", fastmath=True)(function))


def threads() -> int:
    """Return how many threads compiled functions may use: the cores, or ``NUMBA_NUM_THREADS`` (1 in our workers)."""
    from numba import config

    return int(config.NUMBA_NUM_THREADS)


def in_threads(function: Callable[[Task], Result], tasks: Sequence[Task]) -> list[Result]:
    """Return a function's result for every task, in the tasks' order, worked out by several threads.

    Cut work into tasks in a way that doesn't depend on the number of threads; then the results don't either.
    """
    if threads() == 1 or len(tasks) < 2:
        return [function(task) for task in tasks]
    with ThreadPoolExecutor(min(threads(), len(tasks))) as pool:
        return list(pool.map(function, tasks))

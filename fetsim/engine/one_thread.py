"""Linear algebra on one thread: a circuit's matrices are too small to be shared out.

A solution for 122 unknowns (a pair) takes 0.3 ms on one thread, and 25 ms of processor time on two that others use
too; below 90 the library takes one by itself. And one thread gives the same last bits on any machine.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from threadpoolctl import ThreadpoolController


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """For the thread that asks (numpy's own library counts for each thread by itself), and as before afterwards."""
    with _libraries().limit(limits=1, user_api="blas"):
        yield

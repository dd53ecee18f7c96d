"""One decorator: compile a scalar function to machine code, keep it on disk for the next start, keep its Python signature.

The watch calls the same compiled functions from its kernel as everybody else calls from Python, so that no formula is
written twice and both agree to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

from numba import njit

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compiles `function` at its first call; other compiled functions may call it.

    No fastmath: it would let the compiler reorder sums, and the same readings must give the same alarms on every machine.
    `nogil`, so that pages are served while the watch works. Where the result is kept says NUMBA_CACHE_DIR, set when
    `monitor` is imported.
    """
    return cast("Callable[P, R]", njit(cache=True, nogil=True, fastmath=False)(function))

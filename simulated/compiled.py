"""One decorator: compile a numeric function to machine code and keep the result on disk for the next start."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from numba import njit

F = TypeVar("F", bound=Callable[..., object])


def compiled(function: F) -> F:
    """Compile at the first call. No fastmath: the same farm must give the same bytes on every machine."""
    try:
        return cast(F, njit(cache=True, nogil=True, error_model="numpy")(function))
    except RuntimeError:  # no place to keep the result (read-only package, no home): compile at each start
        return cast(F, njit(nogil=True, error_model="numpy")(function))

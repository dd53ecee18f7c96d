"""Compiles a scalar formula to machine code, and serves numbers and arrays with the one compiled formula.

The watch calls the same compiled functions from its kernel as everybody else calls from Python, so that no formula is
written twice and all agree to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

P = ParamSpec("P")
R = TypeVar("R")
Floats = NDArray[np.float64]


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compiles `function` at its first call; other compiled functions may call it.

    No fastmath: it would let the compiler reorder sums, and the same readings must give the same alarms on every
    machine. `nogil`, so that pages are served while the watch works. Where the result is kept says NUMBA_CACHE_DIR,
    set when `monitor` is imported.
    """
    return cast("Callable[P, R]", njit(cache=True, nogil=True, fastmath=False)(function))


def compiled_loop(function: Callable[P, R]) -> Callable[P, R]:
    """As `compiled`, for a loop over many rows that works only on arrays its caller made and keeps.

    Such a loop needs no counting of references, which would otherwise cost several times what the loop itself does
    (measured: 345 ns a reading with it, 53 without). A function that makes an array of its own does not compile so.
    """
    options: dict[str, Any] = {"cache": True, "nogil": True, "fastmath": False, "_nrt": False}
    return cast("Callable[P, R]", njit(**options)(function))


def inlined(function: Callable[P, R]) -> Callable[P, R]:
    """A part of such a loop, put into it as if it stood there: a call would hand over each array piece by piece."""
    options: dict[str, Any] = {"inline": "always"}
    return cast("Callable[P, R]", njit(**options)(function))


def over_columns(loop: Callable[..., None], *values: float | Floats) -> Any:
    """Works a formula over numbers and arrays alike.

    (numba.vectorize would do the same, but compiles again at every start: its results are not kept on disk.)

    Parameters
    ----------
    loop : made by `compiled`; takes as many float64 columns of one length as there are `values`, then the column to
        write
    values : numbers or arrays that can be broadcast together

    Returns
    -------
    a float when all `values` are plain numbers, else a float64 array of the shape they broadcast to
    """
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values))
    out = np.empty(arrays[0].size)
    # Copied: a read-only or strided column would silently compile the loop again for its type.
    loop(*(np.array(array, order="C").reshape(-1) for array in arrays), out)
    return float(out[0]) if arrays[0].ndim == 0 else out.reshape(arrays[0].shape)

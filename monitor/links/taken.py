"""Who of the several receivers of one address has a notice already, while the others are tried again.

Kept in memory only: after a restart they get it a second time, with the same id.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Final

KEPT: Final = 1_000
"""Of so many notices; those that were tried longest ago are forgotten first."""

_lock = threading.Lock()
_taken: OrderedDict[str, tuple[frozenset[str], str]] = OrderedDict()


def by(notice_id: str) -> set[str]:
    """Who has taken a notice; the set is the caller's own."""
    with _lock:
        return set(_taken.get(notice_id, (frozenset(), ""))[0])


def last(notice_id: str) -> str:
    """With whom the try before ended: one at whom a server hangs comes last, so that the others get it; or empty."""
    with _lock:
        return _taken.get(notice_id, (frozenset(), ""))[1]


def note(notice_id: str, receivers: set[str], last: str = "") -> None:
    """These have it, others are to be tried again; with none of them, or all, nothing need be known: give none."""
    with _lock:
        _taken.pop(notice_id, None)
        if receivers or last:
            _taken[notice_id] = frozenset(receivers), last
        while len(_taken) > KEPT:
            _taken.popitem(last=False)

"""Lines to a server that may refuse some of them: those are found by halving, and cost no other line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.links.influx import Kind, WriteError

NAMED_A_WRITE: Final = 50
"""Where a server stored all others, so many of those it left out are looked for one by one; others are counted."""
_TOO_OLD: Final = "retention policy"
"""What a bucket does not keep any more comes by the thousand, and each line would say the same."""


@dataclass
class Outcome:
    """What became of some lines; all that are not counted here are stored."""

    refused: list[tuple[str, str]] = field(default_factory=list)
    """A line that was refused, with the server's words; for many alike their number stands for the line."""
    missing: int = 0
    """How many were refused, in all."""
    most: int = 0
    """So many lines at once are not too much for it."""


def write_all(write: Callable[[Sequence[str]], None], lines: Sequence[str], most: int) -> Outcome:
    """Writes lines, at most so many at once.

    Parameters
    ----------
    write : stores lines, or raises WriteError

    Raises
    ------
    WriteError : the trouble is not the lines; what was written before stays written
    """
    found = Outcome(most=most)
    waiting = [lines[begin : begin + most] for begin in range(0, len(lines), most)][::-1]
    about_lines = False
    while waiting:
        some = waiting.pop()
        try:
            write(some)
            about_lines = True  # it takes others
        except WriteError as exc:
            if exc.kind not in (Kind.LINES, Kind.SIZE):
                raise
            words = str(exc)
            # A line by itself is too large for no server: one that takes none for its size has something before it.
            about_lines = about_lines or (exc.named and exc.kind is Kind.LINES)
            others_stored = exc.dropped is not None
            if len(some) == 1:
                found.refused.append((some[0], words))
                found.missing += 1
                if not about_lines and len(found.refused) >= NAMED_A_WRITE:
                    break  # it takes none: no use to ask for each of thousands
            elif others_stored and (_TOO_OLD in words or len(found.refused) >= NAMED_A_WRITE):
                number = max(exc.dropped or 0, 1)
                found.refused.append((f"({number} of {len(some)} lines)", words))
                found.missing += number
            else:
                half = len(some) // 2
                if exc.kind is Kind.SIZE:
                    found.most = min(found.most, half)
                waiting += [some[half:], some[:half]]
    if found.refused and not about_lines:
        # Not one line was taken, and nothing was said of lines: to leave them all out would lose what may yet be taken.
        raise WriteError(f"it refuses every line: {found.refused[-1][1]}", Kind.SETTINGS)
    return found

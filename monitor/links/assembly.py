"""Puts readings together whose channels come in messages of their own.

A reading is whole when every channel that the forms can bring for its fan is there, or when `assemble_seconds` have
passed since its first part. Readings of one fan go on in the order of their times: a whole one waits for those before
it. What is held is acknowledged with the reading it became part of, not before.

The outcome depends on the messages and their times of receipt. Only the end of a wait in which nothing comes is
measured by a clock that nobody can put back.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from monitor.links.forms import Forms, Part, table_of
from monitor.links.message import Message

MOST_HELD: Final = 20_000
"""Readings in the making; beyond, the oldest go on as they are."""
TWO_FOR_ONE_TIME: Final = "two messages for one time"

Fan = tuple[str, str]


@dataclass
class _Group:
    """A reading in the making."""

    t: Any
    values: dict[str, Any]
    parts: list[Message]
    opened: float
    """By the steady clock."""
    received_ms: float
    """Of its first part."""
    seconds: float
    """How long it is waited for."""
    closed: bool = False
    """Nothing more belongs to it."""


class Assembly:
    """Used by the one who takes messages from the inbox."""

    def __init__(self, forms: Forms, steady: Callable[[], float] = time.monotonic) -> None:
        self._forms = forms
        self._steady = steady
        self._open: dict[Fan, dict[float, _Group]] = {}
        """By fan and time [ms]; a reading without a time stands under the time of receipt of its first part."""
        self._timeless: dict[Fan, float] = {}
        """Key of a fan's reading without a time that is in the making."""
        self._channels: dict[Fan, frozenset[str]] = {}
        self._held = 0

    def pass_on(self, messages: Iterable[Message], all_seen: bool) -> list[Message]:
        """Messages in our own form; parts of readings stay here until their reading is whole.

        Parameters
        ----------
        all_seen : nothing that has arrived waits to be looked at; only then can a wait be over without a message
        """
        out: list[Message] = []
        for message in messages:
            try:
                read = self._forms.read(message)
            except Exception as exc:  # it must neither vanish nor stop all others
                fault = ("a fault of the monitor", f"please report it with this payload ({type(exc).__name__}: {exc})")
                read = [self._forms.made("", "", (), (message,), (fault,))]
            if isinstance(read, Part):
                self._add(read, out)
            else:
                out.extend(read)
        if self._open and (all_seen or self._held > MOST_HELD):
            self._overdue(out)
        return out

    def give_up(self) -> list[Message]:
        """The connection ended: all that is held, to be sent again or looked at anew."""
        held = [part for groups in self._open.values() for group in groups.values() for part in group.parts]
        self._open.clear()
        self._timeless.clear()
        self._held = 0
        return held

    # ------------------------------------------------------------------ one part

    def _add(self, part: Part, out: list[Message]) -> None:
        fan, now_ms = (part.site, part.fan), part.message.received_ms
        for group in self._open.get(fan, {}).values():
            group.closed = group.closed or now_ms - group.received_ms > 1000.0 * group.seconds
        self._ready(fan, out)
        groups = self._open.setdefault(fan, {})
        if part.t_ms is not None:
            key, found = part.t_ms, groups.get(part.t_ms)
        else:
            key = self._timeless.get(fan, math.nan)
            found = groups.get(key)
            if found is not None and (found.closed or found.values.keys() & part.values.keys()):
                found.closed, found = True, None  # its turn is over: the next reading begins
                self._ready(fan, out)
                groups = self._open.setdefault(fan, {})
        if found is None:
            if part.t_ms is None:
                key = math.floor(now_ms) + 0.5  # between those that have a time, which are whole
                while key in groups:
                    key += 2.0**-10
                self._timeless[fan] = key
            found = groups[key] = _Group(part.t, {}, [], self._steady(), now_ms, part.form.assemble_seconds)
            self._held += 1
        why = _does_not_fit(found, part)
        if why is not None:
            out.append(self._forms.made(*fan, (), (part.message,), ((TWO_FOR_ONE_TIME, why),)))
            return
        found.values.update(part.values)
        found.parts.append(part.message)
        found.closed = found.closed or found.values.keys() >= self._whole(fan)
        self._ready(fan, out)

    def _whole(self, fan: Fan) -> frozenset[str]:
        known = self._channels.get(fan)
        if known is None:
            if len(self._channels) > MOST_HELD:
                self._channels.clear()
            known = self._channels[fan] = self._forms.channels_of(*fan)
        return known

    # ------------------------------------------------------------------ what goes on

    def _ready(self, fan: Fan, out: list[Message]) -> None:
        """A fan's readings from the oldest on, as far as nothing more belongs to them."""
        groups = self._open.get(fan, {})
        for key in sorted(groups):
            group = groups[key]
            if not group.closed:
                return
            self._remove(fan, key)
            out.append(self._forms.made(*fan, [table_of(group.t, group.values)], tuple(group.parts)))

    def _overdue(self, out: list[Message]) -> None:
        now = self._steady()
        too_many = self._held - MOST_HELD
        for fan, groups in list(self._open.items()):
            for group in groups.values():
                if now - group.opened > group.seconds or too_many > 0:
                    group.closed = True
                    too_many -= 1
            self._ready(fan, out)

    def _remove(self, fan: Fan, key: float) -> None:
        groups = self._open[fan]
        del groups[key]
        self._held -= 1
        if self._timeless.get(fan) == key:
            del self._timeless[fan]
        if not groups:
            del self._open[fan]


def _does_not_fit(group: _Group, part: Part) -> str | None:
    """Why a part cannot be taken into a reading of its time; None when it can, also when it says the same again."""
    odd = [name for name, value in part.values.items() if group.values.get(name, value) != value]
    if odd:
        return f"{', '.join(odd)}: another value of the same time came before; the first stands"
    if group.closed and part.values.keys() - group.values.keys():
        return f"it came more than {group.seconds:g} s after the first part of its reading: raise assemble_seconds"
    return None


def parts_of(messages: Sequence[Message]) -> Iterator[Message]:
    """What arrived, of messages that may be made of several."""
    for message in messages:
        yield from message.parts or (message,)

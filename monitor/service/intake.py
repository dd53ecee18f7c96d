"""From messages to columns: whose reading it is, whether it is new, late or a repeat, the volts it is judged with, and
its amps as the clamps' corrections make them.

Nothing here decides anything about a fan. What cannot be taken is handed on with its reason; nothing disappears.

The outcome does not depend on how messages happen to be cut into batches, as long as each point's readings come in the
order of their times. Where they do not, readings of one batch are sorted by point and time, and the first of two for
the same time stands.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.links.mqtt import Message
from monitor.links.payload import Decoded, decode_many
from monitor.service.clocks import Clocks
from monitor.service.joining import AIR_FROM_POINT, VOLTS_FROM_SUPPLY, Joining, Window
from monitor.service.plant import Plant, Point
from monitor.settings import NAME

__all__ = [
    "AIR_FROM_POINT",
    "LATE",
    "TIME_OF_RECEIPT",
    "VOLTS_FROM_SUPPLY",
    "Intake",
    "Refused",
    "Rows",
    "Taken",
    "stretches",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

LATE, TIME_OF_RECEIPT = 1, 4
"""Bits of a stored reading's flags."""

LEAST_PERIOD_MS = 1_000.0
"""A logger whose period is not known yet is taken to send no faster than this: a heap must not teach it otherwise."""
CLOCK_PUT_BACK_MS = 3_600_000.0
"""Of a clock that was put back by more, times counted from receipt are believed; less is a heap."""
TIMES_KEPT = 1_024
"""Times of stored readings kept in memory for each point, at most twice as many; older ones are looked up."""
TWO_FOR_ONE_TIME = "two messages for one time"

Known = Callable[[int, Floats], NDArray[np.bool_]]


@dataclass(frozen=True)
class Refused:
    """A message or a reading that was not taken."""

    at_ms: float
    topic: str
    site: str
    name: str
    reason: str
    detail: str
    payload: bytes
    count: int = 1
    """How many readings this one stands for."""


@dataclass(frozen=True)
class Newcomer:
    """A reading of a fan that nobody registered."""

    site: str
    name: str
    at_ms: float
    readings: int
    last: dict[str, object]


@dataclass
class Rows:
    """Readings ready to be stored, in the order in which they are fed; shape (n,) or (n, 3)."""

    point: Ints
    t_ms: Floats
    amps: Floats
    volts: Floats
    ambient_c: Floats
    called: Floats
    flags: NDArray[np.int16]
    received_ms: Floats

    def __len__(self) -> int:
        return len(self.t_ms)

    def pick(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> Rows:
        return Rows(
            self.point[which], self.t_ms[which], self.amps[which], self.volts[which], self.ambient_c[which],
            self.called[which], self.flags[which], self.received_ms[which],
        )  # fmt: skip


@dataclass
class Taken:
    """What became of a batch of messages."""

    fed: Rows
    """Newer than their point's newest, sorted by point and time."""
    limits: Ints
    """Row of limits in force for each fed reading; -1 for what is not a fan's."""
    late: Rows
    """Not newer, not stored yet: stored, but not judged live."""
    late_limits: Ints
    """Row of limits that was true in the field at each of them; -1 for what is not a fan's."""
    refused: list[Refused] = field(default_factory=list)
    newcomers: list[Newcomer] = field(default_factory=list)
    repeats: dict[int, int] = field(default_factory=dict)
    """Point row -> readings that came again."""
    unknown_keys: dict[int, int] = field(default_factory=dict)
    """Point row -> keys that were left alone."""
    statuses: list[tuple[Point, str, float]] = field(default_factory=list)
    """Loggers' own word (point, "online" or "offline", time of receipt)."""


class Intake:
    """Turns messages into rows; remembers what was heard lately."""

    def __init__(self, plant: Plant, known: Known, window: Window) -> None:
        """
        Parameters
        ----------
        known : (point_id, times) -> which of them are stored already (asked only for what is older than memory)
        window : (point_id, from, to) -> stored readings of a supply or weather point, see `Joining`
        """
        self._plant = plant
        self._known = known
        self.joining = Joining(plant, window)
        self.clocks = Clocks()
        """How far loggers' clocks are off; asked by row of the plant."""
        self._newest: dict[int, tuple[float, bytes]] = {}
        """Row -> time and content of the newest reading as it came."""

    def stored(self) -> None:
        """Everything that was taken is in the database now: the oldest may be forgotten."""
        self.joining.stored()
        for point in self._plant.points:
            if len(point.times) > 2 * TIMES_KEPT:
                over = len(point.times) - TIMES_KEPT
                point.complete_after = point.times[over - 1]
                del point.times[:over]

    def strangers(self, messages: Sequence[Message]) -> bool:
        """Whether one of them is of a point that is not known, or known no longer."""
        found = (self._plant.by_name.get(_where(message.topic)[:2]) for message in messages)
        return any(point is None or point.removed for point in found)

    def refuse_all(self, messages: Sequence[Message], reason: str, detail: str) -> Taken:
        """All of them refused for one reason."""
        refused = [_refused(one, *_where(one.topic)[:2], reason, detail) for one in messages]
        return Taken(_no_rows(), np.empty(0, np.int32), _no_rows(), np.empty(0, np.int32), refused)

    def take(self, messages: Sequence[Message]) -> Taken:
        """What becomes of these messages; the plant's newest times move on.

        Raises
        ------
        LinkError : the database does not answer; nothing was taken, the same messages can be given again
        """
        refused: list[Refused] = []
        statuses: list[tuple[Point, str, float]] = []
        readings: list[Message] = []
        owners: list[Point | None] = []
        names: list[tuple[str, str]] = []
        by_name = self._plant.by_name
        for message in messages:
            site, name, kind = _where(message.topic)
            point = by_name.get((site, name))
            if point is not None and point.removed:
                point = None
            why = None if point is not None else _unusable(site, name)
            if message.faults:  # another logger's message of which not all could be read
                refused += _faults(message, *((site, name) if why is None else ("", "")))
                if not message.payload:
                    continue
            if why is not None:
                refused.append(_refused(message, site[:64], name[:64], "unusable name", why))
            elif kind == "readings":
                readings.append(message)
                owners.append(point)
                names.append((site, name))
            elif point is None:
                refused.append(_refused(message, site, name, "unknown fan", "a logger's status, of no fan registered"))
            else:
                word = message.payload.strip()[:16].decode("utf-8", "replace")
                if word in ("online", "offline"):
                    statuses.append((point, word, message.received_ms))
                else:
                    why = "a logger's status is online or offline"
                    refused.append(_refused(message, site, name, "wrong status", why))
        decoded = decode_many([(message.payload, message.received_ms) for message in readings])
        for reject in decoded.rejects:
            refused.append(_refused(readings[reject.message], *names[reject.message], reject.reason, reject.detail))
        row_of = np.array([-1 if point is None else point.row for point in owners], np.int32)
        received = np.array([message.received_ms for message in readings], np.float64)
        taken = self._sort_out(decoded, readings, names, row_of, received, refused)
        taken.statuses = statuses
        return taken

    def _sort_out(
        self, decoded: Decoded, messages: Sequence[Message], names: Sequence[tuple[str, str]],
        row_of: Ints, received_of: Floats, refused: list[Refused],
    ) -> Taken:  # fmt: skip
        def refuse(item: int, reason: str, detail: str, count: int = 1) -> None:
            number = int(decoded.message[item])
            refused.append(_refused(messages[number], *names[number], reason, detail, count))

        taken = Taken(_no_rows(), np.empty(0, np.int32), _no_rows(), np.empty(0, np.int32), refused)
        for number, count in decoded.unknown_keys.items():
            row = int(row_of[number])
            if row >= 0:
                taken.unknown_keys[row] = taken.unknown_keys.get(row, 0) + count
        items = len(decoded.t_ms)
        if not items:
            return taken
        point = row_of[decoded.message]
        received = received_of[decoded.message]
        keep = point >= 0
        if not keep.all():
            self._newcomers(decoded, messages, names, np.flatnonzero(~keep), taken, refuse)
        keep &= self._right_kind(decoded, point, keep, refuse)
        t_ms = decoded.t_ms.copy()
        flags = np.zeros(items, np.int16)
        timeless = np.isnan(t_ms)
        if timeless.any() or decoded.from_receipt.any():
            t_ms[timeless] = received[timeless]
            timeless |= decoded.from_receipt
            flags[timeless] |= TIME_OF_RECEIPT
            keep &= self._not_in_a_heap(point, t_ms, timeless, keep, messages, decoded, refuse)

        order = np.flatnonzero(keep)  # order of arrival
        # All questions to the database come first: when it does not answer, nothing has changed yet.
        newer = np.zeros(items, bool)
        newer[order] = t_ms[order] > self._plant.newest_ms[point[order]]
        known = self._stored_already(order[~newer[order]], point, t_ms)
        self.joining.fetch(order, point, t_ms)

        volts, ambient = decoded.volts.copy(), decoded.ambient_c.copy()
        self.joining.join(order, point, t_ms, known, volts, ambient, flags)
        order = order[np.lexsort((t_ms[order], point[order]))]  # stable: order of arrival within the same time
        first = np.ones(len(order), bool)
        first[1:] = (np.diff(point[order]) != 0) | (np.diff(t_ms[order]) != 0)
        fed = order[first & newer[order]]
        late = order[first & ~newer[order] & ~known[order]]
        flags[late] |= LATE
        content = np.column_stack([decoded.amps, decoded.volts, decoded.ambient_c, decoded.called])
        self._repeats(order, first, known, point, t_ms, content, taken, refuse)

        def rows(which: NDArray[np.intp]) -> Rows:
            return Rows(
                point[which], t_ms[which], decoded.amps[which], volts[which], ambient[which], decoded.called[which],
                flags[which], received[which],
            )  # fmt: skip

        taken.fed, taken.late = rows(fed), rows(late)
        taken.limits = self._plant.limits_at(taken.fed.point, taken.fed.t_ms)  # before newer versions take over
        taken.late_limits = self._plant.field_limits_at(taken.late.point, taken.late.t_ms)
        # Before judgement and storage; what is compared with later messages (`content`) stays as it was sent.
        taken.fed.amps = self._plant.corrected(taken.fed.amps, taken.limits)
        taken.late.amps = self._plant.corrected(taken.late.amps, taken.late_limits)
        self._move_on(taken, content[fed])
        return taken

    def _stored_already(self, old: NDArray[np.intp], point: Ints, t_ms: Floats) -> NDArray[np.bool_]:
        """Which items are stored; those given are the ones that are not newer than their point's newest."""
        known = np.zeros(len(t_ms), bool)
        for row in np.unique(point[old]).tolist():
            owner = self._plant.points[row]
            mine = old[point[old] == row]
            known[mine] = np.isin(t_ms[mine], np.frombuffer(owner.times, np.float64))
            ask = mine[~known[mine] & (t_ms[mine] <= owner.complete_after)]
            if len(ask):
                known[ask] = self._known(owner.point_id, t_ms[ask])
        return known

    def _newcomers(
        self, decoded: Decoded, messages: Sequence[Message], names: Sequence[tuple[str, str]],
        strangers: NDArray[np.intp], taken: Taken, refuse: Callable[..., None],
    ) -> None:  # fmt: skip
        newest: dict[tuple[str, str], tuple[int, int]] = {}
        for item in strangers.tolist():
            key = names[int(decoded.message[item])]
            newest[key] = item, newest.get(key, (0, 0))[1] + 1
        for (site, name), (item, count) in newest.items():
            t_ms = float(decoded.t_ms[item])
            last: dict[str, object] = {
                "t_ms": None if math.isnan(t_ms) else t_ms,
                "amps": _numbers(decoded.amps[item]),
                "volts": _numbers(decoded.volts[item]),
                "ambient_c": next(iter(_numbers(decoded.ambient_c[item : item + 1])), None),
            }
            heard_ms = messages[int(decoded.message[item])].received_ms
            taken.newcomers.append(Newcomer(site, name, heard_ms, count, last))
            refuse(item, "unknown fan", "register it: it stands on the Loggers page", count)

    def _right_kind(
        self, decoded: Decoded, point: Ints, keep: NDArray[np.bool_], refuse: Callable[..., None]
    ) -> NDArray[np.bool_]:
        """Refuses readings that do not fit what the register says of the point."""
        points = self._plant.points
        phases = np.zeros(len(point), np.int8)
        phases[keep] = self._plant.legs_of[point[keep]]
        fits = phases == decoded.legs
        for item in np.flatnonzero(keep & ~fits):
            owner = points[int(point[item])]
            legs = int(decoded.legs[item])
            if owner.kind != "fan":
                refuse(int(item), "amps for a point that is not a fan", f"{owner.name} is a {owner.kind} point")
            elif legs == 0:
                refuse(int(item), "no amps for a fan", f"{owner.name} is registered as a fan: its readings carry amps")
            else:
                wanted = int(phases[item])
                refuse(
                    int(item), "wrong number of legs", f"{owner.name} is registered with {wanted} leg(s), {legs} came"
                )
        return np.asarray(fits)

    def _not_in_a_heap(
        self, point: Ints, t_ms: Floats, timeless: NDArray[np.bool_], keep: NDArray[np.bool_],
        messages: Sequence[Message], decoded: Decoded, refuse: Callable[..., None],
    ) -> NDArray[np.bool_]:  # fmt: skip
        """Readings without a time of their own that come in a heap have lost their time: only the first is taken.

        So have those whose times were counted back from receipt and that reach back behind what was there before.
        """
        good = np.ones(len(t_ms), bool)
        last: dict[int, float] = {}
        for item in np.flatnonzero(timeless & keep):
            row = int(point[item])
            before = last.get(row, float(self._plant.newest_ms[row]))
            period = self._plant.period_ms_of(self._plant.points[row])
            period = LEAST_PERIOD_MS if math.isnan(period) else period
            retained = messages[int(decoded.message[item])].retain
            if retained:
                good[item] = False
                refuse(int(item), "retained, no time", "a retained message is old news; its age is not known")
            elif (
                abs(t_ms[item] - before) < period / 2  # a clock that was put back makes no heap
                or (decoded.from_receipt[item] and -CLOCK_PUT_BACK_MS < t_ms[item] - before < 0.0)
            ):
                good[item] = False
                why = f"less than {period / 2000:g} s after the one before; have the logger send its own time"
                refuse(int(item), "no time, in a heap", why)
            else:
                last[row] = float(t_ms[item])
        return good

    def _repeats(
        self, order: NDArray[np.intp], first: NDArray[np.bool_], known: NDArray[np.bool_], point: Ints, t_ms: Floats,
        content: Floats, taken: Taken, refuse: Callable[..., None],
    ) -> None:  # fmt: skip
        """What came again is counted; a second reading of the same time that says something else is refused."""
        leader = order[np.maximum.accumulate(np.where(first, np.arange(len(order)), 0))]
        for place in np.flatnonzero(~first | known[order]).tolist():
            item = int(order[place])
            row = int(point[item])
            newest_ms, newest = self._newest.get(row, (math.nan, b""))
            if t_ms[item] == newest_ms:
                same = content[item].tobytes() == newest
            else:
                same = bool(first[place]) or content[item].tobytes() == content[leader[place]].tobytes()
            if same:
                taken.repeats[row] = taken.repeats.get(row, 0) + 1
            else:
                why = "another one of the same millisecond came before; the first stands"
                refuse(item, TWO_FOR_ONE_TIME, f"{why}. If each carries a part: assemble_seconds of an intake form")

    def _move_on(self, taken: Taken, content: Floats) -> None:
        """The plant's newest times and what is known of each point's recent readings."""
        plant = self._plant
        for start, stop in stretches(taken.fed.point):
            row = int(taken.fed.point[start])
            point = plant.points[row]
            times = taken.fed.t_ms[start:stop]
            point.times.frombytes(times.tobytes())
            plant.newest_ms[row] = times[-1]
            plant.heard_ms[row] = taken.fed.received_ms[start:stop].max()
            self._newest[row] = float(times[-1]), content[stop - 1].tobytes()
            if not taken.fed.flags[stop - 1] & TIME_OF_RECEIPT:
                self.clocks.heard(row, float(times[-1]), float(taken.fed.received_ms[stop - 1]))
            if times[-1] >= plant.next_version_ms[row]:
                plant.settle_version(point)
        for start, stop in stretches(taken.late.point):
            row = int(taken.late.point[start])
            point = plant.points[row]
            times = np.sort(np.concatenate([np.frombuffer(point.times, np.float64), taken.late.t_ms[start:stop]]))
            point.times = array("d", times.tobytes())
            plant.heard_ms[row] = max(taken.late.received_ms[start:stop].max(), _fed_heard(taken.fed, row))


def merged(parts: Sequence[Taken]) -> Taken:
    """Several batches taken one after the other, as one. Within a point their readings are in order of time."""
    fed, limits = _together([part.fed for part in parts]), np.concatenate([part.limits for part in parts])
    late = _together([part.late for part in parts])
    by_point, late_by_point = np.argsort(fed.point, kind="stable"), np.argsort(late.point, kind="stable")
    late_limits = np.concatenate([part.late_limits for part in parts])[late_by_point]
    whole = Taken(fed.pick(by_point), limits[by_point], late.pick(late_by_point), late_limits)
    for part in parts:
        whole.refused += part.refused
        whole.newcomers += part.newcomers
        whole.statuses += part.statuses
        for row, number in part.repeats.items():
            whole.repeats[row] = whole.repeats.get(row, 0) + number
        for row, number in part.unknown_keys.items():
            whole.unknown_keys[row] = whole.unknown_keys.get(row, 0) + number
    return whole


def _together(parts: Sequence[Rows]) -> Rows:
    names = Rows.__dataclass_fields__
    return Rows(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def _fed_heard(fed: Rows, row: int) -> float:
    return float(fed.received_ms[fed.point == row].max(initial=-math.inf))


def stretches(rows: Ints) -> list[tuple[int, int]]:
    """Start and stop of each stretch of equal numbers: the readings of one point, where they are sorted by point."""
    starts = np.flatnonzero(np.append(True, rows[1:] != rows[:-1])).tolist() if len(rows) else []
    return list(zip(starts, [*starts[1:], len(rows)], strict=True)) if starts else []


def _refused(message: Message, site: str, name: str, reason: str, detail: str, count: int = 1) -> Refused:
    came = message.parts or (message,)  # what a logger's owner can recognise
    payload = came[0].payload if len(came) == 1 else b" | ".join(one.payload for one in came[:8])
    return Refused(message.received_ms, came[0].topic, site, name, reason, detail, payload, count)


def _faults(message: Message, site: str, name: str) -> list[Refused]:
    """What could not be made a reading of when another logger's message was read."""
    return [_refused(message, site, name, reason, detail) for reason, detail in message.faults]


def _unusable(site: str, name: str) -> str | None:
    """Why nothing can ever be registered under this topic; None when it can."""
    for text, what in ((site, "site"), (name, "fan")):
        if not NAME.fullmatch(text):
            shown = text if len(text) <= 64 else text[:61] + "..."
            return f'"{shown}" cannot be the name of a {what}: small letters, digits, dashes and dots, at most 64'
    return None


def _where(topic: str) -> tuple[str, str, str]:
    """Site, point and kind of a topic: its last three levels."""
    parts = topic.rsplit("/", 3)
    return (parts[-3], parts[-2], parts[-1]) if len(parts) >= 3 else ("", "", topic)


def _numbers(values: Floats) -> list[float]:
    return [float(value) for value in values if not math.isnan(value)]


def _no_rows() -> Rows:
    none, three = np.empty(0), np.empty((0, 3))
    return Rows(np.empty(0, np.int32), none, three, three, none, none, np.empty(0, np.int16), none)

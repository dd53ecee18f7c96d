"""From messages to columns: whose reading it is, whether it is new, late or a repeat, and the volts it is judged with.

Nothing here decides anything about a fan. What cannot be taken is handed on with its reason; nothing disappears.

Two rules make the outcome independent of how messages happen to be cut into batches:

* a fan's volts come from the supply point's newest reading at or before the fan's own time, among those that *arrived*
  before the fan's message;
* within a batch readings are sorted by point and time, and the first of two for the same time stands.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.links.mqtt import Message
from monitor.links.payload import Decoded, decode_many
from monitor.service.plant import Plant, Point

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

LATE, VOLTS_FROM_SUPPLY, TIME_OF_RECEIPT, AIR_FROM_POINT = 1, 2, 4, 8
"""Bits of a stored reading's flags."""

PERIODS_STANDING = 3.0
"""A supply point's reading stands for so many of its periods."""
UNKNOWN_PERIOD_MS = 60_000.0
AIR_STANDS_MS = 3 * 3_600_000.0
"""Air changes slowly: a weather point's reading stands for three hours."""
HISTORY = 4_096
"""Readings of a supply or weather point kept in memory for joining."""

Known = Callable[[int, Floats], NDArray[np.bool_]]
Earlier = Callable[[int, float], "tuple[float, tuple[float, float, float], float] | None"]


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
    late: Rows
    """Not newer, not stored yet: stored, but not judged live."""
    refused: list[Refused] = field(default_factory=list)
    newcomers: list[Newcomer] = field(default_factory=list)
    repeats: dict[int, int] = field(default_factory=dict)
    """Point row -> readings that came again."""
    unknown_keys: dict[int, int] = field(default_factory=dict)
    """Point row -> keys that were left alone."""
    statuses: list[tuple[Point, str, float]] = field(default_factory=list)
    """Loggers' own word (point, "online" or "offline", time of receipt)."""


class _History:
    """Newest readings of a supply or weather point, in order of time."""

    def __init__(self) -> None:
        self.t_ms: list[float] = []
        self.values: list[tuple[float, float, float]] = []

    def add(self, t_ms: float, values: tuple[float, float, float]) -> None:
        place = bisect.bisect_right(self.t_ms, t_ms)
        self.t_ms.insert(place, t_ms)
        self.values.insert(place, values)
        if len(self.t_ms) > 2 * HISTORY:
            del self.t_ms[:HISTORY], self.values[:HISTORY]


class Intake:
    """Turns messages into rows; remembers what joining needs."""

    def __init__(self, plant: Plant, known: Known, earlier: Earlier) -> None:
        """
        Parameters
        ----------
        known : (point_id, times) -> which of them are stored already (asked only for late readings older than memory)
        earlier : (point_id, t_ms) -> (time, values, ambient) of the stored reading at or before t, or None
        """
        self._plant = plant
        self._known = known
        self._earlier = earlier
        self._volts: dict[int, _History] = {}
        self._air: dict[int, _History] = {}

    def remember(self, point: Point, t_ms: float, volts: tuple[float, float, float], ambient_c: float) -> None:
        """A stored reading of a supply or weather point, told at start."""
        self._remember(point.row, t_ms, volts, ambient_c)

    def refuse_all(self, messages: Sequence[Message], reason: str, detail: str) -> Taken:
        """All of them refused for one reason."""
        refused = [
            Refused(one.received_ms, one.topic, *_where(one.topic)[:2], reason, detail, one.payload) for one in messages
        ]
        return Taken(_no_rows(), _no_rows(), refused)

    def take(self, messages: Sequence[Message]) -> Taken:
        """What becomes of these messages; the plant's newest times move on."""
        refused: list[Refused] = []
        statuses: list[tuple[Point, str, float]] = []
        readings: list[Message] = []
        owners: list[Point | None] = []
        names: list[tuple[str, str]] = []
        for message in messages:
            site, name, kind = _where(message.topic)
            point = self._plant.by_name.get((site, name))
            if kind == "readings":
                readings.append(message)
                owners.append(point)
                names.append((site, name))
            elif point is not None:
                word = message.payload.strip()[:16].decode("utf-8", "replace")
                if word in ("online", "offline"):
                    statuses.append((point, word, message.received_ms))
                else:
                    detail = "a logger's status is online or offline"
                    refused.append(
                        Refused(message.received_ms, message.topic, site, name, "wrong status", detail, message.payload)
                    )
        decoded = decode_many([(message.payload, message.received_ms) for message in readings])
        for reject in decoded.rejects:
            message = readings[reject.message]
            site, name = names[reject.message]
            refused.append(
                Refused(message.received_ms, message.topic, site, name, reject.reason, reject.detail, message.payload)
            )
        row_of = np.array([-1 if point is None or point.removed else point.row for point in owners], np.int32)
        received = np.array([message.received_ms for message in readings], np.float64)
        taken = self._sort_out(decoded, readings, names, row_of, received, refused)
        taken.statuses = statuses
        return taken

    def _sort_out(
        self, decoded: Decoded, messages: Sequence[Message], names: Sequence[tuple[str, str]],
        row_of: Ints, received_of: Floats, refused: list[Refused],
    ) -> Taken:  # fmt: skip
        def refuse(item: int, reason: str, detail: str) -> None:
            number = int(decoded.message[item])
            message = messages[number]
            site, name = names[number]
            refused.append(Refused(message.received_ms, message.topic, site, name, reason, detail, message.payload))

        taken = Taken(_no_rows(), _no_rows(), refused)
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
        if timeless.any():
            t_ms[timeless] = received[timeless]
            flags[timeless] |= TIME_OF_RECEIPT
            keep &= self._not_in_a_heap(point, t_ms, timeless, keep, messages, decoded, refuse)

        order = np.flatnonzero(keep)  # arrival order
        volts, ambient = decoded.volts.copy(), decoded.ambient_c.copy()
        self._join(order, point, t_ms, volts, ambient, flags)
        order = order[np.lexsort((t_ms[order], point[order]))]  # stable: arrival order within the same time
        rows = Rows(
            point[order], t_ms[order], decoded.amps[order], volts[order], ambient[order], decoded.called[order],
            flags[order], received[order],
        )  # fmt: skip
        first = np.ones(len(rows), bool)
        first[1:] = (rows.point[1:] != rows.point[:-1]) | (rows.t_ms[1:] != rows.t_ms[:-1])
        newer = rows.t_ms > self._plant.newest_ms[rows.point]
        stands = first & newer
        for place in np.flatnonzero(~stands):
            self._late(int(place), order, rows, first, taken, refuse)
        taken.fed = rows.pick(stands)
        late = [place for place in np.flatnonzero(~stands) if rows.flags[place] & LATE]
        taken.late = rows.pick(np.array(late, np.intp))
        self._move_on(taken)
        return taken

    def _newcomers(
        self, decoded: Decoded, messages: Sequence[Message], names: Sequence[tuple[str, str]],
        strangers: NDArray[np.intp], taken: Taken, refuse: Callable[[int, str, str], None],
    ) -> None:  # fmt: skip
        newest: dict[tuple[str, str], Newcomer] = {}
        for item in strangers:
            number = int(decoded.message[item])
            key = names[number]
            before = newest.get(key)
            t_ms = float(decoded.t_ms[item])
            last: dict[str, object] = {
                "t_ms": None if math.isnan(t_ms) else t_ms,
                "amps": _numbers(decoded.amps[item]),
                "volts": _numbers(decoded.volts[item]),
                "ambient_c": next(iter(_numbers(decoded.ambient_c[item : item + 1])), None),
            }
            count = 1 if before is None else before.readings + 1
            newest[key] = Newcomer(*key, messages[number].received_ms, count, last)
            if before is None:
                refuse(int(item), "unknown fan", "register it: it stands on the Loggers page")
        taken.newcomers = list(newest.values())

    def _right_kind(
        self, decoded: Decoded, point: Ints, keep: NDArray[np.bool_], refuse: Callable[[int, str, str], None]
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
        messages: Sequence[Message], decoded: Decoded, refuse: Callable[[int, str, str], None],
    ) -> NDArray[np.bool_]:  # fmt: skip
        """Readings without a time of their own that come in a heap have lost their time: only the first is taken."""
        good = np.ones(len(t_ms), bool)
        last: dict[int, float] = {}
        for item in np.flatnonzero(timeless & keep):
            row = int(point[item])
            before = last.get(row, float(self._plant.newest_ms[row]))
            period = self._plant.period_ms_of(self._plant.points[row])
            retained = messages[int(decoded.message[item])].retain
            if retained:
                good[item] = False
                refuse(int(item), "retained, no time", "a retained message is old news; its age is not known")
            elif not math.isnan(period) and t_ms[item] - before < period / 2:
                good[item] = False
                refuse(int(item), "no time, in a heap", f"closer than half the period of {period / 1000:g} s")
            else:
                last[row] = float(t_ms[item])
        return good

    def _join(
        self,
        order: NDArray[np.intp],
        point: Ints,
        t_ms: Floats,
        volts: Floats,
        ambient: Floats,
        flags: NDArray[np.int16],
    ) -> None:
        """Gives fans the volts and the air of their points, in arrival order."""
        points = self._plant.points
        kinds = {int(row): points[int(row)] for row in np.unique(point[order])} if len(order) else {}
        sources = {row for row, owner in kinds.items() if owner.kind != "fan"}
        wanting: dict[int, tuple[int | None, int | None]] = {}
        for row, owner in kinds.items():
            if owner.kind == "fan" and owner.nameplate is not None:
                fan = owner.nameplate.fan
                supply = self._plant.by_name.get((owner.site, fan.supply)) if fan.supply else None
                air = self._plant.by_name.get((owner.site, fan.weather)) if fan.weather else None
                if supply or air:
                    wanting[row] = (supply.row if supply else None, air.row if air else None)
        if not sources and not wanting:
            return
        for item in order:
            row = int(point[item])
            if row in sources:
                if t_ms[item] > self._plant.newest_ms[row] or self._earliest(row) <= t_ms[item]:
                    v12, v23, v31 = (float(volt) for volt in volts[item])
                    self._remember(row, float(t_ms[item]), (v12, v23, v31), float(ambient[item]))
            elif row in wanting:
                supply_row, air_row = wanting[row]
                if supply_row is not None and np.isnan(volts[item]).all():
                    found = self._standing(self._volts, supply_row, float(t_ms[item]), self._stands_ms(supply_row))
                    if found is not None:
                        volts[item] = found
                        flags[item] |= VOLTS_FROM_SUPPLY
                if air_row is not None and math.isnan(ambient[item]):
                    found = self._standing(self._air, air_row, float(t_ms[item]), AIR_STANDS_MS)
                    if found is not None:
                        ambient[item] = found[0]
                        flags[item] |= AIR_FROM_POINT

    def _remember(self, row: int, t_ms: float, volts: tuple[float, float, float], ambient_c: float) -> None:
        if not all(math.isnan(volt) for volt in volts):
            self._volts.setdefault(row, _History()).add(t_ms, volts)
        if not math.isnan(ambient_c):
            self._air.setdefault(row, _History()).add(t_ms, (ambient_c, math.nan, math.nan))

    def _earliest(self, row: int) -> float:
        times = [history[row].t_ms[0] for history in (self._volts, self._air) if row in history]
        return min(times, default=math.inf)

    def _stands_ms(self, row: int) -> float:
        period = self._plant.period_ms_of(self._plant.points[row])
        return PERIODS_STANDING * (UNKNOWN_PERIOD_MS if math.isnan(period) else period)

    def _standing(
        self, histories: dict[int, _History], row: int, t_ms: float, stands_ms: float
    ) -> tuple[float, float, float] | None:
        """The point's newest values at or before a time, unless too old."""
        history = histories.get(row)
        place = bisect.bisect_right(history.t_ms, t_ms) - 1 if history is not None else -1
        if history is not None and place >= 0:
            return history.values[place] if t_ms - history.t_ms[place] <= stands_ms else None
        stored = self._earlier(self._plant.points[row].point_id, t_ms)
        if stored is None or t_ms - stored[0] > stands_ms:
            return None
        return stored[1] if histories is self._volts else (stored[2], math.nan, math.nan)

    def _late(
        self, place: int, order: NDArray[np.intp], rows: Rows, first: NDArray[np.bool_], taken: Taken,
        refuse: Callable[[int, str, str], None],
    ) -> None:  # fmt: skip
        """A reading not newer than its point's newest, or a second one for the same time."""
        row = int(rows.point[place])
        owner = self._plant.points[row]
        if not first[place]:
            same = _equal(rows.amps[place], rows.amps[place - 1]) and _equal(rows.volts[place], rows.volts[place - 1])
            if same:
                taken.repeats[row] = taken.repeats.get(row, 0) + 1
            else:
                refuse(
                    int(order[place]),
                    "two messages for one time",
                    "set assemble_seconds if the logger sends a message a channel",
                )
            return
        t_ms = float(rows.t_ms[place])
        known = owner.knows(t_ms)
        if not known and (not owner.times or t_ms < owner.times[0]):
            known = bool(self._known(owner.point_id, np.array([t_ms]))[0])
        if known:
            taken.repeats[row] = taken.repeats.get(row, 0) + 1
        else:
            rows.flags[place] |= LATE

    def _move_on(self, taken: Taken) -> None:
        """The plant's newest times and what is known of each point's recent readings."""
        plant = self._plant
        fed, late = taken.fed, taken.late
        if len(fed):
            starts = np.flatnonzero(np.append(True, fed.point[1:] != fed.point[:-1]))
            stops = np.append(starts[1:], len(fed))
            for start, stop in zip(starts, stops, strict=True):
                point = plant.points[int(fed.point[start])]
                times = fed.t_ms[start:stop]
                if point.kind != "fan" and math.isnan(point.period_ms):
                    for interval in np.diff(times, prepend=plant.newest_ms[point.row]):
                        if math.isfinite(interval):
                            point.learn(float(interval))
                point.times.frombytes(times.tobytes())
                plant.newest_ms[point.row] = times[-1]
                if times[-1] >= plant.next_version_ms[point.row]:
                    plant.settle_version(point)
                plant.heard_ms[point.row] = fed.received_ms[stop - 1]
        for place in range(len(late)):
            point = plant.points[int(late.point[place])]
            bisect.insort(point.times, float(late.t_ms[place]))
            plant.heard_ms[point.row] = late.received_ms[place]


def merged(parts: Sequence[Taken]) -> Taken:
    """Several batches taken one after the other, as one. Within a point their readings are in order of time."""
    fed = _together([part.fed for part in parts])
    whole = Taken(fed.pick(np.argsort(fed.point, kind="stable")), _together([part.late for part in parts]))
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


def _where(topic: str) -> tuple[str, str, str]:
    """Site, point and kind of a topic: its last three levels."""
    parts = topic.rsplit("/", 3)
    return parts[-3], parts[-2], parts[-1]


def _numbers(values: Floats) -> list[float]:
    return [float(value) for value in values if not math.isnan(value)]


def _equal(a: Floats, b: Floats) -> bool:
    return bool(np.array_equal(a, b, equal_nan=True))


def _no_rows() -> Rows:
    none, three = np.empty(0), np.empty((0, 3))
    return Rows(np.empty(0, np.int32), none, three, three, none, none, np.empty(0, np.int16), none)

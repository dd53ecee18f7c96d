"""Loggers: from what is true to what arrives, and when.

A clamp reads wrong by a gain and an offset of its own, constant for its life, and by a little noise. Readings are
sampled or averaged over the period. On the way some are lost, sent twice, or kept back in a radio gap and sent later.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulated.course import Courses
from simulated.scenario import Sends

Floats = NDArray[np.float64]
Columns = dict[str, Floats]

AMPS = ("l1_amps", "l2_amps", "l3_amps")
VOLTS = ("v12", "v23", "v31")


class Letter(NamedTuple):
    """One message on its way; ordered by the instant of sending, then by the farm's running number."""

    sent: float
    """s since the farm's start."""
    number: int
    topic: str
    payload: bytes
    taken: float
    """When its (last) reading was measured, s since the farm's start."""


def clamp_errors(
    sends: Sends, logger: dict[str, object], phases: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Gain and offset (A) of each clamp: given, or drawn evenly within the accuracy (2 % and 0.5 A if not stated)."""
    percent = float(str(logger.get("accuracy_percent", 2.0)))
    amps = float(str(logger.get("accuracy_amps", 0.5)))
    gain = 1.0 + rng.uniform(-1.0, 1.0, phases) * percent / 100.0
    offset = rng.uniform(-1.0, 1.0, phases) * amps
    if sends.gain is not None:
        gain = np.resize(np.array(sends.gain), phases)
    if sends.offset is not None:
        offset = np.resize(np.array(sends.offset), phases)
    return gain, offset


def read_clamps(true: Floats, gain: Floats, offset: Floats, noise: float, rng: np.random.Generator) -> Floats:
    """What clamps show for true amps (n, legs): never below zero, nothing at all where no current flows."""
    shown = true * gain + offset + noise * rng.standard_normal(true.shape)
    shown = np.where(true > 0.0, shown, np.abs(0.01 * rng.standard_normal(true.shape)))
    return np.asarray(np.round(np.maximum(shown, 0.0), 2), np.float64)


def stamps(origin: float, times: Floats) -> list[str]:
    """RFC 3339 texts of times (s after origin, which is s since 1970)."""
    whole = np.round((origin + times) * 1000.0).astype("int64")
    if bool(np.all(whole % 1000 == 0)):
        texts = np.datetime_as_string((whole // 1000).astype("datetime64[s]"))
    else:
        texts = np.datetime_as_string(whole.astype("datetime64[ms]"))
    return [f"{text}Z" for text in texts.tolist()]


def instant(origin: float, seconds: float) -> datetime:
    """The aware datetime of a time on the farm's clock, to the microsecond."""
    return datetime.fromtimestamp(round(origin + seconds, 6), UTC)


class Path:
    """The way of one logger's readings to the broker."""

    def __init__(self, sends: Sends, site: str, name: str, courses: Courses, rng: np.random.Generator) -> None:
        self.sends, self._site, self._name, self._courses, self._rng = sends, site, name, courses, rng
        self.topic = f"{site}/{name}/readings"
        self._gap_begin = self._gap_end = -1.0
        self._last_sent = 0.0
        self._held: list[tuple[float, float, str]] = []
        self._late_end = -1.0
        self._late_count = 0

    def taken(self, columns: Columns) -> Columns:
        """The readings that are taken at all, of columns with their times in `t`."""
        kept = ~self._courses.during(self._site, self._name, "silent", columns["t"])
        if self.sends.missing > 0.0:
            kept &= self._rng.random(kept.size) >= self.sends.missing
        return columns if bool(kept.all()) else {name: column[kept] for name, column in columns.items()}

    def spoil(self, values: Floats) -> None:
        """Put NaN where a channel gives nothing (in place)."""
        if self.sends.nulls > 0.0:
            values[self._rng.random(values.shape) < self.sends.nulls] = np.nan

    def _gaps(self, begin: float, end: float) -> list[tuple[float, float]]:
        """Radio gaps that touch a block."""
        gaps = [
            (c.begin, c.end)
            for c in self._courses.of(self._site, self._name, "radio gap")
            if c.begin < end and c.end > begin
        ]
        if self.sends.gaps_per_day > 0.0:
            if self._gap_end > begin:
                gaps.append((self._gap_begin, self._gap_end))
            for _ in range(self._rng.poisson(self.sends.gaps_per_day * (end - begin) / 86400.0)):
                at = float(self._rng.uniform(begin, end))
                length = float(self._rng.exponential(60.0 * self.sends.gap_minutes))
                gaps.append((at, at + length))
                if at + length > self._gap_end:
                    self._gap_begin, self._gap_end = at, at + length
        return gaps

    def post(self, begin: float, end: float, times: Floats, bodies: Sequence[str], number: int) -> list[Letter]:
        """Letters of a block's readings. times: when measured (s); bodies: JSON objects; number: of the first one."""
        s = self.sends
        n = times.size
        delays = (s.delay_seconds * self._rng.uniform(0.4, 1.6, n)).tolist()
        repeats = (self._rng.random(n) < s.repeats).tolist() if s.repeats > 0.0 else [False] * n
        gaps = self._gaps(begin, end)
        out: list[Letter] = []
        for t, body, delay, twice in zip(times.tolist(), bodies, delays, repeats, strict=True):
            sent = t + delay
            closed = -1.0
            for gap_begin, gap_end in gaps:
                if gap_begin <= sent < gap_end:
                    closed = max(closed, gap_end)
            if closed > 0.0:
                if s.backlog == "lost" or closed == float("inf"):
                    continue
                if s.backlog == "live first":
                    if closed != self._late_end:
                        self._late_end, self._late_count = closed, 0
                    self._late_count += 1
                    out.append(
                        Letter(closed + 20.0 + 0.25 * self._late_count, number + len(out), self.topic, body.encode(), t)
                    )
                    continue
                sent = closed + 0.5
            if s.pack > 1:
                self._held.append((sent, t, body))
                if len(self._held) < s.pack:
                    continue
                sent = max(item[0] for item in self._held)
                body = "[" + ",".join(item[2] for item in self._held) + "]"
                self._held.clear()
            sent = max(sent, self._last_sent + 0.02)
            self._last_sent = sent
            out.append(Letter(sent, number + len(out), self.topic, body.encode(), t))
            if twice:
                out.append(Letter(sent + 2.0 + delay, number + len(out), self.topic, body.encode(), t))
        return out


class FanLogger:
    """The logger of one fan."""

    def __init__(
        self,
        path: Path,
        *,
        phases: int,
        gain: Floats,
        offset: Floats,
        every: int,
        at: float,
        averaging: bool,
        courses: Courses,
        site: str,
        fan: str,
        rng: np.random.Generator,
    ) -> None:
        """every: steps in a period; at: instant of the reading within the last of them, s."""
        self.path, self.phases, self.gain, self.offset = path, phases, gain, offset
        self.every, self.at, self.averaging = every, at, averaging
        self._courses, self._site, self._fan, self._rng = courses, site, fan, rng
        self._volt_gain = 1.0 + 0.003 * rng.uniform(-1.0, 1.0, phases if phases == 3 else 1)
        self._stuck: Floats | None = None

    def columns(self, times: Floats, seen: Any, air_c: Floats, called: NDArray[np.int64]) -> Columns:
        """Readings of a block as columns: t (s since the farm's start), channels as measured, NaN for nothing usable.

        times: begin of each step (s); seen: (n,) records stepping.SEEN; air_c: degrees C; called: 0 or 1.
        """
        last = slice(self.every - 1, None, self.every)
        t = times[last] + self.at
        legs = 3 if self.phases == 3 else 1
        true = seen["amps"][last, :legs]
        if self.averaging:
            true = seen["mean_amps"][:, :legs].reshape(-1, self.every, legs).mean(axis=1)
        sends = self.path.sends
        shown = read_clamps(true, self.gain, self.offset, sends.noise_amps, self._rng)
        for course in self._courses.of(self._site, self._fan, "clamp off"):
            shown[(t >= course.begin) & (t < course.end), min((course.event.leg or 1) - 1, legs - 1)] = 0.0
        frozen = self._courses.during(self._site, self._fan, "frozen", t)
        if frozen.any():
            if self._stuck is None:
                self._stuck = shown[int(np.argmax(frozen))].copy()
            shown[frozen] = self._stuck
        else:
            self._stuck = None
        self.path.spoil(shown)
        shown[self._courses.during(self._site, self._fan, "no channel", t), legs - 1] = np.nan
        out: Columns = {"t": t}
        if sends.amps:
            out |= {AMPS[k]: shown[:, k] for k in range(legs)}
        if sends.volts:
            volts = seen["volts"][last, :legs] * self._volt_gain + 0.1 * self._rng.standard_normal((t.size, legs))
            volts = np.round(np.maximum(volts, 0.0), 1)
            self.path.spoil(volts)
            out |= {VOLTS[k]: volts[:, k] for k in range(legs)}
        if sends.ambient:
            out["ambient_c"] = np.round(air_c[last], 1)
        if sends.called:
            out["called"] = called[last].astype(np.float64)
        return self.path.taken(out)

    def bodies(self, columns: Columns, origin: float) -> list[str]:
        """JSON objects of the readings (the service's own payload form)."""
        t = columns["t"].copy()
        for course in self._courses.of(self._site, self._fan, "clock"):
            t[(columns["t"] >= course.begin) & (columns["t"] < course.end)] += course.event.by
        return bodies(columns, stamps(origin, t), self.path.sends)


def bodies(columns: Columns, times: list[str], sends: Sends) -> list[str]:
    """JSON objects `{"t", "amps", "volts", "ambient_c", "called"}` of columns."""
    parts: list[list[str]] = [[f'{{"t":"{text}"' for text in times]]
    hole = "NaN" if sends.null_as == "nan" else "null"
    for key, names in (("amps", AMPS), ("volts", VOLTS)):
        lists = [_texts(columns[name], hole) for name in names if name in columns]
        if lists:
            parts.append([f',"{key}":[{",".join(values)}]' for values in zip(*lists, strict=True)])
    if "ambient_c" in columns:
        parts.append([f',"ambient_c":{text}' for text in _texts(columns["ambient_c"], hole)])
    if "called" in columns:
        parts.append([f',"called":{int(value)}' for value in columns["called"].tolist()])
    return ["".join(pieces) + "}" for pieces in zip(*parts, strict=True)]


def _texts(column: Floats, hole: str) -> list[str]:
    return [repr(value) if value == value else hole for value in column.tolist()]

"""Reads a log of a clamp meter or power logger, however it is written, and tells how it was understood."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ConfigError
from monitor.review.files import bounds, cells, names, roles, scan, stamps
from monitor.review.files import dialect as dialects
from monitor.review.files.dialect import Dialect
from monitor.review.files.lines import DOUBLED, PREAMBLE, Lines
from monitor.review.files.roles import SLOTS, Chosen
from monitor.review.files.source import Source
from monitor.review.files.stamps import StampForm
from monitor.review.files.zone import to_utc, zone_of
from monitor.review.log import Log

Progress = Callable[[float], None]
Integers = NDArray[np.int64]
STEPS_LOOKED_AT = 200_000
ZONE_NOT_TOLD = "nothing tells the time zone of the logger's clock"


def read_log(
    path: Path | str, *, column: Mapping[str, str] | None = None, zone: str | None = None,
    default_zone: str | None = None, separator: str | None = None,
    decimal: str | None = None, day_first: bool | None = None, encoding: str | None = None,
    time_format: str | None = None, rated_voltage: float | None = None, phases: int | None = None,
    progress: Progress | None = None,
) -> Log:  # fmt: skip
    """Reads a log: CSV and its like, packed or not, or a sheet of Excel.

    Everything that is not given is found out from the file and told in `Log.how_read`, what could have been otherwise
    in words under `guesses`. Each line is a reading, or it is counted as what it was, with why it could not be used.

    Parameters
    ----------
    column : role -> name of its column in the file, or its number from 1; see `roles.ROLES`
    zone : the time zone of the logger's clock (IANA, or an offset); times that tell their offset need none
    default_zone : where nothing else tells it; without it, UTC
    separator : comma, semicolon, tab, space, pipe, or the sign itself
    decimal : "." or ","
    day_first : of dates such as 04/10/2026
    encoding : utf-8, cp1252, utf-16 ...
    time_format : see `stamps.given`
    rated_voltage : of the motor [V]: tells volts to the neutral from volts from leg to leg
    phases : of the motor, 1 or 3
    progress : called now and then with the share that is read, 0 to 1

    Raises
    ------
    ConfigError : the file cannot be read as a log, in words, with what to do next
    """
    for name in (zone, default_zone):
        if name is not None:
            zone_of(name)
    told = dict(column or {})
    source = Source(Path(path), encoding)
    stamp_names = stamps.names(source.text_encoding)
    if source.sheet is not None:
        separator, decimal = "tab", "."
    dialect = dialects.find(source.lines(), str(path), separator=separator, decimal=decimal)
    form = None if time_format is None else stamps.given(time_format, two_cells="date" in told)
    chosen = roles.choose(
        dialect, told, stamp_names, source.text_encoding, form=form, day_first=day_first, zone=zone,
        rated_voltage=rated_voltage, phases=phases,
        more_stamps=[dialects.split(line, dialect.separator) for line in source.spots()],
    )  # fmt: skip
    if form is not None:
        form = stamps.given(time_format or "", two_cells="date" in chosen.columns)
    found = form or chosen.form
    assert found is not None
    guesses = [*([source.guess] if source.guess else []), *dialect.guesses, *chosen.guesses]

    def pass_over(form: StampForm) -> Lines:
        return Lines(source, dialect, chosen, form, stamp_names, progress)

    lines = pass_over(found)
    if day_first is None and form is None and found.day_or_month:
        lines, guesses = _day_or_month(lines, guesses, pass_over)
    return _Outcome(source, dialect, chosen, lines, guesses).log(zone, default_zone)


# --- day and month -----------------------------------------------------------------------------------------------


def _day_or_month(lines: Lines, guesses: list[str], pass_over: Callable[[StampForm], Lines]) -> tuple[Lines, list[str]]:
    """Decides from the whole column whether the day or the month comes first; may read the file again."""
    so, swapped = (int(one) for one in lines.counts[scan.VALUES, : scan.MUST_BE_SWAPPED + 1])
    without = [text for text in guesses if stamps.DAY_OR_MONTH not in text]
    first, other = ("the day", "the month") if lines.form.days == stamps.DAY_FIRST else ("the month", "the day")
    if swapped > so:
        first, other, so, swapped = other, first, swapped, so
        lines = pass_over(lines.form.swapped())
    if so:
        if swapped:
            without.append(f"dates have {first} first, but {swapped} of them only make sense with {other} first")
        return lines, without
    turned = pass_over(lines.form.swapped())
    if _unsteadiness(turned) < _unsteadiness(lines):
        return turned, [*without, f"no day is over 12; with {other} first the times rise more steadily: so taken"]
    return lines, guesses


def _unsteadiness(lines: Lines) -> tuple[int, int, float]:
    good = lines.columns["statuses"][: lines.count] == scan.READING
    at = lines.columns["t_ms"][: lines.count][good].astype(np.float64)
    return -len(at), *stamps.unsteadiness(at)


# --- from lines to a log -----------------------------------------------------------------------------------------


class _Outcome:
    """Lines on their way to a log."""

    def __init__(self, source: Source, dialect: Dialect, chosen: Chosen, lines: Lines, guesses: list[str]) -> None:
        self._source, self._dialect, self._chosen, self._lines = source, dialect, chosen, lines
        self._guesses = guesses

    def log(self, zone: str | None, default_zone: str | None) -> Log:
        """Readings by time, each time once.

        Raises
        ------
        ConfigError : there is none
        """
        lines = self._lines
        columns, statuses = lines.columns, lines.columns["statuses"][: lines.count]
        good = statuses == scan.READING
        count, first = int(np.count_nonzero(good)), int(np.argmax(good))
        pick: Any = slice(first, first + count)  # a slice copies nothing
        if not good[pick].all():
            pick = np.flatnonzero(good)
        del good
        t_ms, no_such, zone = self._to_utc(columns["t_ms"][pick], columns["offsets"][pick], zone, default_zone)
        if no_such.any():
            rows = _places(pick)
            lines.no_such_hour(rows[no_such])
            pick, t_ms = rows[~no_such], t_ms[~no_such]
        steps = np.diff(t_ms)
        back = int(np.count_nonzero(steps < 0))
        if back or (len(steps) and not int(steps.min())):
            rows = _places(pick)
            order = np.argsort(t_ms, kind="stable")
            new = np.ones(len(order), bool)
            new[1:] = np.diff(t_ms[order]) > 0
            statuses[rows[order[~new]]] = DOUBLED
            order = order[new]
            t_ms, pick = t_ms[order], rows[order]
        if not len(t_ms):
            raise self._nothing()
        numbers = np.bincount(statuses, minlength=PREAMBLE + 1).tolist()
        reasons = lines.reasons()
        self._say(numbers, back, len(steps))
        how = self._how_read(t_ms, numbers, zone, back, sum(reasons.values()))
        # What is not needed any more is given back at once: a season is half a gigabyte.
        amps, volts, ambient_c, called = (
            np.ascontiguousarray(columns.pop(name)[pick]) for name in ("amps", "volts", "ambient_c", "called")
        )
        return Log(
            self._source.path.name, np.ascontiguousarray(t_ms), amps, volts, ambient_c, called, how,
            sum(reasons.values()), tuple(lines.unread), reasons,
        )  # fmt: skip

    def _to_utc(
        self, t_ms: Integers, offsets: NDArray[np.int32], zone: str | None, default_zone: str | None
    ) -> tuple[Integers, NDArray[np.bool_], str]:
        """Times in UTC, which of them no clock shows, and the zone in words."""
        none = np.zeros(len(t_ms), bool)
        if self._lines.form.linear and self._lines.form is not stamps.EXCEL_DAYS:
            return t_ms, none, "UTC"
        if len(offsets) and offsets.min() == offsets.max() != cells.NO_OFFSET:
            return t_ms - int(offsets[0]) * 60_000, none, "as each time tells"
        told = offsets != cells.NO_OFFSET
        if len(told) and told.all():
            return t_ms - offsets.astype(np.int64) * 60_000, none, "as each time tells"
        if zone is None and self._chosen.utc_offset is not None:
            zone = str(timezone(timedelta(minutes=self._chosen.utc_offset)))
            self._guesses.append(f"the name of the time says {zone}")
        elif zone is None:
            zone = default_zone or "UTC"
            self._guesses.append(f"{ZONE_NOT_TOLD}: taken as {zone}; else give --zone")
        utc, no_such, said = to_utc(t_ms, zone_of(zone))
        self._guesses += said
        if told.any():
            utc = np.where(told, t_ms - offsets.astype(np.int64) * 60_000, utc)
            no_such &= ~told
            self._guesses.append(f"{int(told.sum())} times tell their offset from UTC; the others: {zone}")
        return utc, no_such, zone

    def _nothing(self) -> ConfigError:
        unread = self._lines.unread
        first = f" The first: line {unread[0].line}: {unread[0].reason}." if unread else ""
        return ConfigError(
            f"{self._source.path}: none of its {self._lines.count:,} lines could be read as a reading.{first} "
            "Say how it is written: separator, decimal mark, columns, form of the times"
        )

    def _say(self, numbers: list[int], back: int, steps: int) -> None:
        say = self._guesses.append
        for slot, role in enumerate(SLOTS):
            if role not in self._chosen.columns:
                continue
            given, missing, over, not_believed = (int(one) for one in self._lines.counts[slot])
            if over:
                say(f"{role}: over the meter's range in {over} lines; taken as missing")
            if missing and not given:
                say(f'{role}: no values in "{self._dialect.names[self._chosen.columns[role]]}"')
            if not_believed:
                low, high = bounds.MIN_AMBIENT_C, bounds.MAX_AMBIENT_C
                say(f"{role}: {not_believed} values outside {low:g} to {high:g} C; taken as missing")
        doubled = numbers[DOUBLED]
        if back and back >= 0.9 * steps:
            say("the newest line stands first; the readings were turned round")
        elif back:
            stepped = "1 step back" if back == 1 else f"{back:,} steps back"
            say(f"the lines are not in order of time ({stepped}); they were sorted")
        if doubled:
            lines = "1 line has" if doubled == 1 else f"{doubled:,} lines have"
            told = f"{lines} a time that was there already; the first one counts"
            if back and any(guess.startswith(ZONE_NOT_TOLD) for guess in self._guesses):
                told += ". If the clock was set back an hour in autumn, give its --zone: then both hours count"
            say(told)

    def _how_read(self, t_ms: Integers, numbers: list[int], zone: str, back: int, rejected: int) -> dict[str, Any]:
        dialect, chosen = self._dialect, self._chosen
        return {
            "encoding": self._source.encoding,
            "packed": self._source.packed,
            "sheet": self._source.sheet,
            "separator": dialect.separator if self._source.sheet is None else None,
            "decimal": dialect.decimal,
            "thousands": dialect.thousands,
            "head_line": dialect.head_line,
            "first_line": dialect.first_line,
            "language": names.language_of(dialect.names) if dialect.head_line else None,
            "columns": {role: dialect.names[chosen.columns[role]] for role in roles.ROLES if role in chosen.columns},
            "units": dict(chosen.units),
            "ignored": list(dict.fromkeys(chosen.ignored)),
            "time_format": self._lines.form.words,
            "zone": zone,
            "period_seconds": _period_seconds(t_ms),
            "steps_back": back,
            "lines": {
                "total": self._lines.count,
                "readings": len(t_ms),
                "rejected": rejected,
                "doubled": numbers[DOUBLED],
                "head": numbers[PREAMBLE] + numbers[scan.HEAD],
                "comment": numbers[scan.COMMENT],
                "blank": numbers[scan.BLANK],
            },
            "guesses": list(dict.fromkeys(self._guesses)),
        }


def _places(pick: Any) -> NDArray[np.intp]:
    """A slice of lines as their numbers."""
    return np.arange(pick.start, pick.stop) if isinstance(pick, slice) else pick


def _period_seconds(t_ms: Integers) -> float | None:
    """The usual step, by `STEPS_LOOKED_AT` of them from all over a long log."""
    if len(t_ms) < 2:
        return None
    every = max(1, (len(t_ms) - 1) // STEPS_LOOKED_AT)
    before = t_ms[:-1:every]
    return float(np.median(t_ms[1::every] - before)) / 1000.0

"""Which run ended worst, and what the half hour before it says: the window of limit, parts and pitch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.blades.window import (
    LEAST_OVERLOAD_SECONDS,
    LEAST_SECONDS,
    LOW_CONFIDENCE,
    SLOT_MS,
    WINDOW_SLOTS,
    Slots,
    WindowFigures,
)
from monitor.motor.unbalance import voltage_unbalance
from monitor.review.findings import Overload, Span
from monitor.review.log import Log
from monitor.review.runs import Ran
from monitor.review.watching import Plates, Watched
from monitor.watch import ends, layout
from monitor.watch.columns import Floats

WORST_FIRST = (
    ends.OVERLOAD_TRIP, ends.PHASE_LOST, ends.SHORT_CIRCUIT, ends.SUPPLY_LOST, ends.CANNOT_TELL, ends.STOPPED,
    ends.LOG_ENDED,
)  # fmt: skip
"""Ends of runs, the worst first."""
WINDOW_MS = SLOT_MS * WINDOW_SLOTS


@dataclass(frozen=True)
class Window:
    """The readings before an end, and what they say."""

    span: Span
    row: int
    """Last of its rows in the log."""
    figures: WindowFigures | None
    """None: less running than anything can be said from."""
    sudden: float | None = None
    """Seconds of an overload that ended the run sooner than degrees could be told from it; else None."""


def worst_of(ran: Sequence[Ran]) -> int | None:
    """Place of the run whose end is the worst, the last of its kind; None: the fan did not run."""
    if not ran:
        return None
    return max(range(len(ran)), key=lambda place: (-WORST_FIRST.index(ran[place].run.end_cause), place))


def window_of(
    log: Log, plates: Plates, watched: Watched, ran: Sequence[Ran], worst: int, overloads: Sequence[Overload]
) -> Window:
    """The window before the worst end.

    Where that run was too short to say anything (a fan that trips again right after each reset) the newest run before
    it that ended alike is taken.
    """
    kind = ran[worst].run.end_cause
    alike = [one for one in ran[: worst + 1] if one.run.end_cause == kind]
    first = None
    for one in reversed(alike):
        window = before_end(log, plates, watched, one, overloads)
        if window.figures is not None:
            return window
        first = first or window
    assert first is not None
    return first


def before_end(log: Log, plates: Plates, watched: Watched, one: Ran, overloads: Sequence[Overload]) -> Window:
    """The last half hour of running of one run; from its onset on where it ended over its limit."""
    end_ms = one.run.end_ms
    since_ms = max(one.run.start_ms, _blades_since(log, plates, one.last))
    onset = next((spell.start_ms for spell in overloads if spell.start_ms <= end_ms <= spell.end_ms), None)
    if onset is None or onset <= since_ms:
        return _window(log, watched, one.last, end_ms, since_ms, LEAST_SECONDS)
    window = _window(log, watched, one.last, end_ms, onset, LEAST_OVERLOAD_SECONDS)
    if window.figures is None:
        sudden = (end_ms - onset) / 1000.0
        window = _window(log, watched, one.last, end_ms, onset, 0.0, sudden)
        if window.figures is None:
            window = replace(window, figures=_few(log, log.row_at(onset), one.last))
    return window


def _few(log: Log, first: int, last: int) -> WindowFigures | None:
    """What the few readings of a sudden overload say: enough for its cause, never for degrees."""
    part = slice(first, last + 1)
    amps = log.amps[part]
    use = ~np.isnan(amps).all(axis=1)
    if not use.any():
        return None
    amps, volts, air = amps[use], log.volts[part][use], log.ambient_c[part][use]
    legs, lines, ambient = _means(amps), _means(volts), _means(air[:, None])[0]
    measured = [volt for volt in lines if volt is not None]
    unbalance = None
    if len(measured) == 3:
        factor = voltage_unbalance(measured[0], measured[1], measured[2])
        unbalance = None if np.isnan(factor) else factor
    return WindowFigures(
        highest=float(np.nanmax(amps, axis=1).mean()), mean=float(np.nanmean(amps, axis=1).mean()), legs=legs,
        volts=lines, unbalance=unbalance, mean_volts=sum(measured) / len(measured) if measured else None,
        ambient_c=ambient, spread=0.0, seconds=float(log.t_ms[last] - log.t_ms[first]) / 1000.0, readings=len(amps),
        rising_percent_an_hour=None, words=(LOW_CONFIDENCE,),
    )  # fmt: skip


def _means(columns: Floats) -> tuple[float | None, ...]:
    known = ~np.isnan(columns)
    places = range(columns.shape[1])
    return tuple(float(columns[known[:, one], one].mean()) if known[:, one].any() else None for one in places)


def around_spell(log: Log, plates: Plates, watched: Watched, spell: Overload) -> Window:
    """The last half hour of a spell over the limit that the fan outlived."""
    row = max(log.row_at(spell.end_ms) - 1, 0)
    return _window(log, watched, row, float(log.t_ms[row]), max(spell.start_ms, _blades_since(log, plates, row)), 0.0)


def _blades_since(log: Log, plates: Plates, row: int) -> float:
    """When the pitch and the motor that a row was read with came into force: amps before say nothing of them."""
    if plates.which is None:
        return float("-inf")
    now = plates.of_row(row)
    same = np.array([_blades(plates, number) == _blades(plates, now) for number in range(len(plates.nameplates))])
    other = np.flatnonzero(~same[plates.which[: row + 1]])
    return float(log.t_ms[other[-1] + 1]) if len(other) else float("-inf")


def _blades(plates: Plates, number: int) -> tuple[object, ...]:
    plate = plates.nameplates[number]
    return plate.fan.blade_pitch_degrees, plates.limits[number, layout.LIMIT_EPOCH]


def _window(
    log: Log, watched: Watched, row: int, end_ms: float, since_ms: float, least_seconds: float,
    sudden: float | None = None,
) -> Window:  # fmt: skip
    first = log.row_at(max(end_ms - WINDOW_MS - SLOT_MS, since_ms, float(log.t_ms[0])))
    part = slice(first, row + 1)
    slots = Slots(1)
    count = row + 1 - first
    settled = (watched.judged.flags[part] & layout.IS_SETTLED) != 0
    t_ms: Floats = log.t_ms[part].astype(np.float64)
    slots.add(np.zeros(max(count, 0), np.int32), t_ms, log.amps[part], log.volts[part], log.ambient_c[part], settled)
    figures = slots.figures(0, end_ms, since_ms, least_seconds)
    begins = max(end_ms - WINDOW_MS, since_ms, float(log.t_ms[0]))
    return Window(Span(min(begins, end_ms), end_ms), row, figures, sudden)

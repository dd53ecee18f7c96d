"""The review for notebooks: a pandas table and a nameplate in, findings out, and the judged columns back as a table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import tomli_w
from numpy.typing import NDArray

from monitor.errors import ConfigError, Fault
from monitor.motor.nameplate import Nameplate
from monitor.records.fan_file import read_nameplate
from monitor.review.engine import review
from monitor.review.findings import Findings
from monitor.review.log import MOST_TOLD, Log, Unread
from monitor.watch import layout

if TYPE_CHECKING:
    import pandas as pd

AMPS, VOLTS = ("l1_amps", "l2_amps", "l3_amps"), ("v12", "v23", "v31")
COLUMNS = ("time", *AMPS, *VOLTS, "ambient_c", "called")
MAX_AMPS, MAX_VOLTS = 2_000.0, 1_000.0
"""As for readings by MQTT."""


def review_frame(
    frame: pd.DataFrame, nameplate: Nameplate | Mapping[str, Any] | Path | str, *, name: str = "log",
    zone: str | None = None, **more: Any,
) -> Findings:  # fmt: skip
    """What a table of readings shows.

    Parameters
    ----------
    frame : one row a reading, in any order; its index, or its column `time`, tells when (times without a zone are those
        of `zone`). Columns l1_amps, l2_amps, l3_amps (a single-phase motor: l1_amps) [A] and, where they are measured,
        v12, v23, v31 [V], ambient_c [degrees C], called (1 or 0); others are left alone
    nameplate : a file, its tables as dictionaries, or one that was read already
    name : what the log is called
    zone : time zone (IANA name) of times that tell none; None: UTC
    more : as `engine.review` takes

    Raises
    ------
    ConfigError : a table that is no log, or a nameplate that is none: all faults at once

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame(
    ...     {"l1_amps": 13.1, "l2_amps": 12.9, "l3_amps": 13.0, "ambient_c": 4.0},
    ...     index=pd.date_range("2026-10-04T01:00", periods=240, freq="10s", tz="America/Chicago"),
    ... )
    >>> plate = {"motor": {"rated_voltage": 460, "phases": 3, "full_load_amps": 12.4, "service_factor": 1.15}}
    >>> found = review_frame(table, plate)
    >>> found.runs[0].end_cause, round(found.runs[0].peak_percent_of_limit)
    ('log ended', 92)
    """
    return review(log_of(frame, name=name, zone=zone), _nameplate(nameplate), **more)


def log_of(frame: pd.DataFrame, *, name: str = "log", zone: str | None = None) -> Log:
    """A table of readings as a log; see `review_frame`."""
    faults = [
        Fault(column, "numbers", f"{frame[column].dtype}")
        for column in COLUMNS[1:]
        if column in frame and not _is_number(frame[column])
    ]
    if not set(AMPS) & set(frame.columns):
        faults.append(Fault("columns", "at least l1_amps", ", ".join(map(str, frame.columns)) or "none"))
    times, fault = _times(frame, zone)
    if fault is not None:
        faults.append(fault)
    if faults or times is None:
        raise ConfigError("the table cannot be read as a log:", faults)
    amps, volts = _matrix(frame, AMPS), _matrix(frame, VOLTS)
    reasons = _reasons(times, amps, volts)
    good = np.array([reason == "" for reason in reasons.tolist()], bool) if len(reasons) else np.zeros(0, bool)
    t_ms = times[good].astype(np.int64)
    order = np.argsort(t_ms, kind="stable")
    first = np.ones(len(order), bool)
    first[1:] = np.diff(t_ms[order]) > 0
    rows = np.flatnonzero(good)[order[first]]
    reasons[np.flatnonzero(good)[order[~first]]] = "a time that was there already: the first row counts"
    ambient_c, called = _column(frame, "ambient_c"), _column(frame, "called")
    bad = np.flatnonzero(reasons != "")
    names, counts = np.unique(reasons[bad].astype(str), return_counts=True)
    seconds = float(np.median(np.diff(times[rows]))) / 1000.0 if len(rows) > 1 else None
    how = {
        "separator": None, "columns": {column: column for column in COLUMNS if column in frame.columns},
        "zone": zone or "UTC", "period_seconds": seconds, "source": "table",
    }  # fmt: skip
    return Log(
        name, times[rows].astype(np.int64), amps[rows], volts[rows], ambient_c[rows], called[rows], how, len(bad),
        tuple(Unread(int(row) + 1, str(reasons[row])) for row in bad[:MOST_TOLD].tolist()),
        dict(zip(names.tolist(), counts.tolist(), strict=True)),
    )  # fmt: skip


def _times(frame: pd.DataFrame, zone: str | None) -> tuple[NDArray[np.float64] | None, Fault | None]:
    """Milliseconds since 1970 in UTC, NaN where there is no time."""
    import pandas as pd

    given: Any = frame["time"] if "time" in frame.columns else frame.index
    expected = "times in the index or in a column named time"
    if "time" not in frame.columns and not isinstance(given, pd.DatetimeIndex):
        return None, Fault("time", expected, f"an index of {given.dtype}")
    try:
        stamps = pd.DatetimeIndex(pd.to_datetime(pd.Series(np.asarray(given)) if given.dtype == object else given))
        if stamps.tz is None:
            stamps = stamps.tz_localize(zone or "UTC", ambiguous="NaT", nonexistent="NaT")
    except (ValueError, TypeError, KeyError, OverflowError) as exc:
        return None, Fault("time", expected, str(exc).splitlines()[0])
    whole = stamps.tz_convert("UTC").tz_localize(None).as_unit("ms")
    found = whole.asi8.astype(np.float64)
    found[whole.isna()] = np.nan
    return found, None


def _is_number(column: pd.Series[Any]) -> bool:
    return column.dtype.kind in "biuf" or str(column.dtype).lower().startswith(("int", "float", "boolean", "uint"))


def _column(frame: pd.DataFrame, name: str) -> NDArray[np.float64]:
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return np.asarray(frame[name].to_numpy(dtype=np.float64, na_value=np.nan), np.float64)


def _matrix(frame: pd.DataFrame, names: tuple[str, ...]) -> NDArray[np.float64]:
    return np.column_stack([_column(frame, name) for name in names])


def _reasons(times: NDArray[np.float64], amps: NDArray[np.float64], volts: NDArray[np.float64]) -> NDArray[Any]:
    """Why each row cannot be used; nothing where it can."""
    reasons = np.full(len(times), "", object)
    reasons[((volts < 0.0) | (volts > MAX_VOLTS)).any(axis=1)] = f"volts outside 0 to {MAX_VOLTS:g}"
    reasons[((amps < 0.0) | (amps > MAX_AMPS)).any(axis=1)] = f"amps outside 0 to {MAX_AMPS:g}"
    reasons[np.isnan(times)] = "no time, or one that no clock of its zone showed"
    return reasons


def _nameplate(given: Nameplate | Mapping[str, Any] | Path | str) -> Nameplate:
    if isinstance(given, Nameplate):
        return given
    if isinstance(given, Mapping):
        return read_nameplate(tomli_w.dumps(dict(given)), "given")
    path = Path(given)
    try:
        return read_nameplate(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as exc:
        raise ConfigError(f"the nameplate {path} cannot be read: {exc}") from exc


def judged_frame(found: Findings) -> pd.DataFrame:
    """What the log held and the watch found at each reading, as a table by time in UTC.

    Columns: those of the log, highest_leg_amps, limit_amps, load_ratio, unbalance_percent, motor_heat, device_heat (1:
    at the trip level), seconds_to_trip, running.
    """
    import pandas as pd

    log, judged = found.log, found.judged
    columns: dict[str, Any] = {name: log.amps[:, leg] for leg, name in enumerate(AMPS)}
    columns |= {name: log.volts[:, line] for line, name in enumerate(VOLTS)}
    columns |= {
        "ambient_c": log.ambient_c, "called": log.called, "highest_leg_amps": judged.highest,
        "limit_amps": judged.limit, "load_ratio": judged.ratio, "unbalance_percent": judged.unbalance,
        "motor_heat": judged.motor_heat, "device_heat": judged.device_heat,
        "seconds_to_trip": judged.seconds_to_trip, "running": (judged.flags & layout.IS_RUNNING) != 0,
    }  # fmt: skip
    stamps = pd.DatetimeIndex(log.t_ms.astype("datetime64[ms]"), name="time").tz_localize("UTC")
    return pd.DataFrame(columns, index=stamps)

"""Stored readings and alarm changes as points of a time-series server: measurements, tags, fields, as README has them.

A reading's time is in milliseconds, its series are site and name: written again it takes its own place. Alarm changes
are written in nanoseconds, their running number behind the millisecond: two in one millisecond stand apart, and each
keeps its place when it is written again. For the same reason what may change later (priority, text) is no tag.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from monitor.links import influx
from monitor.records.archive import ChangeRow
from monitor.records.rows import ReadingRows
from monitor.records.tables import FLAG_LATE

NANOSECONDS = 1_000_000
"""In a millisecond."""
_WHOLE = ("called", "running", "late", "number")


def reading_lines(rows: ReadingRows, points: Mapping[int, tuple[str, str, str]]) -> list[str]:
    """One line a reading, in the same order; its time in milliseconds.

    Parameters
    ----------
    points : point -> site, name, kind ("fan", "supply", "weather")
    """
    kinds = {one: influx.head(kind, {"site": site, kind: name}) for one, (site, name, kind) in points.items()}
    heads = [kinds[point_id] for point_id in rows.point_id.tolist()]
    highest = np.fmax(np.fmax(rows.amps[:, 0], rows.amps[:, 1]), rows.amps[:, 2])
    ratio = np.round(highest / rows.limit_amps, 4)
    late = np.where(rows.flags & FLAG_LATE, 1.0, np.nan)
    numbers = {
        "l1_amps": rows.amps[:, 0], "l2_amps": rows.amps[:, 1], "l3_amps": rows.amps[:, 2],
        "v12": rows.volts[:, 0], "v23": rows.volts[:, 1], "v31": rows.volts[:, 2],
        "ambient_c": rows.ambient_c, "called": rows.called, "limit_amps": rows.limit_amps, "load_ratio": ratio,
        "unbalance_percent": rows.unbalance, "motor_heat": rows.motor_heat, "device_heat": rows.device_heat,
        "running": rows.running, "late": late, "number": rows.number,
    }  # fmt: skip
    return influx.lines(heads, rows.t_ms.tolist(), numbers, whole=_WHOLE)


def change_lines(changes: Sequence[ChangeRow]) -> list[str]:
    """One line an alarm change, in the same order; its time in nanoseconds."""
    told = []
    for one in changes:
        tags = {"site": one.site, "fan": one.fan or "", "supply": one.supply or "", "condition": one.condition}
        texts = {
            "state": one.to_state, "from_state": one.from_state, "cause": one.cause, "priority": one.priority,
            "text": one.text, "by": one.by,
        }  # fmt: skip
        fields = [f"{name}={influx.text_field(text)}" for name, text in texts.items() if text]
        fields += [f"number={one.alarm_number}i", f"change={one.number}i"]
        at = one.at_ms * NANOSECONDS + one.number % NANOSECONDS
        told.append(f"{influx.head('alarm', tags)} {','.join(fields)} {at}")
    return told

"""A run that ended, as verdicts keep it for a day and as its row of `runs` stores it."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from monitor.records.rows import Run
from monitor.watch.columns import Change, Ending


@dataclass
class Ended:
    """A run that ended."""

    run: Run
    ending: Ending
    volts_percent: float = math.nan
    """Volts at its end: the greatest line [% of rated], the lowest until one longer period after it stopped."""
    restart_ms: float | None = None
    """First running reading after it."""
    held: list[Change] = field(default_factory=list)
    """What the kernel told of `stopped` before it was judged."""
    heard: float = 0.0
    """When the service learned of it, by the steady clock [s]."""

    @property
    def waits(self) -> bool:
        """It is not judged yet."""
        return self.run.end_cause is None

    def row(self) -> Run:
        """The run with all of it, as it is stored."""
        told = {name: _or_none(value) for name, value in asdict(self.ending).items()}
        more = {
            "end_volts_percent": _or_none(self.volts_percent),
            "restart_ms": self.restart_ms,
            "held": [_held_row(change) for change in self.held],
        }
        return replace(self.run, ending={**told, **more})


_HELD = ("what", "at_ms", "since_ms", "value", "setpoint", "peak")


def _held_row(change: Change) -> list[float | None]:
    return [_or_none(float(getattr(change, name))) for name in _HELD]


def ended_of(run: Run, row: int, heard: float) -> Ended:
    """A stored run, with what was known of its end."""
    told = dict(run.ending or {})
    flags = ("lost_phase", "device_known", "seen")
    known: dict[str, Any] = {
        one.name: bool(told.get(one.name)) if one.name in flags else _nan(told.get(one.name)) for one in fields(Ending)
    }
    held = []
    for what, *figures in told.get("held", []):
        at_ms, since_ms, value, setpoint, peak = map(_nan, figures)
        held.append(Change(0, row, int(what), "stopped", at_ms, since_ms, value, setpoint, peak))
    return Ended(run, Ending(**known), _nan(told.get("end_volts_percent")), told.get("restart_ms"), held, heard)


def _or_none(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value


def _nan(value: Any) -> float:
    return math.nan if value is None else float(value)

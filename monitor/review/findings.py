"""What a review found, as plain data; `as_json` gives it the keys that the published schema names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from monitor.blades.estimate import Estimate
from monitor.motor.nameplate import Nameplate
from monitor.review.log import Log
from monitor.watch.columns import Judged

if TYPE_CHECKING:
    import pandas as pd

JUDGED, MEASURED = "judged", "measured"


@dataclass(frozen=True)
class Span:
    """A stretch of time."""

    from_ms: float
    to_ms: float


@dataclass(frozen=True)
class Run:
    """One run of the fan."""

    start_ms: float
    """First running reading."""
    end_ms: float
    """Last running reading."""
    end_cause: str
    """One of `watch.ends.END_CAUSES`."""
    confidence: str
    """One of `watch.ends.CONFIDENCES`."""
    evidence: tuple[str, ...]
    """Sentences with figures; the first one is the verdict in words."""
    peak_amps: float
    """Greatest highest leg after the start [A]."""
    peak_percent_of_limit: float
    """Greatest load ratio after the start [%]."""
    starts_ok: bool
    """No slow-start and no many-starts in it."""


@dataclass(frozen=True)
class Overload:
    """A spell over the limit."""

    start_ms: float
    """Its onset."""
    end_ms: float
    """When it was under again, or the last reading."""
    peak_percent_of_limit: float
    seconds: float
    """Time over the limit within it [s]."""


@dataclass(frozen=True)
class AlarmSpell:
    """An alarm as the watch raised it."""

    id: str
    raised_ms: float
    cleared_ms: float | None
    """None: still standing at the end."""
    priority: str


@dataclass(frozen=True)
class RankedCause:
    """A likely cause."""

    cause: str
    """fan load, supply voltage, supply unbalance, leg connection, lost phase, lost supply, air density or fault."""
    share_amps: float
    """What it puts between the highest leg and the limit [A]; 0 where amps say nothing of it."""
    evidence: tuple[str, ...]
    """Sentences with figures."""
    confirm_by: str
    """What would confirm or refute it at the fan, and how to do that safely."""


@dataclass(frozen=True)
class WhatIf:
    """The same log with something changed."""

    change: str
    """In words, for example "2 degrees less (insert 19)"."""
    trips: bool | None
    """Its overload device would open, by the image at its whole class time; None: its trip point is not known."""
    at_ms: float | None
    """When."""
    margin: float
    """1 - the greatest load ratio that lasts (mean of 30 min, after starts), as a fraction of the limit then; NaN: it
    did not run long enough."""
    words: tuple[str, ...] = ()
    """What has to be said beside it."""


@dataclass(frozen=True)
class Findings:
    """All that a review says of one fan and one stretch of time."""

    log: Log
    nameplate: Nameplate
    """In force in the window of parts and pitch."""
    how: str
    """JUDGED or MEASURED."""
    gaps: tuple[Span, ...]
    runs: tuple[Run, ...]
    overloads: tuple[Overload, ...]
    alarms: tuple[AlarmSpell, ...]
    window: Span | None
    """Of limit, parts and pitch: the last 30 min of running before the worst end; None: the fan did not run."""
    worst: int | None
    """Place in `runs` of the run whose end is the worst."""
    estimate: Estimate
    """Over that window."""
    causes: tuple[RankedCause, ...]
    what_if: tuple[WhatIf, ...]
    judged: Judged
    """What the watch found at each reading of the log: limit, load ratio, images."""
    cautions: tuple[str, ...]

    def frame(self) -> pd.DataFrame:
        """The log with what was found at each reading, as a table; see `frames.judged_frame`."""
        from monitor.review.frames import judged_frame

        return judged_frame(self)

    def as_json(self) -> dict[str, Any]:
        """Exactly the keys of the published schema; times RFC 3339 in UTC."""
        said = self.estimate.as_json()
        times = self.log.t_ms
        return {
            "fan": self.log.name,
            "from": rfc3339(times[0]) if len(times) else None,
            "to": rfc3339(times[-1]) if len(times) else None,
            "readings": len(self.log),
            "rejected": self.log.rejected,
            "gaps": [{"from": rfc3339(gap.from_ms), "to": rfc3339(gap.to_ms)} for gap in self.gaps],
            "how_read": dict(self.log.how_read),
            "limit": said["limit"],
            "runs": [_run(run) for run in self.runs],
            "overloads": [
                {
                    "start": rfc3339(spell.start_ms),
                    "end": rfc3339(spell.end_ms),
                    "peak_percent_of_limit": spell.peak_percent_of_limit,
                    "seconds": spell.seconds,
                }
                for spell in self.overloads
            ],
            "alarms": [
                {
                    "id": alarm.id,
                    "raised": rfc3339(alarm.raised_ms),
                    "cleared": None if alarm.cleared_ms is None else rfc3339(alarm.cleared_ms),
                    "priority": alarm.priority,
                }
                for alarm in self.alarms
            ],
            "parts": said["parts"],
            "causes": [
                {
                    "cause": cause.cause,
                    "share_amps": cause.share_amps,
                    "evidence": list(cause.evidence),
                    "confirm_by": cause.confirm_by,
                }
                for cause in self.causes
            ],
            "checks_first": said["checks_first"],
            "pitch": said["pitch"],
            "what_if": [
                {"change": one.change, "trips": one.trips, "at": None if one.at_ms is None else rfc3339(one.at_ms)}
                for one in self.what_if
            ],
            "cautions": list(self.cautions),
        }


def _run(run: Run) -> Mapping[str, Any]:
    return {
        "start": rfc3339(run.start_ms),
        "end": rfc3339(run.end_ms),
        "end_cause": run.end_cause,
        "confidence": run.confidence,
        "evidence": list(run.evidence),
        "peak_amps": run.peak_amps,
        "peak_percent_of_limit": run.peak_percent_of_limit,
        "starts_ok": run.starts_ok,
    }


def rfc3339(ms: float) -> str:
    """
    >>> rfc3339(1791076350000), rfc3339(1791076350250)
    ('2026-10-04T01:12:30Z', '2026-10-04T01:12:30.250Z')
    """
    whole, rest = divmod(round(ms), 1000)
    text = f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}"
    return f"{text}.{rest:03d}Z" if rest else f"{text}Z"

"""What a fan's service record says beside its readings: checks done, a technician's volts, lead tests, re-pitches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from monitor.blades.belief import Belief
from monitor.blades.checks import GOOD_FOR_DAYS
from monitor.blades.learning import PowerFigures, Repitch, learn
from monitor.motor.nameplate import Nameplate
from monitor.records import service_record
from monitor.records.database import Database
from monitor.records.rows import to_ms
from monitor.records.service_record import Entry

DAY_MS = 86_400_000
BEFORE_MS = GOOD_FOR_DAYS * DAY_MS
"""A lead test counts from so long before the readings on; one that was done afterwards counts, too: it is the answer to
what they show."""


@dataclass(frozen=True)
class Rotation:
    """What rotating the leads showed."""

    done: str
    """The day, as it is to be read."""
    stays_with: str
    """One of the words of `motor.lead_rotation`."""
    words: str = ""
    """What was found, in words."""


@dataclass(frozen=True)
class Known:
    """What counts for one review."""

    checks_done: frozenset[str] = frozenset()
    """Names of checks, not older than 30 days."""
    technician_unbalance: float | None = None
    """Voltage unbalance [%] that a technician measured, not older than 30 days."""
    technician_words: str = "a technician's reading"
    rotations: tuple[Rotation, ...] = ()
    """Oldest first."""
    belief: Belief | None = None
    """What a degree is worth on this fan, where its re-pitches taught it."""


NOTHING = Known()


def known_at(
    database: Database, point_id: int, nameplate: Nameplate, zone: str, from_ms: int, at_ms: int
) -> Known:  # fmt: skip
    """What the record says of readings that begin at `from_ms` and end at `at_ms`.

    Raises
    ------
    LinkError : the database cannot be read
    """
    volts = service_record.technician_volts_at(database, point_id, at_ms)
    rotated = service_record.rotations(database, point_id, from_ms - BEFORE_MS, 2**62)
    with database.read() as connection:
        motor_since = service_record.motor_since_ms(connection, point_id, at_ms)
    since = -(2**62) if motor_since is None else motor_since
    re_pitches = [one for one in service_record.re_pitches(database, point_id, to_ms=at_ms) if to_ms(one.done) >= since]
    return Known(
        service_record.checks_done_at(database, point_id, at_ms),
        None if volts is None else volts.unbalance,
        "" if volts is None else f"a technician's reading of {_day(volts, zone)}",
        tuple(_rotation(one, zone) for one in rotated if to_ms(one.done) >= since and "stays_with" in one.found),
        _belief(nameplate, re_pitches),
    )


def _rotation(entry: Entry, zone: str) -> Rotation:
    return Rotation(_day(entry, zone), entry.found["stays_with"], " ".join(entry.found.get("words", ())))


def _day(entry: Entry | service_record.Volts, zone: str) -> str:
    local = entry.done.astimezone(ZoneInfo(zone))
    return f"{local.day} {local:%B %Y}"


def _belief(nameplate: Nameplate, re_pitches: Sequence[Entry]) -> Belief | None:
    if not re_pitches:
        return None
    learned = learn(nameplate.motor, nameplate.fan, [_repitch(one) for one in re_pitches])
    return learned.belief if learned.used else None


def _repitch(entry: Entry) -> Repitch:
    before, after = entry.found.get("before"), entry.found.get("after")
    return Repitch(
        float(to_ms(entry.done)), entry.body["from"], entry.body["to"],
        bool(entry.found.get("other_fan_of_plenum_changed")),
        None if before is None else PowerFigures(**before), None if after is None else PowerFigures(**after),
    )  # fmt: skip

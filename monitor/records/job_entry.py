"""What may be entered when a job is closed: readings after the work, the pitch that is in now, what the checks found.

It becomes entries of the fan's service record, so it is checked as those are: every fault at once, each with its place
in what was entered. Pages look before they store the action, the worker looks again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from monitor.errors import ConfigError, Fault
from monitor.records import service_entry
from monitor.records.actions import clean
from monitor.records.database import Database
from monitor.records.service_entry import Entered, Registered, read_entry
from monitor.records.service_record import CHECK, HAND_READING, NOTE, RE_PITCH

AIR_BOUNDS_C = (-60.0, 60.0)
_TIME = "RFC 3339, e.g. 2026-10-04T18:00:00Z"


class CheckDone(BaseModel):
    """One check of the sheet."""

    model_config = ConfigDict(extra="forbid")
    check: str = Field(description='"supply voltage", "connections", "bearings" or "start switch and capacitors"')
    finding: str = Field(description='"good", "fault found" or "put right"')
    volts: list[float] | None = Field(None, max_length=3, description="v12, v23, v31 at the motor, running, as left")
    volts_at_service: list[float] | None = Field(None, max_length=3, description="the same at the service")
    note: str | None = Field(None, max_length=4000)


class CloseJob(BaseModel):
    """Closing a job: what was read after the work, what was changed, what the checks found."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "done": "2026-10-03T20:05:00Z", "pitch": 18, "amps": [12.6, 12.4, 12.3], "volts": [450, 449, 451],
                    "ambient_c": 15, "checks": [{"check": "bearings", "finding": "good"}], "by": "Ben",
                }
            ]
        },
    )  # fmt: skip
    done: str | None = Field(
        None, max_length=40, description=f"when the readings after the work were taken: {_TIME}; without it: now"
    )
    changed: str | None = Field(
        None, max_length=40,
        description=f"when the blades were changed, the fan standing still: {_TIME}; without it: the end of the "
        "longest stop seen since the job was opened, else the time of the readings",
    )  # fmt: skip
    pitch: float | None = Field(None, description="blade pitch that is in now, degrees; null: left as it was")
    amps: list[float] | None = Field(
        None, max_length=3, description="the legs after the work by a hand meter, in order: three, or one"
    )
    volts: list[float] | None = Field(None, max_length=3, description="v12, v23, v31 with them, at the motor; or one")
    ambient_c: float | None = Field(
        None, ge=AIR_BOUNDS_C[0], le=AIR_BOUNDS_C[1], allow_inf_nan=False, description="air at the fan, degrees C"
    )
    checks: list[CheckDone] = Field(default_factory=list, max_length=4)
    note: str | None = Field(None, max_length=4000, description="kept as a note of the service record")
    by: str | None = Field(None, max_length=200, description="who; beside the name of the account, if there is one")


@dataclass(frozen=True)
class Closing:
    """A closing that is right by itself."""

    done: datetime
    """When the readings after the work were taken."""
    changed: datetime | None
    """When the blades were changed; None: it was not said."""
    pitch: float | None
    """Pitch that is in now, where it is another than registered [degrees]."""
    amps: tuple[float, ...] | None
    volts: tuple[float, ...] | None
    ambient_c: float | None
    note: str
    entries: tuple[Entered, ...]
    """For the service record, all but the re-pitch, whose time is known only when the stops are."""


def read_closing(
    table: Mapping[str, Any], *, phases: int, registered: float | None, inserts: int | None, now: datetime
) -> Closing:
    """A closing as somebody typed it, checked by itself.

    Parameters
    ----------
    table : keys of `CloseJob`
    phases : of the fan's motor, 1 or 3
    registered : blade pitch in the register [degrees]; None: not registered
    inserts : how many blades the fan has
    now : when it is entered

    Raises
    ------
    ConfigError : `faults` holds every fault with its place
    """
    faults: list[Fault] = []
    entries: list[Entered] = []

    def read(entry: dict[str, Any], places: Mapping[str, str], prefix: str = "") -> Entered | None:
        try:
            return read_entry(entry, phases=phases, now=now)
        except ConfigError as exc:
            for one in exc.faults:
                first, _, rest = one.place.partition(".")
                place = places.get(first, first) + (f".{rest}" if rest else "")
                fault = Fault(prefix + place, one.expected, one.found)
                if fault not in faults:
                    faults.append(fault)
            return None

    done = {"done": table["done"]} if table.get("done") is not None else {}
    timed = read({"kind": NOTE, "note": "time", **done}, {})
    moved = table.get("changed")
    changed = None if moved is None else read({"kind": NOTE, "note": "time", "done": moved}, {"done": "changed"})
    if changed is not None and timed is not None and changed.done > timed.done:
        faults.append(Fault("changed", "a time not after the readings", str(moved)))
    checks = table.get("checks") or []
    for place, check in enumerate(checks):
        given = {key: value for key, value in dict(check).items() if value is not None}
        entries.append(read({"kind": CHECK, **done, **given}, {}, f"checks.{place}."))  # type: ignore[arg-type]
    pitch = table.get("pitch")
    if pitch is not None and registered is None:
        known = "nothing, as no pitch is registered: enter the re-pitch on the page Register or in the service record"
        faults.append(Fault("pitch", known, f"{pitch}"))
    elif pitch is not None and pitch != registered:
        places = {"to": "pitch", "from": "pitch"}
        read(_re_pitch(registered or 0.0, pitch, inserts, done), places)
    if table.get("amps") is not None:
        reading = {"kind": HAND_READING, "amps": table["amps"], **done}
        if table.get("volts") is not None:
            reading["volts"] = table["volts"]
        entries.append(read(reading, {}))  # type: ignore[arg-type]
    elif table.get("volts") is not None:
        faults.append(Fault("amps", "the amps of the legs beside the volts", "nothing"))
    note = clean(str(table.get("note") or ""), service_entry.NOTE_LETTERS)
    if note:
        entries.append(read({"kind": NOTE, "note": note, **done}, {}))  # type: ignore[arg-type]
    faults += _air(table.get("ambient_c"))
    if not faults and not entries and (pitch is None or pitch == registered):
        faults.append(Fault("amps", "the readings after the work, or what else was done", "nothing"))
    if faults:
        raise ConfigError("what was entered to close the job has faults:", faults)
    assert timed is not None
    return Closing(
        timed.done, None if changed is None else changed.done, None if pitch == registered else pitch,
        _tuple(table.get("amps")), _tuple(table.get("volts")), table.get("ambient_c"), note,
        tuple(entry for entry in entries if entry is not None),
    )  # fmt: skip


def re_pitch_of(
    closing: Closing, registered: float, inserts: int | None, at: datetime, *, phases: int, now: datetime
) -> Entered:
    """The re-pitch of a closing as an entry of the service record, at the time it was done.

    Raises
    ------
    ConfigError : it has faults
    """
    entry = _re_pitch(registered, closing.pitch, inserts, {"done": at.isoformat()})
    return read_entry(entry, phases=phases, now=now)


def _re_pitch(before: float, after: object, inserts: int | None, done: Mapping[str, Any]) -> dict[str, Any]:
    entry: dict[str, Any] = {"kind": RE_PITCH, "from": float(before), "to": after, **done}
    if inserts is not None:
        entry["inserts"] = inserts
    return entry


def against_the_register(database: Database, point_id: int, re_pitch: Entered) -> tuple[list[Fault], Registered | None]:
    """What the register says against the re-pitch of a closing, at the places of the closing, and what it changes.

    Raises
    ------
    LinkError : the database cannot be read
    """
    faults, change = service_entry.against_the_record(database, point_id, re_pitch)
    assert change is None or isinstance(change, Registered)
    places = {"from": "pitch", "to": "pitch", "done": "changed"}
    return [Fault(places.get(one.place, one.place), one.expected, one.found) for one in faults], change


def _air(ambient_c: object) -> list[Fault]:
    least, most = AIR_BOUNDS_C
    if ambient_c is None or (
        isinstance(ambient_c, int | float) and not isinstance(ambient_c, bool) and least <= ambient_c <= most
    ):
        return []
    return [Fault("ambient_c", f"degrees C from {least:g} to {most:g}", f"{ambient_c}"[:40])]


def _tuple(values: Any) -> tuple[float, ...] | None:
    return None if values is None else tuple(float(value) for value in values)

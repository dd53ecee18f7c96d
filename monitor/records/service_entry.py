"""What may be entered in a service record: every fault at once, each with its place.

Two things are looked at: the entry by itself (`read_entry`), and what the register and the record so far say against it
(`against_the_record`). Pages ask both before they store an action; the worker asks again when it carries it out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo

from monitor.blades.checks import SUPPLY_VOLTAGE, checks_for
from monitor.errors import ConfigError, Fault
from monitor.faults import faults_of
from monitor.motor import clamps
from monitor.motor.lead_rotation import WAYS
from monitor.motor.nameplate import Nameplate
from monitor.records import register, service_record
from monitor.records.actions import clean
from monitor.records.database import Database
from monitor.records.register import Version
from monitor.records.service_record import (
    CHECK,
    CLAMP_CORRECTION,
    HAND_READING,
    KINDS,
    LEAD_ROTATION,
    NOTE,
    RE_PITCH,
    WITHDRAW,
)

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
AHEAD = timedelta(minutes=2)
"""Clocks of phones may be so far ahead of the server's."""
NAME_LETTERS, NOTE_LETTERS = 60, 1000
_ALL_NAMES = tuple(check.name for check in checks_for(1))
_ALL_CHECKS = ", ".join(f'"{name}"' for name in _ALL_NAMES)


def _time(value: object) -> object:
    """RFC 3339 text as an aware time; without a zone it could be any hour."""
    if not isinstance(value, str) or len(value) > 40:
        raise ValueError(_TIME)
    try:
        time = datetime.fromisoformat(value)
        if time.tzinfo is None:
            raise ValueError(_TIME)
        return time.astimezone(UTC)
    except (ValueError, OverflowError):
        raise ValueError(_TIME) from None


_TIME = "a time such as 2026-10-04T18:00:00Z (RFC 3339)"


def _known(info: ValidationInfo) -> dict[str, Any]:
    """What `read_entry` says of the fan and the time."""
    assert info.context is not None
    known: dict[str, Any] = info.context
    return known


def _in_time(time: datetime, info: ValidationInfo) -> datetime:
    now: datetime = _known(info)["now"]
    if not EARLIEST <= time <= now + AHEAD:
        raise ValueError(f"{_TIME}, not in the future and not before {EARLIEST:%Y}")
    return time


def _as_many_as_legs(values: tuple[float, ...] | None, info: ValidationInfo) -> tuple[float, ...] | None:
    legs = 3 if _known(info)["phases"] == 3 else 1
    if values is not None and len(values) != legs:
        raise ValueError(f"{legs} values in order" if legs > 1 else "1 value in a list")
    return values


def _check_of_this_motor(name: str, info: ValidationInfo) -> str:
    known = [check.name for check in checks_for(_known(info)["phases"])]
    if name not in known:
        raise ValueError(" or ".join(f'"{one}"' for one in known))
    return name


def _typed(text: str) -> str:
    return clean(text, NOTE_LETTERS)


_Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
_Amps = Annotated[_Number, Field(ge=0, le=2000)]
_Volts = Annotated[_Number, Field(gt=0, le=1000)]
_LegAmps = Annotated[tuple[_Amps, ...], Field(min_length=1, max_length=3), AfterValidator(_as_many_as_legs)]
_LineVolts = Annotated[
    Annotated[tuple[_Volts, ...], Field(min_length=1, max_length=3)] | None, AfterValidator(_as_many_as_legs)
]
_Factor = Annotated[_Number, Field(ge=clamps.LEAST, le=clamps.GREATEST)]
_Pitch = Annotated[_Number, Field(ge=0, le=60)]
_Text = Annotated[str, Field(max_length=4 * NOTE_LETTERS), AfterValidator(_typed)]
_AMPS = "a list of the legs' amps in order, each from 0 to 2000: three, or one for a single-phase motor"
_VOLTS = "a list of the line voltages v12, v23, v31, each above 0, at most 1000: three, or one for a single-phase motor"

_FACTORS = (
    f"a list of the legs' factors in order, each from {clamps.LEAST:g} to {clamps.GREATEST:g}: three, or one for a "
    "single-phase motor"
)


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False)

    done: Annotated[datetime, BeforeValidator(_time), AfterValidator(_in_time)] | None = Field(
        None, description=f"when it was done at the fan: {_TIME}; without it: now"
    )
    by: str | None = Field(None, max_length=200, description="who did it, at most 200 letters")
    note: _Text = Field("", description=f"at most {NOTE_LETTERS} letters")


class CheckEntry(_Entry):
    """One of the checks that come before the blades."""

    kind: Literal["check"]
    check: Annotated[str, AfterValidator(_check_of_this_motor)] = Field(description=_ALL_CHECKS)
    finding: Literal["good", "fault found", "put right"] = Field(description='"good", "fault found" or "put right"')
    volts: _LineVolts = Field(None, description=f"{_VOLTS}; at the motor, running, as left")
    volts_at_service: _LineVolts = Field(None, description=f"{_VOLTS}; at the service, fan running")


class HandReadingEntry(_Entry):
    """Legs, and volts, by a hand meter: compared with the logger at that minute."""

    kind: Literal["hand reading"]
    amps: _LegAmps = Field(description=_AMPS)
    volts: _LineVolts = Field(None, description=f"{_VOLTS}; at the motor, running")


class RePitchEntry(_Entry):
    """Other inserts in the blades: makes a register version from then on."""

    kind: Literal["re-pitch"]
    from_: _Pitch = Field(alias="from", description="degrees from 0 to 60: the pitch before")
    to: _Pitch = Field(description="degrees from 0 to 60: the pitch after")
    inserts: Annotated[int, Field(strict=True)] | None = Field(
        None, ge=1, le=40, description="a whole number from 1 to 40: how many inserts were changed"
    )
    correct: bool = Field(
        False, strict=True, description="true: `from` is right and the register was wrong; else false"
    )


class LeadRotationEntry(_Entry):
    """All three leads moved one place the same way, locked out; line currents before and after."""

    kind: Literal["lead rotation"]
    way: Literal["forward", "back"] = Field(
        description='"forward" (lead 1 to line 2, 2 to 3, 3 to 1) or "back" (lead 1 to line 3, 3 to 2, 2 to 1)'
    )
    amps_before: _LegAmps = Field(description="three amps in the order of the supply's lines, before")
    amps_after: _LegAmps = Field(description="three amps in the order of the supply's lines, after")


class ClampCorrectionEntry(_Entry):
    """What the amps of a logger are multiplied by, where its clamps read wrong: makes a register version from then on.
    It is for a clamp that is off, never to make an overload go away."""

    kind: Literal["clamp correction"]
    factors: Annotated[
        Annotated[tuple[_Factor, ...], Field(min_length=1, max_length=3)], AfterValidator(_as_many_as_legs)
    ] = Field(description=f"{_FACTORS}; all 1: the amps are taken as sent")


class NoteEntry(_Entry):
    """Anything else worth keeping."""

    kind: Literal["note"]
    note: Annotated[_Text, Field(min_length=1)] = Field(description=f"1 to {NOTE_LETTERS} letters")


class WithdrawEntry(_Entry):
    """Says that an entry was wrong: it stays to be seen and counts for nothing."""

    kind: Literal["withdraw"]
    number: Annotated[int, Field(strict=True)] = Field(
        ge=1, le=2**53, description="the number of the entry to be withdrawn"
    )
    why: _Text = Field("", description=f"at most {NOTE_LETTERS} letters")


MODELS: Mapping[str, type[_Entry]] = {
    CHECK: CheckEntry,
    HAND_READING: HandReadingEntry,
    RE_PITCH: RePitchEntry,
    LEAD_ROTATION: LeadRotationEntry,
    CLAMP_CORRECTION: ClampCorrectionEntry,
    NOTE: NoteEntry,
    WITHDRAW: WithdrawEntry,
}


@dataclass(frozen=True)
class Entered:
    """An entry that is right by itself."""

    kind: str
    done: datetime
    """When it was done; the time it was entered where that was not said."""
    by: str
    """Who; empty where nobody said."""
    body: Mapping[str, Any]
    """As it is stored: plain JSON, what was not given left out."""


def read_entry(table: object, *, phases: int, now: datetime) -> Entered:
    """An entry as somebody typed it, checked by itself.

    Parameters
    ----------
    table : with `kind`, one of KINDS, and the keys of its model
    phases : of the fan's motor, 1 or 3
    now : when it is entered

    Raises
    ------
    ConfigError : `faults` holds every fault with its place
    """
    kind = table.get("kind") if isinstance(table, dict) else None
    model = MODELS.get(kind) if isinstance(kind, str) else None
    if model is None or not isinstance(table, dict):
        expected = " or ".join(f'"{one}"' for one in KINDS)
        shown = "nothing" if kind is None else f'"{clean(str(kind), 40)}"'
        raise ConfigError(_FAULTS, [Fault("kind", expected, shown)])
    try:
        entry = model.model_validate(table, context={"phases": phases, "now": now})
    except ValidationError as exc:
        raise ConfigError(_FAULTS, [*_printable(faults_of(exc, model)), *_together(table, phases)]) from exc
    faults = _together(table, phases)
    if faults:
        raise ConfigError(_FAULTS, faults)
    body = entry.model_dump(mode="json", by_alias=True, exclude={"kind", "done", "by"}, exclude_none=True)
    body = {key: value for key, value in body.items() if value not in ("", False)}
    return Entered(entry.kind, min(entry.done or now, now), clean(entry.by, NAME_LETTERS), body)  # type: ignore[attr-defined]


_FAULTS = "the entry of the service record has faults:"


def _printable(faults: list[Fault]) -> list[Fault]:
    return [Fault(clean(one.place, 100), one.expected, clean(one.found, 60) or "nothing") for one in faults]


def _together(table: dict[str, Any], phases: int) -> list[Fault]:
    """What no single key can tell; read from the raw table, so that it is told even when other keys are wrong."""
    faults = []
    kind = table["kind"]
    if kind == CHECK and table.get("check") != SUPPLY_VOLTAGE.name:
        for key in ("volts", "volts_at_service"):
            if table.get(key) is not None:
                faults.append(Fault(key, f'nothing: voltages belong to the check "{SUPPLY_VOLTAGE.name}"', "voltages"))
    if kind == RE_PITCH and isinstance(table.get("to"), int | float) and table.get("to") == table.get("from"):
        faults.append(Fault("to", "another pitch than before", f"{table['to']:g}"))
    if kind == LEAD_ROTATION:
        if phases != 3:
            faults.append(Fault("kind", "something else: leads are rotated on three-phase motors", f'"{kind}"'))
        for key in ("amps_before", "amps_after"):
            amps = table.get(key)
            if isinstance(amps, list) and amps and not any(amps):
                faults.append(Fault(key, "currents of the running motor", "none above 0"))
    return faults


# --- what the register and the record so far say ---------------------------------------------------------------


@dataclass(frozen=True)
class Registered:
    """What an entry changes in the register, if it is taken."""

    before: float | None
    """The pitch registered up to now [degrees]."""
    pitch: float | None
    """The pitch from then on [degrees]."""
    since: datetime


@dataclass(frozen=True)
class Clamps:
    """How an entry corrects the clamps in the register, if it is taken."""

    before: tuple[float, ...]
    """The corrections that were true then; empty: none."""
    factors: tuple[float, ...]
    """The corrections from then on."""
    since: datetime


def against_the_record(
    database: Database, point_id: int, entered: Entered
) -> tuple[list[Fault], Registered | Clamps | None]:
    """What speaks against an entry that is right by itself, and what it changes in the register.

    Raises
    ------
    LinkError : the database cannot be read
    """
    if entered.kind == RE_PITCH:
        return _re_pitch(register.versions(database, point_id), entered)
    if entered.kind == CLAMP_CORRECTION:
        return _clamps(register.versions(database, point_id), entered)
    if entered.kind == WITHDRAW:
        return _withdraw(database, point_id, entered)
    return [], None


def _re_pitch(versions: list[Version], entered: Entered) -> tuple[list[Fault], Registered | None]:
    faults = []
    newest, body = versions[-1].nameplate, entered.body
    then = _true_at(versions, entered.done)
    registered = then.nameplate.fan.blade_pitch_degrees
    if registered is not None and registered != body["from"] and not body.get("correct"):
        right = 'or "correct": true beside it, if the register was wrong'
        faults.append(Fault("from", f"{registered:g}, the pitch registered then; {right}", f"{body['from']:g}"))
    least = newest.fan.minimum_pitch_degrees
    if least is not None and body["to"] < least:
        faults.append(Fault("to", f"at least minimum_pitch_degrees, {least:g}", f"{body['to']:g}"))
    later = _changed_after(versions, entered.done)
    if later is not None:
        faults.append(Fault("done", later, entered.done.isoformat(timespec="minutes").replace("+00:00", "Z")))
    return faults, Registered(registered, body["to"], entered.done)


def _clamps(versions: list[Version], entered: Entered) -> tuple[list[Fault], Clamps | None]:
    before, factors = _corrections(_true_at(versions, entered.done)), tuple(entered.body["factors"])
    wanted = factors if any(one != 1.0 for one in factors) else ()
    faults = []
    if wanted == before:
        faults.append(Fault("factors", "others than those registered then", clamps.words(before)))
    later = _changed_after(versions, entered.done, _corrections, "{} for the clamps", clamps.words)
    if later is not None:
        faults.append(Fault("done", later, entered.done.isoformat(timespec="minutes").replace("+00:00", "Z")))
    return faults, Clamps(before, factors, entered.done)


def _corrections(version: Version) -> tuple[float, ...]:
    """The corrections of a version; empty where they change nothing, however that is written."""
    factors = version.nameplate.logger.clamp_corrections
    return factors if any(one != 1.0 for one in factors) else ()


def _withdraw(database: Database, point_id: int, entered: Entered) -> tuple[list[Fault], Registered | Clamps | None]:
    number = entered.body["number"]
    entry = service_record.one(database, number)
    if entry is None or entry.point_id != point_id or entry.kind == WITHDRAW:
        return [Fault("number", "the number of an entry of this fan, no withdrawal", f"{number}")], None
    if entry.withdrawn is not None:
        by = entry.withdrawn.number
        return [Fault("number", "an entry that stands", f"{number}, which entry {by} has withdrawn already")], None
    if entry.kind not in (RE_PITCH, CLAMP_CORRECTION) or entry.found.get("version") is None:
        return [], None
    versions = register.versions(database, point_id)
    if entry.kind == CLAMP_CORRECTION:
        later = _changed_after(versions, entry.done, _corrections, "{} for the clamps", clamps.words)
        if later is not None:
            return [Fault("number", f"{later}; withdraw what is later first", f"{number}")], None
        return [], Clamps(tuple(entry.body["factors"]), tuple(entry.found.get("registered") or ()), entry.done)
    later = _changed_after(versions, entry.done)
    if later is not None:
        return [Fault("number", f"{later}; withdraw what is later first", f"{number}")], None
    before = entry.found.get("registered")
    return [], Registered(entry.body["to"], before, entry.done)


def _true_at(versions: list[Version], time: datetime) -> Version:
    """The version that was true in the field at a time; before the first one the first."""
    return next((one for one in reversed(versions) if one.valid_from <= time), versions[0])


def _pitch(version: Version) -> float | None:
    return version.nameplate.fan.blade_pitch_degrees


def _pitch_in_words(pitch: float | None) -> str:
    return "no pitch" if pitch is None else f"a pitch of {pitch:g}"


def _changed_after(
    versions: list[Version], time: datetime, what: Callable[[Version], Any] = _pitch, told: str = "{}",
    words: Callable[[Any], str] = _pitch_in_words,
) -> str | None:  # fmt: skip
    """What is expected instead, where the register has another pitch (or what else is looked at), or another motor,
    from a later time on.

    Parameters
    ----------
    what : of a version, that may not differ
    told, words : how it is told
    """
    then = _true_at(versions, time)
    for place, one in enumerate(versions):
        replaced = any(later.valid_from <= one.valid_from for later in versions[place + 1 :])
        if one.valid_from <= time or replaced:
            continue
        since = one.valid_from.isoformat(timespec="minutes").replace("+00:00", "Z")
        if one.motor_changed or one.removed:
            return f"a time not before {since}: since then another motor is registered"
        if what(one) != what(then):
            return f"a time not before {since}: since then {told.format(words(what(one)))} is registered"
    return None


def nameplate_at(versions: list[Version], time: datetime) -> Nameplate:
    """What was true of a fan at a time."""
    return _true_at(versions, time).nameplate


def entry_schema() -> dict[str, Any]:
    """The JSON Schema of what may be entered, for the description of the API."""
    return {"oneOf": [model.model_json_schema() for model in MODELS.values()]}


assert set(MODELS) == set(KINDS) and set(WAYS) == {"forward", "back"}

"""Nameplate files: TOML in, every fault at once with its place; and out again in one form.

Keys and units are those of `monitor.motor.nameplate`, but for `rated_power_kw`, which a file may give for
`rated_power_hp`.
"""

from __future__ import annotations

import tomllib
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from monitor.errors import ConfigError, Fault
from monitor.faults import faults_of
from monitor.motor import clamps
from monitor.motor.nameplate import KILOWATTS_A_HORSEPOWER, Fan, Logger, Motor, Nameplate, Protection
from monitor.settings import NAME
from monitor.watch.overrides import check_overrides


def _point_name(text: str) -> str:
    if not NAME.fullmatch(text):
        raise ValueError("a name of small letters, digits, dashes and dots, at most 64")
    return text


def _not_yes(value: object) -> object:
    if value is True:  # equal to 1, but nobody means it
        raise ValueError("1 or 3")
    return value


_PointName = Annotated[str, AfterValidator(_point_name)]
_Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
_Whole = Annotated[int, Field(strict=True)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, protected_namespaces=())


class _MotorTable(_Table):
    rated_power_hp: _Number | None = Field(
        None, gt=0, le=1000, description="a number of horsepower above 0, at most 1000"
    )
    rated_power_kw: _Number | None = Field(None, gt=0, le=750, description="a number of kilowatts above 0, at most 750")
    rated_voltage: _Number = Field(ge=90, le=1000, description="the connected voltage, from 90 to 1000 V")
    phases: Annotated[Literal[1, 3], BeforeValidator(_not_yes)] = Field(description="1 or 3")
    full_load_amps: _Number = Field(gt=0, le=2000, description="a number of amperes above 0, at most 2000")
    service_factor: _Number = Field(1.0, ge=1.0, le=1.5, description="a number from 1.0 to 1.5")
    service_factor_amps: _Number | None = Field(
        None, gt=0, le=3000, description="a number of amperes, not below full_load_amps"
    )
    efficiency: _Number | None = Field(None, gt=0.2, lt=1, description="a fraction above 0.2 and below 1, such as 0.9")
    power_factor: _Number | None = Field(
        None, gt=0.2, le=1, description="a fraction above 0.2, at most 1, such as 0.85"
    )
    rated_speed_rpm: _Number | None = Field(
        None, ge=200, le=4000, description="a number of revolutions a minute from 200 to 4000"
    )
    poles: Literal[2, 4, 6, 8, 10, 12] | None = Field(None, description="2, 4, 6, 8, 10 or 12")
    insulation_class: Literal["A", "B", "F", "H"] | None = Field(None, description='"A", "B", "F" or "H"')
    max_ambient_c: _Number | None = Field(None, ge=20, le=80, description="degrees Celsius from 20 to 80")
    code_letter: str | None = Field(None, pattern="^[A-HJ-NP-V]$", description="one letter from A to V, not I or O")


class _ProtectionTable(_Table):
    type: Literal["overload relay", "built-in protector", "none", "unknown"] = Field(
        "unknown", description='"overload relay", "built-in protector", "none" or "unknown"'
    )
    trip_class: Literal[5, 10, 20, 30] | None = Field(None, description="5, 10, 20 or 30")
    setting_amps: _Number | None = Field(None, gt=0, le=2000, description="a number of amperes above 0, at most 2000")
    trip_ratio: _Number = Field(1.15, ge=1.05, le=1.25, description="a number from 1.05 to 1.25")


_Pitch = Annotated[_Number, Field(ge=0, le=60)]


class _FanTable(_Table):
    blade_pitch_degrees: _Pitch | None = Field(None, description="degrees from 0 to 60")
    available_pitch_degrees: tuple[_Pitch, ...] = Field((), max_length=60, description="a list of degrees from 0 to 60")
    minimum_pitch_degrees: _Pitch | None = Field(None, description="degrees from 0 to 60")
    coldest_expected_c: _Number | None = Field(None, ge=-60, le=40, description="degrees Celsius from -60 to 40")
    blades: _Whole | None = Field(None, ge=1, le=40, description="a whole number from 1 to 40")
    diameter_in: _Number | None = Field(None, gt=0, le=200, description="inches above 0, at most 200")
    control: Literal["continuous", "cycled", "manual"] | None = Field(
        None, description='"continuous", "cycled" or "manual"'
    )
    target_margin_percent: _Number = Field(5.0, ge=0, le=30, description="percent from 0 to 30")
    weather: _PointName | None = Field(None, description="the name of a weather point")
    plenum: str | None = Field(None, min_length=1, max_length=80, description="a name of 1 to 80 letters")
    supply: _PointName | None = Field(None, description="the name of a supply point")
    amps_per_degree: _Number | None = Field(None, gt=0, le=200, description="a number of amperes above 0, at most 200")


class _LoggerTable(_Table):
    accuracy_percent: _Number = Field(2.0, ge=0, le=20, description="percent from 0 to 20")
    accuracy_amps: _Number = Field(0.5, ge=0, le=50, description="a number of amperes from 0 to 50")
    period_seconds: _Number | None = Field(None, ge=0.1, le=3600, description="seconds from 0.1 to 3600")
    averaging: bool = Field(False, strict=True, description="true or false")
    clamp_corrections: tuple[Annotated[_Number, Field(ge=clamps.LEAST, le=clamps.GREATEST)], ...] = Field(
        (),
        max_length=3,
        description=f"a list of factors from {clamps.LEAST:g} to {clamps.GREATEST:g}, one for each leg",
    )


class _File(_Table):
    motor: _MotorTable = Field(description="a [motor] table")
    protection: _ProtectionTable = Field(default_factory=_ProtectionTable, description="a [protection] table")
    fan: _FanTable = Field(default_factory=_FanTable, description="a [fan] table")
    logger: _LoggerTable = Field(default_factory=_LoggerTable, description="a [logger] table")
    conditions: dict[str, dict[str, Any]] = Field(default_factory=dict, description="[conditions.NAME] tables")


def read_nameplate(text: str, place: str = "file") -> Nameplate:
    """The nameplate that a file's text holds.

    Parameters
    ----------
    text : TOML, as README shows it
    place : what to call the file when something is wrong with it

    Raises
    ------
    ConfigError : not TOML, or not a nameplate; `faults` holds every fault with its place
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ConfigError(f"the nameplate {place} is not valid TOML: {exc}") from exc
    faults: list[Fault] = []
    conditions = table.get("conditions", {})
    if isinstance(conditions, dict) and all(isinstance(keys, dict) for keys in conditions.values()):
        faults = check_overrides(conditions)
    try:
        file = _File.model_validate(table)
    except ValidationError as exc:
        told = faults_of(exc, _File)
        raise ConfigError(f"the nameplate {place} has faults:", [*told, *_faults_together(table), *faults]) from exc
    faults = [*_faults_together(table), *faults]
    if faults:
        raise ConfigError(f"the nameplate {place} has faults:", faults)
    return _nameplate(file)


def _number(table: Any, name: str) -> float | None:
    value = table.get(name) if isinstance(table, dict) else None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _faults_together(table: dict[str, Any]) -> list[Fault]:
    """What no single key can tell; read from the raw table, so that it is told even when other keys are wrong."""
    faults = []
    motor, fan = table.get("motor"), table.get("fan")
    if isinstance(motor, dict):
        if "rated_power_hp" in motor and "rated_power_kw" in motor:
            faults.append(Fault("motor.rated_power_kw", "either horsepower or kilowatts", "both"))
        full, most = _number(motor, "full_load_amps"), _number(motor, "service_factor_amps")
        if full is not None and most is not None and most < full:
            faults.append(Fault("motor.service_factor_amps", f"at least full_load_amps, {full:g}", f"{most:g}"))
    logger = table.get("logger")
    factors = logger.get("clamp_corrections") if isinstance(logger, dict) else None
    legs = motor.get("phases") if isinstance(motor, dict) else None
    if legs in (1, 3) and isinstance(factors, list) and len(factors) not in (0, legs):
        expected = "three factors, one for each leg" if legs == 3 else "one factor, for the one leg"
        faults.append(Fault("logger.clamp_corrections", expected, f"{len(factors)}"))
    if isinstance(fan, dict):
        pitch, least = _number(fan, "blade_pitch_degrees"), _number(fan, "minimum_pitch_degrees")
        if pitch is not None and least is not None and least > pitch:
            faults.append(Fault("fan.minimum_pitch_degrees", f"at most blade_pitch_degrees, {pitch:g}", f"{least:g}"))
        if fan.get("supply") is not None and fan.get("supply") == fan.get("weather"):
            faults.append(Fault("fan.weather", "another name than the supply point's", f'"{fan["weather"]}"'))
    return faults


def _nameplate(file: _File) -> Nameplate:
    motor = file.motor.model_dump(exclude={"rated_power_kw"})
    if file.motor.rated_power_kw is not None:
        motor["rated_power_hp"] = file.motor.rated_power_kw / KILOWATTS_A_HORSEPOWER
    return Nameplate(
        Motor(**motor),
        Protection(**file.protection.model_dump()),
        Fan(**file.fan.model_dump()),
        Logger(**file.logger.model_dump()),
        file.conditions,
    )


def write_nameplate(nameplate: Nameplate) -> str:
    """The nameplate as the text of a file; what is not known is left out. Reading it gives the same nameplate back."""
    tables: dict[str, Any] = {}
    for name in ("motor", "protection", "fan", "logger"):
        part = getattr(nameplate, name)
        known = {key: getattr(part, key) for key in part.__dataclass_fields__}
        known = {key: list(value) if isinstance(value, tuple) else value for key, value in known.items()}
        known = {key: _short(value) for key, value in known.items() if value is not None and value != []}
        tables[name] = known
    # The figures everybody looks for first stand first, as on the plate.
    first = ("rated_power_hp", "rated_power_kw", "rated_voltage", "phases", "full_load_amps", "service_factor")
    motor = _power_as_given(tables["motor"])
    tables["motor"] = {key: motor[key] for key in first if key in motor} | motor
    if nameplate.conditions:
        tables["conditions"] = {
            name: {key: _short(value) for key, value in keys.items()} for name, keys in nameplate.conditions.items()
        }
    return tomli_w.dumps({name: table for name, table in tables.items() if table})


def _power_as_given(motor: dict[str, Any]) -> dict[str, Any]:
    """7.5 kW again where 7.5 kW was read, not 10.05766 hp: kilowatts of few places that give back the very figure."""
    power = motor.get("rated_power_hp")
    if power is None or round(power, 3) == power:
        return motor
    kilowatts = round(power * KILOWATTS_A_HORSEPOWER, 4)
    if not 0 < kilowatts <= 750 or kilowatts / KILOWATTS_A_HORSEPOWER != power:
        return motor
    return {"rated_power_kw": _short(kilowatts)} | {
        key: value for key, value in motor.items() if key != "rated_power_hp"
    }


def _short(value: Any) -> Any:
    """12.0 as 12: what a person would have written."""
    if isinstance(value, list):
        return [_short(one) for one in value]
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    return value

"""What stands on a motor's nameplate and what is known about its fan: plain frozen data.

Nothing is checked here. Files are checked at the door, where every fault can be told with its place; whoever builds
these by hand vouches for the ranges named below. The names are those of the nameplate file. Power is in horsepower
inside; a file may give kilowatts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

KILOWATTS_A_HORSEPOWER = 0.7457
"""Exactly 0.745699872 (550 foot-pounds a second); nameplates round coarser than this."""


@dataclass(frozen=True)
class Motor:
    """The motor as its nameplate (NEMA MG 1 section 10.40) has it, at the voltage it is connected for."""

    rated_voltage: float
    """Line-to-line voltage it is connected for [V], above 0."""
    phases: int
    """1 or 3."""
    full_load_amps: float
    """Current at rated power, voltage and frequency [A], above 0."""
    service_factor: float = 1.0
    """Multiplier of rated power it may carry at rated voltage and frequency (NEMA MG 1 section 1.42), 1.0 to 1.5."""
    rated_power_hp: float | None = None
    """Shaft power [hp], above 0."""
    service_factor_amps: float | None = None
    """Current at service-factor power [A], where the nameplate prints it; at least `full_load_amps`."""
    efficiency: float | None = None
    """Full-load efficiency as a fraction, above 0 and below 1."""
    power_factor: float | None = None
    """Full-load power factor as a fraction, above 0 and at most 1."""
    rated_speed_rpm: float | None = None
    """Full-load speed [1/min]."""
    poles: int | None = None
    """Number of poles: 2, 4, 6, 8 ...; None: told by `rated_speed_rpm`, else 4."""
    insulation_class: str | None = None
    """Insulation class letter: A, B, F or H."""
    max_ambient_c: float | None = None
    """Highest air temperature the rating holds for [degrees C]; 40 where nothing is printed."""
    code_letter: str | None = None
    """Locked-rotor code letter (NEC table 430.7(B))."""


@dataclass(frozen=True)
class Protection:
    """The overload device that is to open before the motor burns."""

    type: str = "unknown"
    """"overload relay", "built-in protector", "none" or "unknown"."""
    trip_class: int | None = None
    """5, 10, 20 or 30: at most so many seconds from cold at 7.2 times the setting (IEC 60947-4-1); None: taken
    as 10."""
    setting_amps: float | None = None
    """What it is set to [A], above 0."""
    trip_ratio: float = 1.15
    """Steady current over setting at which it opens in the end, 1.05 to 1.25."""


@dataclass(frozen=True)
class Fan:
    """The fan on the motor's shaft, its inserts, and where its surroundings are measured."""

    blade_pitch_degrees: float | None = None
    """Present blade angle [degrees]."""
    available_pitch_degrees: tuple[float, ...] = ()
    """Angles for which pitch inserts are on hand [degrees]."""
    minimum_pitch_degrees: float | None = None
    """Least angle the fan is meant for [degrees]."""
    coldest_expected_c: float | None = None
    """Coldest air the fan is to run in [degrees C]."""
    blades: int | None = None
    """Number of blades: so many inserts are to order."""
    diameter_in: float | None = None
    """Blade tip diameter [in]."""
    control: str | None = None
    """"continuous", "cycled" (thermostat, humidistat, timer), "manual"; None: not known, no `stopped` alarm."""
    target_margin_percent: float = 5.0
    """Margin that work on the fan is to restore [% of the limit], 0 to 30."""
    weather: str | None = None
    """The point that measures its air temperature, if not its own logger."""
    plenum: str | None = None
    """Fans of the same name blow into the same bin."""
    supply: str | None = None
    """The supply point that measures its voltage, if not its own logger."""
    amps_per_degree: float | None = None
    """This fan's own figure: amps less for a degree less, at service-factor load [A], above 0; None: the usual
    belief."""


@dataclass(frozen=True)
class Logger:
    """The clamp-meter logger that sends the readings."""

    accuracy_percent: float = 2.0
    """Greatest error [% of the reading]."""
    accuracy_amps: float = 0.5
    """Greatest error beside it [A]."""
    period_seconds: float | None = None
    """Time between readings [s]; None: learned from the readings."""
    averaging: bool = False
    """A reading is the mean over the period before it, not a sample."""
    clamp_corrections: tuple[float, ...] = ()
    """What the amps it sends are multiplied by, for each leg in order, 0.8 to 1.25; empty: taken as sent."""


@dataclass(frozen=True)
class Nameplate:
    """One version of what is registered for a fan."""

    motor: Motor
    """The motor."""
    protection: Protection = field(default_factory=Protection)
    """Its overload device."""
    fan: Fan = field(default_factory=Fan)
    """The fan it turns."""
    logger: Logger = field(default_factory=Logger)
    """What measures it."""
    conditions: Mapping[str, Mapping[str, float | bool]] = field(default_factory=dict)
    """Changed rows of the table of conditions: id -> column -> value."""

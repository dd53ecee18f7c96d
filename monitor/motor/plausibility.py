"""Hints about a nameplate that looks mistyped or misread. They are shown; nothing is ever refused for them."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.motor.current import POWER_FACTOR_BOUNDS, computed_power_factor
from monitor.motor.nameplate import KILOWATTS_A_HORSEPOWER, Motor, Nameplate
from monitor.motor.nec import (
    COLUMN_REACH,
    OVERLOAD_SOURCE,
    PROTECTOR_SOURCE,
    SINGLE_PHASE_SOURCE,
    SINGLE_PHASE_VOLTS,
    THREE_PHASE_SOURCE,
    THREE_PHASE_VOLTS,
    greatest_protector_trip,
    greatest_setting,
    greatest_setting_share,
    table_amps,
)

TABLE_REACH = 0.25
"""Full-load amps this far off the table's are worth a second look (common practice, no source)."""
FITS_REACH = 0.15
"""Amps this near to the table's of another voltage or power are told to go with it (common practice, no source)."""
FIGURES_REACH = 0.10
"""By so much power factor times efficiency may miss what power, voltage and amps make of it (common practice)."""
GREATEST_SLIP = 0.10
"""Full-load slip of fan motors is 1 to 5 %; more than this is another number of poles (common practice)."""


@dataclass(frozen=True)
class Hint:
    """One thing about a nameplate that deserves a second look."""

    about: tuple[str, ...]
    """Keys of the nameplate file it is about."""
    found: float
    """The figure found, in the unit of the first key (a ratio where the words say so)."""
    least: float
    """Least figure that would raise no hint."""
    most: float
    """Greatest figure that would raise no hint."""
    words: str
    """What is odd, and what to do about it."""
    source: str
    """What it is measured against."""


def hints(nameplate: Nameplate) -> tuple[Hint, ...]:
    """Everything about a nameplate that deserves a second look, in the order of its file.

    Examples
    --------
    A 10 hp, 460 V motor with the amps of its 230 V connection:

    >>> from monitor.motor.nameplate import Motor, Nameplate
    >>> for hint in hints(Nameplate(Motor(460, 3, 25.0, rated_power_hp=10))):
    ...     print(hint.about, hint.found, hint.least, hint.most)
    ('motor.full_load_amps', 'motor.rated_power_hp') 25.0 10.5 17.5
    ('motor.rated_power_hp', 'motor.full_load_amps', 'motor.efficiency') 0.416 0.7 0.92
    """
    found = (
        _table(nameplate),
        _power_factor(nameplate),
        _printed_power_factor(nameplate),
        _service_factor_amps(nameplate),
        _speed(nameplate),
        _setting(nameplate),
        _low_setting(nameplate),
        _protector(nameplate),
    )
    return tuple(hint for hint in found if hint is not None)


def _table(nameplate: Nameplate) -> Hint | None:
    motor = nameplate.motor
    if motor.rated_power_hp is None:
        return None
    usual = table_amps(motor.phases, motor.rated_power_hp, motor.rated_voltage)
    if usual is None:
        return None
    least, most = usual * (1.0 - TABLE_REACH), usual * (1.0 + TABLE_REACH)
    if least <= motor.full_load_amps <= most:
        return None
    words = (
        f"{motor.full_load_amps:g} A is unusual for {motor.rated_power_hp:.4g} hp at {motor.rated_voltage:g} V: usual "
        f"is about {usual:.3g} A. {_what_fits(motor)}Look at the nameplate again: the amps of the voltage it is "
        "connected for, and horsepower, not kilowatts"
    )
    source = THREE_PHASE_SOURCE if motor.phases == 3 else SINGLE_PHASE_SOURCE
    return Hint(("motor.full_load_amps", "motor.rated_power_hp"), motor.full_load_amps, least, most, words, source)


def _what_fits(motor: Motor) -> str:
    """What the amps would go with, so that the likely slip is found at once: another voltage of the plate, kilowatts
    taken for horsepower or the other way round; empty where nothing is near."""
    power, amps = motor.rated_power_hp, motor.full_load_amps
    if power is None:
        return ""
    voltages = THREE_PHASE_VOLTS if motor.phases == 3 else SINGLE_PHASE_VOLTS
    others: list[tuple[str, float | None]] = [
        (f"{power:.4g} hp at {volts:g} V", table_amps(motor.phases, power, volts))
        for volts in voltages
        if abs(volts - motor.rated_voltage) > COLUMN_REACH * volts
    ]
    kilowatts = KILOWATTS_A_HORSEPOWER
    others.append((f"{power:.4g} kW", table_amps(motor.phases, power / kilowatts, motor.rated_voltage)))
    shown = f"{power * kilowatts:.4g} hp"
    others.append((shown, table_amps(motor.phases, power * kilowatts, motor.rated_voltage)))
    near = [(abs(amps / usual - 1.0), words) for words, usual in others if usual is not None]
    off, words = min(near, default=(1.0, ""))
    return f"It would go with {words}. " if off <= FITS_REACH else ""


def _power_factor(nameplate: Nameplate) -> Hint | None:
    motor = nameplate.motor
    computed = computed_power_factor(motor)
    least, most = POWER_FACTOR_BOUNDS[motor.phases]
    if computed is None or motor.power_factor is not None or least <= computed <= most:
        return None
    words = (
        "the nameplate figures do not fit each other: power, voltage, amps and efficiency make a power factor of "
        f"{computed:.2f}, usual is {least:g} to {most:g}. Look at all four again"
    )
    about = ("motor.rated_power_hp", "motor.full_load_amps", "motor.efficiency")
    return Hint(about, round(computed, 3), least, most, words, "arithmetic; range of common practice, no source")


def _printed_power_factor(nameplate: Nameplate) -> Hint | None:
    motor = nameplate.motor
    computed = computed_power_factor(motor)
    # Without a printed efficiency the typical one is too coarse to find fault with a printed power factor.
    if computed is None or motor.power_factor is None or motor.efficiency is None:
        return None
    ratio = motor.power_factor / computed
    if abs(ratio - 1.0) <= FIGURES_REACH:
        return None
    words = (
        f"the nameplate figures do not fit each other: it prints a power factor of {motor.power_factor:g}, but "
        f"power, voltage, amps and efficiency make {computed:.2f}. Look at all five again"
    )
    least, most = computed * (1.0 - FIGURES_REACH), computed * (1.0 + FIGURES_REACH)
    about = ("motor.power_factor", "motor.efficiency", "motor.rated_power_hp", "motor.full_load_amps")
    return Hint(about, motor.power_factor, least, most, words, "arithmetic")


def _service_factor_amps(nameplate: Nameplate) -> Hint | None:
    motor = nameplate.motor
    if motor.service_factor_amps is None:
        return None
    least, most = motor.full_load_amps, motor.full_load_amps * motor.service_factor * (1.0 + FIGURES_REACH)
    if least <= motor.service_factor_amps <= most:
        return None
    words = (
        f"service-factor amps of {motor.service_factor_amps:g} A do not go with {motor.full_load_amps:g} A at full "
        f"load and a service factor of {motor.service_factor:g}: expected {least:g} to {most:.1f} A. Look at all "
        "three again"
    )
    about = ("motor.service_factor_amps", "motor.full_load_amps", "motor.service_factor")
    return Hint(about, motor.service_factor_amps, least, most, words, "NEMA MG 1 section 1.42")


def _speed(nameplate: Nameplate) -> Hint | None:
    motor = nameplate.motor
    if motor.rated_speed_rpm is None or motor.poles is None:
        return None
    spans = [(120.0 * hertz / motor.poles * (1.0 - GREATEST_SLIP), 120.0 * hertz / motor.poles) for hertz in (60, 50)]
    if any(least <= motor.rated_speed_rpm < synchronous for least, synchronous in spans):
        return None
    words = (
        f"{motor.rated_speed_rpm:g} rpm does not go with {motor.poles} poles: expected a little under "
        f"{spans[0][1]:g} rpm at 60 Hz. Look at both again"
    )
    about = ("motor.rated_speed_rpm", "motor.poles")
    return Hint(about, motor.rated_speed_rpm, *spans[0], words, "synchronous speed = 120 f / poles")


def _setting(nameplate: Nameplate) -> Hint | None:
    motor, setting = nameplate.motor, nameplate.protection.setting_amps
    if setting is None or nameplate.protection.type == "built-in protector":
        return None
    most = greatest_setting(motor.full_load_amps, motor.service_factor)
    if setting <= most * (1.0 + 1e-9):
        return None
    words = (
        f"the overload device is set to {setting:g} A, above the {most:g} A "
        f"({100.0 * greatest_setting_share(motor.service_factor):.0f} % of full-load amps) that the code allows: the "
        "motor is not protected. Have a licensed electrician set it by the nameplate"
    )
    return Hint(("protection.setting_amps",), setting, 0.0, most, words, OVERLOAD_SOURCE)


def _low_setting(nameplate: Nameplate) -> Hint | None:
    motor, setting = nameplate.motor, nameplate.protection.setting_amps
    least = 0.9 * motor.full_load_amps
    if setting is None or setting >= least:
        return None
    words = (
        f"the overload device is set to {setting:g} A, well under the motor's {motor.full_load_amps:g} A: it may "
        "open with the motor within its limit. Look at the dial and at the nameplate again; another device factor (a "
        "current transformer, a delta branch) must be told in amps of the leg"
    )
    about = ("protection.setting_amps", "motor.full_load_amps")
    most = greatest_setting(motor.full_load_amps, motor.service_factor)
    return Hint(about, setting, least, most, words, "common practice, no source")


def _protector(nameplate: Nameplate) -> Hint | None:
    motor, setting = nameplate.motor, nameplate.protection.setting_amps
    if setting is None or nameplate.protection.type != "built-in protector" or motor.rated_power_hp is None:
        return None
    usual = table_amps(motor.phases, motor.rated_power_hp, motor.rated_voltage)
    if usual is None or setting <= greatest_protector_trip(usual):
        return None
    most = greatest_protector_trip(usual)
    words = (
        f"a built-in protector that opens at {setting:g} A is above the {most:.1f} A that the code allows for this "
        "size. Look again where the figure comes from"
    )
    return Hint(("protection.setting_amps",), setting, 0.0, most, words, PROTECTOR_SOURCE)

"""Hints about odd nameplates: each raised where it should be, none on a sound one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.motor.nameplate import Motor, Nameplate, Protection
from monitor.motor.nec import table_amps
from monitor.motor.plausibility import hints

SOUND = Nameplate(
    Motor(
        460, 3, 12.4, service_factor=1.15, rated_power_hp=10, service_factor_amps=14.1, efficiency=0.895,
        power_factor=0.84, rated_speed_rpm=1750, poles=4,
    ),
    protection=Protection("overload relay", 10, 12.4),
)  # fmt: skip


def about(nameplate: Nameplate) -> list[str]:
    """The first key of each hint."""
    return [hint.about[0] for hint in hints(nameplate)]


def motor(**changed: object) -> Nameplate:
    """The sound nameplate with changed motor figures."""
    return replace(SOUND, motor=replace(SOUND.motor, **changed))


def protection(**changed: object) -> Nameplate:
    """The sound nameplate with a changed overload device."""
    return replace(SOUND, protection=replace(SOUND.protection, **changed))


def test_a_sound_nameplate_raises_nothing() -> None:
    assert hints(SOUND) == ()
    assert hints(Nameplate(Motor(460, 3, 12.4))) == ()
    assert hints(Nameplate(Motor(230, 1, 62.0, rated_power_hp=15))) == ()  # above the end of the single-phase table


@pytest.mark.parametrize(
    ("amps", "odd"),
    [(10.5, False), (10.4, True), (17.5, False), (17.6, True), (28.0, True)],
)
def test_full_load_amps_against_the_table(amps: float, odd: bool) -> None:
    plate = Nameplate(Motor(460, 3, amps, rated_power_hp=10, power_factor=0.84))
    assert ("motor.full_load_amps" in about(plate)) is odd


def test_amps_of_the_other_connection_are_explained() -> None:
    hint = hints(Nameplate(Motor(460, 3, 28.0, rated_power_hp=10, power_factor=0.84)))[0]
    assert (hint.found, hint.least, hint.most) == (28.0, 10.5, 17.5)
    assert "usual is about 14 A" in hint.words
    assert hint.source == "NFPA 70 (NEC) 2023 table 430.250"
    single = hints(Nameplate(Motor(230, 1, 20.0, rated_power_hp=10, power_factor=0.9)))[0]
    assert single.source == "NFPA 70 (NEC) 2023 table 430.248"


@pytest.mark.parametrize(
    ("volts", "amps", "power", "goes_with"),
    [
        (460, 25.0, 10.0, "10 hp at 230 V"),
        (230, 12.4, 10.0, "10 hp at 460 V"),
        (460, 14.0, 7.5, "7.5 kW"),
        (460, 14.0, 10 / 0.7457, "10 hp"),
        (460, 40.0, 5.0, None),
    ],
)
def test_a_slip_is_named_by_what_the_amps_go_with(
    volts: float, amps: float, power: float, goes_with: str | None
) -> None:
    found = hints(Nameplate(Motor(volts, 3, amps, rated_power_hp=power)))
    (words,) = [hint.words for hint in found if " is unusual for " in hint.words]
    assert words.partition("It would go with ")[2].partition(". ")[0] == (goes_with or "")


def test_figures_against_each_other() -> None:
    assert about(Nameplate(Motor(460, 3, 17.0, rated_power_hp=10))) == ["motor.rated_power_hp"]
    assert about(motor(power_factor=0.70)) == ["motor.power_factor"]
    assert (
        about(motor(power_factor=0.70, efficiency=None)) == []
    )  # a typical efficiency is too coarse to find fault with
    assert about(motor(service_factor_amps=12.0)) == ["motor.service_factor_amps"]
    assert about(motor(service_factor_amps=16.0)) == ["motor.service_factor_amps"]
    assert about(motor(rated_speed_rpm=1150)) == ["motor.rated_speed_rpm"]
    assert about(motor(rated_speed_rpm=1800)) == ["motor.rated_speed_rpm"]
    assert about(motor(rated_speed_rpm=1450)) == []  # 50 Hz


@pytest.mark.parametrize(
    ("factor", "setting", "odd"),
    [(1.15, 15.5, False), (1.15, 15.6, True), (1.0, 14.26, False), (1.0, 14.3, True), (1.10, 14.3, True)],
)
def test_overload_setting_against_the_code(factor: float, setting: float, odd: bool) -> None:
    plate = replace(
        protection(setting_amps=setting), motor=replace(SOUND.motor, service_factor=factor, service_factor_amps=None)
    )
    found = hints(plate)
    assert bool(found) is odd
    if odd:
        assert found[0].about == ("protection.setting_amps",)
        assert "licensed electrician" in found[0].words


def test_a_setting_far_too_low() -> None:
    assert about(protection(setting_amps=11.0)) == ["protection.setting_amps"]
    assert about(protection(setting_amps=11.2)) == []


def test_a_built_in_protector_goes_by_the_table() -> None:
    assert about(protection(type="built-in protector", setting_amps=21.8)) == []  # 156 % of 14 A
    assert about(protection(type="built-in protector", setting_amps=21.9)) == ["protection.setting_amps"]


def test_every_hint_says_what_to_do() -> None:
    odd = replace(
        motor(full_load_amps=28.0, rated_speed_rpm=1100, service_factor_amps=60.0),
        protection=Protection("overload relay", 10, 50.0),
    )
    found = hints(odd)
    assert len(found) == 5
    for hint in found:
        assert not hint.least <= hint.found <= hint.most
        assert any(word in hint.words for word in ("Look", "Have"))
        assert hint.source


def test_table_currents_between_rows_and_outside() -> None:
    assert table_amps(3, 12.5, 460) == pytest.approx(17.5)
    assert table_amps(3, 60, 460) is None
    assert table_amps(3, 0.5, 460) is None
    assert table_amps(3, 3, 115) is None
    assert table_amps(3, 2.5, 115) is None
    assert table_amps(3, 10, 480) == 14.0
    assert table_amps(3, 10, 415) is None

"""Nameplate files: every fault at once, each with its place, and out again as they came in."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import ConfigError
from monitor.motor.nameplate import Fan, Logger, Motor, Nameplate, Protection
from monitor.records.fan_file import read_nameplate, write_nameplate
from monitor.watch.table import CONDITIONS

WHOLE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 12.4
service_factor = 1.15
service_factor_amps = 14.0
efficiency = 0.895
power_factor = 0.84
rated_speed_rpm = 3500
poles = 2
insulation_class = "F"
max_ambient_c = 40
code_letter = "H"
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 12.4
trip_ratio = 1.2
[fan]
blade_pitch_degrees = 21
available_pitch_degrees = [13, 15, 17.5, 18, 19, 21]
minimum_pitch_degrees = 13
coldest_expected_c = -10
blades = 6
diameter_in = 28
control = "continuous"
target_margin_percent = 7
weather = "yard"
plenum = "bin 3"
supply = "north-panel"
amps_per_degree = 0.9
[logger]
accuracy_percent = 1.5
accuracy_amps = 0.4
period_seconds = 10
averaging = true
[conditions.overload]
on_delay_seconds = 60
priority = "highest"
[conditions.low-margin]
off = true
"""

LEAST = "[motor]\nrated_voltage = 230\nphases = 1\nfull_load_amps = 28\n"


def test_every_key_of_a_file_arrives() -> None:
    assert read_nameplate(WHOLE) == Nameplate(
        Motor(460, 3, 12.4, 1.15, 10, 14.0, 0.895, 0.84, 3500, 2, "F", 40, "H"),
        Protection("overload relay", 10, 12.4, 1.2),
        Fan(21, (13, 15, 17.5, 18, 19, 21), 13, -10, 6, 28, "continuous", 7, "yard", "bin 3", "north-panel", 0.9),
        Logger(1.5, 0.4, 10, True),
        {"overload": {"on_delay_seconds": 60, "priority": "highest"}, "low-margin": {"off": True}},
    )


def test_everything_but_the_motor_may_be_missing() -> None:
    assert read_nameplate(LEAST) == Nameplate(Motor(230, 1, 28))


def test_kilowatts_are_read_and_written_as_given() -> None:
    nameplate = read_nameplate(LEAST + "rated_power_kw = 7.5\n")
    assert nameplate.motor.rated_power_hp == pytest.approx(7.5 / 0.7457)
    assert "rated_power_kw = 7.5\n" in write_nameplate(nameplate)
    assert "rated_power_hp = 7.5\n" in write_nameplate(read_nameplate(LEAST + "rated_power_hp = 7.5\n"))


def test_a_written_file_reads_as_people_write() -> None:
    table = tomllib.loads(write_nameplate(read_nameplate(WHOLE)))
    original = tomllib.loads(WHOLE)
    assert table == original
    assert list(table) == ["motor", "protection", "fan", "logger", "conditions"]
    assert type(table["motor"]["rated_voltage"]) is int


def faults_of(text: str) -> list[tuple[str, str, str]]:
    with pytest.raises(ConfigError) as told:
        read_nameplate(text, "FAN.toml")
    assert "FAN.toml" in told.value.message
    return [(fault.place, fault.expected, fault.found) for fault in told.value.faults]


def test_all_faults_of_a_file_are_told_at_once() -> None:
    faults = faults_of("""
[motor]
rated_voltage = 46000
phases = 2
full_load_amp = 12.4
service_factor = "1.15"
service_factor_amps = nan
poles = 3
[protection]
type = "fuse"
trip_class = 12
[fan]
available_pitch_degrees = [13, "15", 99]
supply = "North Panel"
blades = 5.5
[logger]
averaging = 1
[conditions.overlaod]
on_delay_seconds = 5
[conditions.low-margin]
setpoint = 5
""")
    places = [fault[0] for fault in faults]
    assert places == [
        *(
            f"motor.{key}"
            for key in ("rated_voltage", "phases", "full_load_amps", "service_factor", "service_factor_amps")
        ),
        *("motor.poles", "motor.full_load_amp", "protection.type", "protection.trip_class"),
        *("fan.available_pitch_degrees.1", "fan.available_pitch_degrees.2", "fan.blades", "fan.supply"),
        *("logger.averaging", "conditions.overlaod", "conditions.low-margin.setpoint"),
    ]
    told = dict(zip(places, [fault[1:] for fault in faults], strict=True))
    assert told["motor.full_load_amps"] == ("a number of amperes above 0, at most 2000", "nothing")
    assert told["motor.full_load_amp"] == ("a known key (did you mean full_load_amps?)", '"full_load_amp"')
    assert told["motor.service_factor"] == ("a number from 1.0 to 1.5", '"1.15"')
    assert told["motor.phases"] == ("1 or 3", "2")
    assert told["fan.available_pitch_degrees.1"] == ("a list of degrees from 0 to 60", '"15"')
    assert told["fan.supply"] == (
        "a name of small letters, digits, dashes and dots, at most 64",
        '"North Panel"',
    )
    assert "did you mean overload?" in told["conditions.overlaod"][0]
    assert told["conditions.low-margin.setpoint"][0] == "a number from 0.7 to 1 (ratio)"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", ("motor", "a [motor] table", "nothing")),
        ("motor = 3\n", ("motor", "a [motor] table", "3")),
        (LEAST + "[motors]\n", ("motors", "a known key (did you mean motor?)", '"motors"')),
        (
            LEAST + "[fan]\n[logger]\nperiod = 10\n",
            ("logger.period", "a known key (did you mean period_seconds?)", '"period"'),
        ),
        (
            LEAST + "rated_power_kw = 5\nrated_power_hp = 7\n",
            ("motor.rated_power_kw", "either horsepower or kilowatts", "both"),
        ),
        (LEAST + "service_factor_amps = 27\n", ("motor.service_factor_amps", "at least full_load_amps, 28", "27")),
        (LEAST.replace("28", "true"), ("motor.full_load_amps", "a number of amperes above 0, at most 2000", "True")),
        (LEAST.replace("phases = 1", "phases = true"), ("motor.phases", "1 or 3", "True")),
        (LEAST.replace("phases = 1", "phases = 2"), ("motor.phases", "1 or 3", "2")),
        (LEAST.replace("28", "0"), ("motor.full_load_amps", "a number of amperes above 0, at most 2000", "0")),
        (LEAST.replace("28", "inf"), ("motor.full_load_amps", "a number of amperes above 0, at most 2000", "inf")),
        (LEAST.replace("28", "'12A'"), ("motor.full_load_amps", "a number of amperes above 0, at most 2000", '"12A"')),
        (
            LEAST + "[fan]\nblade_pitch_degrees = 15\nminimum_pitch_degrees = 17\n",
            ("fan.minimum_pitch_degrees", "at most blade_pitch_degrees, 15", "17"),
        ),
        (
            LEAST + "[fan]\nsupply = 'yard'\nweather = 'yard'\n",
            ("fan.weather", "another name than the supply point's", '"yard"'),
        ),
        (LEAST + "[protection]\ntrip_ratio = 1.04\n", ("protection.trip_ratio", "a number from 1.05 to 1.25", "1.04")),
        (LEAST + "[protection]\ntrip_ratio = 1.26\n", ("protection.trip_ratio", "a number from 1.05 to 1.25", "1.26")),
        (
            LEAST + "[fan]\ncontrol = 'thermostat'\n",
            ("fan.control", '"continuous", "cycled" or "manual"', '"thermostat"'),
        ),
        (LEAST + "[conditions]\noverload = 1\n", ("conditions.overload", "[conditions.NAME] tables", "1")),
    ],
)
def test_a_fault_names_its_place_what_is_expected_and_what_was_found(text: str, fault: tuple[str, str, str]) -> None:
    assert faults_of(text) == [fault]


@pytest.mark.parametrize("text", ["[motor", "= 3", "[motor]\nphases = 3\nphases = 3\n", "\x00"])
def test_what_is_not_toml_is_said_with_its_line(text: str) -> None:
    with pytest.raises(ConfigError, match=r"the nameplate FAN\.toml is not valid TOML: .*(line \d|end of document)"):
        read_nameplate(text, "FAN.toml")


# --- any valid nameplate comes back ----------------------------------------------------------------------------


def number(low: float, high: float, **keys: Any) -> st.SearchStrategy[float]:
    return st.one_of(st.floats(low, high, **keys), st.integers(int(low) + 1, int(high)).map(float))


def maybe(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | values


names = st.from_regex(r"[a-z0-9][a-z0-9_.-]{0,20}", fullmatch=True)
pitch = number(0, 60)
plenums = st.text(min_size=1, max_size=20)


@st.composite
def nameplates(draw: st.DrawFn) -> Nameplate:
    full_load = draw(number(0.5, 2000))
    angle, least = draw(maybe(pitch)), draw(maybe(pitch))
    if angle is not None and least is not None:
        angle, least = max(angle, least), min(angle, least)
    supply = draw(maybe(names))
    changeable = [row for row in CONDITIONS if row.decided_by == "kernel"]
    changed = draw(st.lists(st.sampled_from([row.id for row in changeable]), unique=True))
    return Nameplate(
        Motor(
            rated_voltage=draw(number(90, 1000)),
            phases=draw(st.sampled_from([1, 3])),
            full_load_amps=full_load,
            service_factor=draw(st.floats(1.0, 1.5)),
            rated_power_hp=draw(maybe(st.one_of(number(0.1, 1000), number(0.1, 700).map(lambda kw: kw / 0.7457)))),
            service_factor_amps=draw(maybe(st.floats(full_load, 3000))),
            efficiency=draw(maybe(st.floats(0.25, 0.99))),
            power_factor=draw(maybe(st.floats(0.25, 1.0))),
            rated_speed_rpm=draw(maybe(number(200, 4000))),
            poles=draw(maybe(st.sampled_from([2, 4, 6, 8, 10, 12]))),
            insulation_class=draw(maybe(st.sampled_from("ABFH"))),
            max_ambient_c=draw(maybe(number(20, 80))),
            code_letter=draw(maybe(st.sampled_from("ABCDEFGHJKLMNPQRSTUV"))),
        ),
        Protection(
            draw(st.sampled_from(["overload relay", "built-in protector", "none", "unknown"])),
            draw(maybe(st.sampled_from([5, 10, 20, 30]))),
            draw(maybe(number(0.5, 2000))),
            draw(st.floats(1.05, 1.25)),
        ),
        Fan(
            angle,
            tuple(draw(st.lists(pitch, max_size=8))),
            least,
            draw(maybe(number(-60, 40))),
            draw(maybe(st.integers(1, 40))),
            draw(maybe(number(0.1, 200))),
            draw(maybe(st.sampled_from(["continuous", "cycled", "manual"]))),
            draw(number(0, 30)),
            draw(maybe(names.filter(lambda name: name != supply))),
            draw(maybe(plenums)),
            supply,
            draw(maybe(number(0.1, 200))),
        ),
        Logger(draw(number(0, 20)), draw(number(0, 50)), draw(maybe(number(0.1, 3600))), draw(st.booleans())),
        {
            name: {
                "on_delay_seconds": draw(number(0, 86_400)),
                "priority": draw(st.sampled_from(["low", "medium", "high", "highest"])),
                "off": draw(st.booleans()),
            }
            for name in changed
        },
    )  # fmt: skip


@given(nameplates())
def test_any_nameplate_written_reads_back_the_same(nameplate: Nameplate) -> None:
    text = write_nameplate(nameplate)
    again = read_nameplate(text)
    assert again == nameplate
    assert write_nameplate(again) == text


anything = st.recursive(
    st.one_of(st.integers(), st.floats(), st.booleans(), st.text(max_size=5)),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["phases", "rated_voltage", "full_load_amps", "supply", "overload", "setpoint", "x"]), inner
        )
    ),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(["motor", "fan", "protection", "logger", "conditions", "other"]), anything))
def test_any_table_is_taken_or_refused_in_words(table: dict[str, Any]) -> None:
    text = tomli_w.dumps(table)
    try:
        read_nameplate(text)
    except ConfigError as told:
        assert told.faults
        assert all(fault.place and fault.expected and fault.found for fault in told.faults)

"""Scenario files: refused with every fault and its place; those that come along are sound."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

import simulated
from simulated import scenario
from simulated.scenario import ScenarioError, load, names, seconds

# NEC 2023 (NFPA 70) tables 430.250 (three-phase) and 430.248 (single-phase), full-load amps: (phases, volts, hp).
NEC = {
    (3, 460, 5): 7.6,
    (3, 460, 7.5): 11.0,
    (3, 460, 10): 14.0,
    (3, 460, 15): 21.0,
    (3, 460, 20): 27.0,
    (3, 230, 10): 28.0,
    (3, 230, 15): 42.0,
    (1, 230, 5): 28.0,
    (1, 230, 7.5): 40.0,
    (1, 230, 10): 50.0,
}


@pytest.mark.parametrize("name", names())
def test_nameplates_are_near_the_nec_tables(name):
    for site in load(name).sites.values():
        for fan in site.fans.values():
            m = fan.motor
            table = NEC[m.get("phases", 3), int(m["rated_voltage"]), m["rated_power_hp"]]
            assert 0.75 <= m["full_load_amps"] / table <= 1.25
            # NEC 430.32: a setting of at most 125 % (service factor 1.15) or 115 % of full-load amps.
            most = 1.25 if m["service_factor"] >= 1.15 else 1.15
            assert fan.protection.get("setting_amps", 0.0) <= most * m["full_load_amps"] + 1e-9


def test_they_all_come_along():
    assert names() == ["many", "meadow", "quiet", "troubles"]


def test_every_fault_is_told_with_its_place(tmp_path):
    text = (scenario.HERE / "quiet.toml").read_text(encoding="utf-8")
    text = text.replace("altitude_m = 240", 'altitude_m = "high"\ncolour = "red"')
    text = text.replace("truth = { load = 0.88, slope = 0.075 }", "truth = { lod = 0.88 }")
    path = tmp_path / "wrong.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load(path)
    told = str(caught.value)
    assert "sites.brook.altitude_m: expected a number, found 'high'" in told
    assert "sites.brook.colour: unknown key" in told
    assert "sites.brook.fans.bin-1.truth.lod: unknown key; known here: load, slope" in told


@pytest.mark.parametrize(
    ("find", "put", "told"),
    [
        ('bin = "bin-2"', 'bin = "bin-9"', "fans.bin-2.bin: expected one of bin-1, bin-2, found 'bin-9'"),
        ("full_load_amps = 18.5, ", "", "fans.bin-2.motor.full_load_amps: expected a number, found None"),
        ('time_zone = "America/Chicago"', 'time_zone = "Moon"', "time_zone: expected a zone"),
        ("depth_ft = 12.0", 'grain = "sand"', "bins.bin-2.grain: expected one of corn"),
        ('point = "yard"', "period_seconds = 7", "weather.period_seconds: expected whole seconds that divide 1800"),
        ("volts = 478.0", "", "supplies.main.volts: expected a value, found nothing"),
        (
            "past_hours = 6.0",
            "past_hours = 6.0\n[[events]]\nat='1x'\nsite='brook'\non='bin-1'\nwhat='off'",
            "events[0].at",
        ),
        ("past_hours = 6.0", "past_hours = 6.0\n[[events]]\nat='1h'\nsite='brook'\non='x'\nwhat='off'", "events[0].on"),
        (
            "past_hours = 6.0",
            "past_hours = 6.0\n[[events]]\nat='1h'\nsite='brook'\non='x'\nwhat='fly'",
            "events[0].what",
        ),
        (
            "past_hours = 6.0",
            "past_hours = 6.0\n[[events]]\nat='1h'\nsite='brook'\non='bin-1'\nwhat='open leg'",
            "].leg",
        ),
    ],
)
def test_faults(find, put, told, tmp_path):
    text = (scenario.HERE / "quiet.toml").read_text(encoding="utf-8")
    assert find in text
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace(find, put, 1), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load(path)
    assert told in str(caught.value)


def test_files_that_are_not_there_or_no_toml(tmp_path):
    with pytest.raises(ScenarioError, match="no scenario named moon"):
        load("moon")
    with pytest.raises(ScenarioError, match="cannot be read"):
        load(tmp_path / "none.toml")
    (tmp_path / "odd.toml").write_bytes(b"a = [")
    with pytest.raises(ScenarioError, match="not TOML"):
        load(tmp_path / "odd.toml")
    with pytest.raises(ScenarioError, match=r"many: expected a table \[many\]"):
        load("quiet", fans=5)


@pytest.mark.parametrize(
    ("span", "size"), [("90s", 90), ("-4h30m", -16_200), ("2d", 172_800), ("1h0m5s", 3605), ("0s", 0), ("+1.5h", 5400)]
)
def test_spans(span, size):
    assert seconds(span) == size


@pytest.mark.parametrize("span", ["", "5", "h", "-", "1h 5", "five"])
def test_spans_that_are_none(span):
    with pytest.raises(ValueError):
        seconds(span)


def test_the_farm_shares_nothing_with_the_monitor():
    files = list(Path(simulated.__file__).parent.glob("*.py"))
    assert len(files) > 10
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            modules = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            modules += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [m for m in modules if m.split(".")[0] == "monitor"], path


def test_scenario_files_ship_with_the_package():
    project = tomllib.loads((Path(simulated.__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))
    assert "scenarios/*.toml" in project["tool"]["setuptools"]["package-data"]["simulated"]

"""Files stay as typed: a change of single keys leaves comments, layout and unknown keys alone."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from monitor.records.fan_text import Difference, differences, edited, flat

TYPED = """\
# east fan, new motor in August
[motor]
rated_voltage   = 460      # high connection
full_load_amps = 12.40
phases = 3

[conditions.overload]   # it stands in the wind
on_delay_seconds = 120
"""


def test_what_is_not_changed_stays_as_typed() -> None:
    made = edited(TYPED, {("motor", "full_load_amps"): 13.2, ("motor", "rated_voltage"): 460, ("fan", "blades"): 6})
    assert made.startswith("# east fan, new motor in August\n[motor]\nrated_voltage   = 460      # high connection\n")
    assert "full_load_amps = 13.2\n" in made
    assert "[conditions.overload]   # it stands in the wind\non_delay_seconds = 120\n" in made
    assert tomllib.loads(made)["fan"] == {"blades": 6}
    assert edited(TYPED, {("motor", "full_load_amps"): 12.4, ("fan", "blades"): None}) == TYPED


def test_a_key_is_taken_out() -> None:
    made = edited(TYPED, {("motor", "full_load_amps"): None})
    assert made == TYPED.replace("full_load_amps = 12.40\n", "")


@pytest.mark.parametrize(
    "text",
    [
        "motor.rated_voltage = 460\nmotor.phases = 3\nmotor.full_load_amps = 12\n",
        "motor = {rated_voltage = 460, phases = 3, full_load_amps = 12}\n",
        "[fan]\nblades = 6\n[motor]\nrated_voltage = 460\r\nphases = 3\r\nfull_load_amps = 12",
        '[motor]\nrated_voltage = 460\n[conditions."low-margin"]\noff = true\n',
    ],
)
def test_every_layout_of_a_file_can_be_changed(text: str) -> None:
    wanted = tomllib.loads(text)
    wanted["motor"]["full_load_amps"] = 13.5
    wanted.setdefault("fan", {})["supply"] = "north"
    made = edited(text, {("motor", "full_load_amps"): 13.5, ("fan", "supply"): "north"})
    assert tomllib.loads(made) == wanted


keys = st.sampled_from(["rated_voltage", "phases", "supply", "on_delay_seconds", "x"])
values = st.one_of(st.integers(-9, 999), st.floats(0.1, 99).map(lambda one: round(one, 2)), st.booleans(),
                   st.text("ab °#\"'\\", max_size=5), st.lists(st.integers(0, 30), max_size=3))  # fmt: skip
tables = st.dictionaries(st.sampled_from(["motor", "fan", "logger"]), st.dictionaries(keys, values, max_size=4))
changes = st.dictionaries(
    st.tuples(st.sampled_from(["motor", "fan", "logger"]), keys), st.one_of(st.none(), values), max_size=4
)


@given(table=tables, change=changes)
def test_a_change_is_exactly_that_change(table: dict[str, Any], change: dict[tuple[str, str], Any]) -> None:
    wanted = {key: dict(inner) for key, inner in table.items()}
    for (outer, key), value in change.items():
        if value is not None:
            wanted.setdefault(outer, {})[key] = value
        else:
            wanted.get(outer, {}).pop(key, None)
    assert tomllib.loads(edited(tomli_w.dumps(table), change)) == wanted


def test_differences_are_told_key_by_key() -> None:
    after = TYPED.replace("12.40", "13.2").replace("phases = 3\n", "").replace("120", "60").replace("# east", "# East")
    assert differences(TYPED, after) == [
        Difference("motor.full_load_amps", 12.4, 13.2),
        Difference("conditions.overload.on_delay_seconds", 120, 60),
        Difference("motor.phases", 3, None),
    ]
    assert differences(TYPED, TYPED.replace("12.40", "12.4").replace("# east", "# East")) == []
    assert flat(TYPED)["motor.rated_voltage"] == 460

"""The whole estimate: its JSON form, the words where something is missing, and what is shown beside it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest

from monitor.blades.belief import Belief
from monitor.blades.checks import checks_for
from monitor.blades.estimate import Estimate, estimate
from monitor.blades.window import WindowFigures
from monitor.motor.nameplate import Fan, Motor, Nameplate, Protection

PLATE = Nameplate(
    Motor(460, 3, 13.2, 1.15, rated_power_hp=10, power_factor=0.83),
    protection=Protection("overload relay", 10, 15.0),
    fan=Fan(21, (13, 15, 17, 18, 19, 21), 13, coldest_expected_c=-5.0),
)
SEEN = WindowFigures(
    15.5, 15.0333333, (15.5, 15.0, 14.6), (450.0, 447.0, 443.0), 0.8209, 446.6667, 7.0, 0.0, 1800.0, 180, None
)


def fan(**changed: Any) -> Nameplate:
    """The nameplate with changed figures of the fan."""
    return replace(PLATE, fan=replace(PLATE.fan, **changed))


def says(answer: Estimate, part: str) -> bool:
    """Whether a text beside the estimate contains this."""
    return any(part in words for words in answer.words)


def pitch(answer: Estimate) -> dict[str, Any]:
    """The pitch block as JSON has it."""
    block: dict[str, Any] = answer.as_json()["pitch"]
    return block


def test_json_has_exactly_the_keys_promised() -> None:
    answer = json.loads(json.dumps(estimate(PLATE, SEEN).as_json(), allow_nan=False))
    assert list(answer["limit"]) == ["amps", "percent_of_full_load", "factors"]
    assert all(list(factor) == ["name", "value", "source"] for factor in answer["limit"]["factors"])
    assert [part["name"] for part in answer["parts"]] == [
        "leg spread",
        "supply voltage",
        "derating",
        "air density",
        "fan load",
    ]
    assert all(list(part) == ["name", "amps"] for part in answer["parts"])
    assert all(list(cause) == ["cause", "share_amps", "evidence", "confirm_by"] for cause in answer["causes"])
    assert all(list(check) == ["name", "done", "how"] for check in answer["checks_first"])
    assert list(answer["pitch"]) == [
        "provisional",
        "amps_per_degree",
        "as_is",
        "as_is_why",
        "supply_right",
        "supply_right_why",
        "options",
    ]
    assert list(answer["pitch"]["amps_per_degree"]) == ["mean", "low", "high", "source"]
    assert list(answer["pitch"]["as_is"]) == ["degrees", "pitch", "chance"]
    assert [list(option) for option in answer["pitch"]["options"]] == [
        ["pitch", "amps", "low", "high", "chance", "chance_supply_right", "airflow_percent"]
    ] * 6
    assert all(isinstance(text, str) and text for text in answer["cautions"])


def test_recommended_and_options() -> None:
    block = pitch(estimate(PLATE, SEEN))
    assert (block["as_is"]["pitch"], block["as_is"]["degrees"], block["as_is_why"]) == (18, 3, None)
    assert (block["supply_right"]["pitch"], block["supply_right_why"]) == (19, None)
    assert [option["pitch"] for option in block["options"]] == [21, 19, 18, 17, 15, 13]
    assert block["options"][0]["airflow_percent"] == 100.0
    amps = [option["amps"] for option in block["options"]]
    assert amps == sorted(amps, reverse=True)


def test_none_needed_and_none_enough() -> None:
    light = replace(SEEN, highest=11.5, mean=11.3)
    block = pitch(estimate(PLATE, light))
    assert (block["as_is"], block["as_is_why"]) == (None, "none needed")
    assert (block["supply_right"], block["supply_right_why"]) == (None, "none needed")
    heavy = replace(SEEN, highest=26.0, mean=25.5)
    block = pitch(estimate(PLATE, heavy))
    assert (block["as_is"], block["as_is_why"]) == (None, "none enough")
    assert len(block["options"]) == 6


def test_bad_unbalance_says_supply_first() -> None:
    answer = estimate(PLATE, replace(SEEN, unbalance=5.1))
    block = pitch(answer)
    assert (block["as_is"], block["as_is_why"]) == (None, "supply first")
    assert all(option["chance"] is None for option in block["options"])
    assert block["supply_right"] is not None
    assert says(answer, "no limit is given at this unbalance")
    at_the_end_of_the_curve = pitch(estimate(PLATE, replace(SEEN, unbalance=5.0)))
    assert at_the_end_of_the_curve["as_is_why"] != "supply first"


def test_too_little_to_go_by() -> None:
    follows = estimate(PLATE, None)
    assert says(follows, "degrees follow")
    assert (follows.parts, follows.causes, follows.margin, follows.rank) == (None, (), None, math.inf)
    light = estimate(PLATE, replace(SEEN, highest=6.3, mean=6.2))
    assert says(light, "too lightly loaded to say")
    assert light.parts is None
    assert light.margin == pytest.approx(1.0 - 6.3 / 15.18)
    broken = estimate(PLATE, SEEN, fault="a lost phase")
    assert says(broken, "no degrees after a lost phase")
    assert broken.parts is not None
    for answer in (follows, light, broken):
        block = pitch(answer)
        assert (block["as_is"], block["as_is_why"]) == (None, "cannot say")
        assert (block["supply_right"], block["supply_right_why"]) == (None, "cannot say")
        assert block["options"] == []
        assert block["amps_per_degree"]["mean"] > 0.0


def test_angles_that_are_not_registered() -> None:
    answer = estimate(fan(blade_pitch_degrees=None), SEEN)
    assert pitch(answer)["as_is_why"] == "cannot say"
    assert says(answer, "the present blade angle is not registered; by the mean belief it takes about 1.8 degrees")
    assert pitch(answer)["options"] == []
    answer = estimate(fan(available_pitch_degrees=()), SEEN)
    assert says(answer, "which inserts are on hand is not registered")
    assert [option["pitch"] for option in pitch(answer)["options"]] == [21]
    # At its lowest angle: everything is registered, and nothing on hand is enough.
    for lowest in (fan(blade_pitch_degrees=13), fan(minimum_pitch_degrees=21)):
        answer = estimate(lowest, SEEN)
        assert (pitch(answer)["as_is_why"], pitch(answer)["supply_right_why"]) == ("none enough", "none enough")
        assert not says(answer, "not registered")
    light = estimate(fan(blade_pitch_degrees=None), replace(SEEN, highest=11.5, mean=11.3))
    assert pitch(light)["as_is_why"] == "none needed"
    assert not says(light, "by the mean belief")


def test_volts_not_measured() -> None:
    answer = estimate(PLATE, replace(SEEN, volts=(None,) * 3, unbalance=None, mean_volts=None))
    assert says(answer, "not adjusted: voltage is not measured")
    assert answer.limit.amps == pytest.approx(15.18)
    assert answer.parts is not None
    assert (answer.parts.supply_voltage, answer.parts.derating) == (0.0, 0.0)
    block = pitch(answer)
    assert block["as_is"] is not None and block["supply_right"] is not None


def test_one_voltage_on_three_phases() -> None:
    answer = estimate(PLATE, replace(SEEN, volts=(440.0, None, None), unbalance=None, mean_volts=440.0))
    assert says(answer, "only one line voltage is measured")
    assert answer.parts is not None
    assert answer.parts.supply_voltage > 0.0
    assert answer.parts.derating == 0.0


def test_a_technician_s_reading_stands_in() -> None:
    unmeasured = replace(SEEN, volts=(None,) * 3, unbalance=None, mean_volts=None)
    answer = estimate(
        PLATE, unmeasured, technician_unbalance=3.0, technician_words="a technician's reading of 3 October"
    )
    assert answer.limit.amps == pytest.approx(0.88 * 15.18)
    assert answer.limit.factors[-1].source.endswith("a technician's reading of 3 October")
    assert estimate(PLATE, SEEN, technician_unbalance=3.0).limit.amps == pytest.approx(15.18)  # measured goes first


def test_a_voltage_that_cannot_be_believed() -> None:
    answer = estimate(PLATE, replace(SEEN, mean_volts=265.0, unbalance=0.5))
    assert says(answer, "not believable")
    assert answer.parts is not None
    assert answer.parts.supply_voltage == 0.0
    assert math.isfinite(pitch(answer)["options"][0]["amps"])


def test_no_fall_is_promised_far_above_rated_voltage() -> None:
    assert says(estimate(PLATE, replace(SEEN, mean_volts=485.0)), "no fall of current is promised")
    assert not says(estimate(PLATE, replace(SEEN, mean_volts=480.0)), "no fall of current is promised")


def test_air_not_known() -> None:
    answer = estimate(PLATE, replace(SEEN, ambient_c=None))
    assert says(answer, "the air temperature is not known")
    assert answer.parts is not None
    assert answer.parts.air_density == 0.0
    by_weather = estimate(PLATE, replace(SEEN, ambient_c=None), weather_c=7.0)
    assert by_weather.parts == estimate(PLATE, SEEN).parts
    assert not says(by_weather, "the air temperature is not known")
    unregistered = estimate(fan(coldest_expected_c=None), SEEN)
    assert says(unregistered, "the coldest air expected is not registered")
    assert unregistered.pitch.columns is not None
    assert unregistered.pitch.columns[0].amps(0.0) == pytest.approx(15.5)


def test_cold_takes_margin() -> None:
    answer = estimate(PLATE, SEEN)
    assert answer.margin == pytest.approx(1.0 - 15.5 / 15.18)
    assert answer.margin_coldest is not None and answer.margin is not None
    assert answer.margin_coldest < answer.margin
    assert answer.rank == answer.margin_coldest
    warm = estimate(fan(coldest_expected_c=25.0), SEEN)
    assert warm.rank == warm.margin


def test_a_target_the_device_would_not_carry() -> None:
    """Target 14.42 A: above 1.05 times 13.7 A, not above 1.05 times 13.8 A."""
    low = estimate(replace(PLATE, protection=Protection("overload relay", 10, 13.7)), SEEN)
    assert says(low, "it could still trip")
    high = estimate(replace(PLATE, protection=Protection("overload relay", 10, 13.8)), SEEN)
    assert not says(high, "it could still trip")
    assert not says(estimate(replace(PLATE, protection=Protection()), SEEN), "it could still trip")
    light = replace(SEEN, highest=11.0, mean=10.7, legs=(11.0, 10.7, 10.4))
    clear = estimate(replace(PLATE, protection=Protection("overload relay", 10, 13.7)), light)
    assert clear.pitch.as_is_why == "none needed" and not says(clear, "it could still trip")


def test_provisional_until_all_checks_are_done() -> None:
    answer = estimate(PLATE, SEEN, checks_done={"supply voltage", "bearings"})
    assert pitch(answer)["provisional"] is True
    assert [(check["name"], check["done"]) for check in answer.as_json()["checks_first"]] == [
        ("supply voltage", True),
        ("connections", False),
        ("bearings", True),
    ]
    done = estimate(PLATE, SEEN, checks_done={"supply voltage", "connections", "bearings"})
    assert pitch(done)["provisional"] is False


def test_single_phase_motors_have_a_fourth_check() -> None:
    assert [check.name for check in checks_for(3)] == ["supply voltage", "connections", "bearings"]
    single = Nameplate(
        Motor(230, 1, 46.0, 1.15, rated_power_hp=10), fan=Fan(23, (15, 17, 19, 21, 23), 15, coldest_expected_c=-8.0)
    )
    seen = WindowFigures(54.6, 54.6, (54.6, None, None), (219.6, None, None), None, 219.6, 3.0, 0.0, 1800.0, 180, None)
    answer = estimate(single, seen, checks_done={"supply voltage", "connections", "bearings"})
    assert pitch(answer)["provisional"] is True
    assert answer.as_json()["checks_first"][3]["name"] == "start switch and capacitors"
    assert pitch(answer)["as_is"]["pitch"] == 19
    assert not says(answer, "not adjusted")
    assert answer.parts is not None
    assert (answer.parts.leg_spread, answer.parts.derating) == (0.0, 0.0)


def test_a_learned_belief_goes_before_the_file_s() -> None:
    learned = Belief(0.10, 0.01, "learned on this fan")
    answer = estimate(fan(amps_per_degree=0.5), SEEN, belief=learned)
    assert pitch(answer)["amps_per_degree"]["source"] == "learned on this fan"
    own = pitch(estimate(fan(amps_per_degree=0.9), SEEN))["amps_per_degree"]
    assert own["mean"] == pytest.approx(0.9)
    assert 0.0 < own["low"] < 0.9 < own["high"]
    assert own["source"] == "this fan's own figure, from its file"


def test_words_of_window_and_site_are_carried_on() -> None:
    answer = estimate(PLATE, replace(SEEN, words=("still rising 4.0 % an hour",)), altitude_m=1500.0)
    assert says(answer, "still rising 4.0 % an hour")
    assert says(answer, "the site lies at 1500 m")
    assert not says(estimate(PLATE, SEEN, altitude_m=1000.0), "the site lies at")


def test_noise_in_the_window_lowers_the_chance() -> None:
    calm = pitch(estimate(PLATE, SEEN))["as_is"]["chance"]
    options = pitch(estimate(PLATE, replace(SEEN, spread=0.6)))["options"]
    assert options[2]["pitch"] == 18
    assert options[2]["chance"] < calm

"""The same log with something changed: what can never be, what the image says, and how a real trip counts."""

from __future__ import annotations

import dataclasses
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings

from monitor.motor.current import current_model
from monitor.motor.nameplate import Nameplate
from monitor.motor.nec import greatest_setting
from monitor.review import what_if
from monitor.review.engine import review
from monitor.review.findings import WhatIf
from monitor.review.log import Log
from monitor.review.runs import runs_of
from monitor.review.summary import summary
from monitor.review.watching import Plates, watch
from monitor.review.what_if import AS_IT_WAS, SUPPLY_RIGHT, scenarios
from tests.review.logs import START_MS, clock, invented, plate, told

RISES = "00:00:00  37>48 | 460\n01:20:00  0 | 461\n01:40:00  end"


def asked(log: Log, nameplate: Nameplate) -> dict[str, WhatIf]:
    plates = Plates.one(nameplate)
    watched = watch(log, plates)
    found = what_if.what_if(log, plates, watched, runs_of(log, plates, watched), nameplate)
    return {one.change: one for one in found}


def by_degrees(found: dict[str, WhatIf]) -> list[WhatIf]:
    """As it was, and every insert, from none to most."""
    return [one for change, one in found.items() if change == AS_IT_WAS or "(insert" in change]


@settings(max_examples=80, deadline=None)
@given(invented())
def test_more_degrees_never_trip_sooner(case: tuple[Log, Nameplate]) -> None:
    found = by_degrees(asked(*case))
    if not found:
        return
    assert len(found) == 4
    for less, more in pairwise(found):
        if more.trips and less.trips is not None:  # None: how it was cannot be told
            assert less.trips and less.at_ms is not None and more.at_ms is not None
            assert more.at_ms >= less.at_ms
        if not math.isnan(less.margin):
            assert more.margin >= less.margin - 1e-12


@settings(max_examples=80, deadline=None)
@given(invented())
def test_unchanged_it_is_the_image_of_the_watch(case: tuple[Log, Nameplate]) -> None:
    """One pass of its own, yet to the last bit what the watch had, first readings with an unlearned period apart."""
    log, nameplate = case
    nameplate = dataclasses.replace(nameplate, logger=dataclasses.replace(nameplate.logger, period_seconds=10.0))
    plates = Plates.one(nameplate)
    watched = watch(log, plates)
    *_, heat = what_if._pass(
        log, plates, watched, [what_if.Scenario(AS_IT_WAS)], math.inf, math.inf, what_if._slots(log), keep_heat=True
    )
    if nameplate.protection.setting_amps is not None:
        known = ~np.isnan(log.amps).all(axis=1)
        assert np.array_equal(heat[known], watched.judged.device_heat[known], equal_nan=True)


def test_a_trip_is_told_when_it_happened_and_fewer_degrees_prevent_it() -> None:
    log = told(RISES, noise=0.001)
    found = asked(log, plate())
    was = found[AS_IT_WAS]
    assert (was.trips, clock(was.at_ms or 0.0)) == (True, "01:19:50")
    less = found["2 degrees less (insert 19)"]
    assert (less.trips, less.at_ms) == (False, None)
    assert any("up to the end of this run" in word for word in less.words)
    assert was.margin == pytest.approx(1.0 - np.mean(np.linspace(37, 48, 480)[-180:]) / 40.0, abs=0.005)
    assert found["6 degrees less (insert 15)"].margin > less.margin > was.margin


def test_the_level_is_where_this_device_opened() -> None:
    """A quick device, of 0.5 of its class time, opened with its image at some 0.8: that counts for colder air too."""
    text = "00:00:00  36 | 460\n02:00:00  50 | 460\n02:02:30  0 | 460\n02:30:00  end"
    found = asked(told(text, noise=0.001), plate())
    assert found[AS_IT_WAS].trips and clock(found[AS_IT_WAS].at_ms or 0.0) == "02:02:20"
    colder = found["air at -10 degrees C (14 F) all the time, the coldest expected"]
    assert colder.trips and colder.at_ms is not None and colder.at_ms < (found[AS_IT_WAS].at_ms or 0.0)
    assert any("At most" in word for word in colder.words)
    assert not found["2 degrees less (insert 19)"].trips


def test_no_device_opens_under_1_05_of_its_setting() -> None:
    """It opened early, at a step; what lies under 1.05 x its setting afterwards never counts, however warm it is."""
    text = """
    00:00:00  36 | 460
    02:00:00  60 | 460
    02:00:30  0 | 460
    02:30:00  41.5 | 460
    06:00:00  0 | 460
    06:30:00  end
    """
    nameplate = plate(inserts=(20, 21), service_factor=1.15)
    log = told(text, noise=0.0005)
    found = asked(log, nameplate)
    heat = review(log, nameplate).judged.device_heat
    opened = heat[log.row_at(found[AS_IT_WAS].at_ms or 0.0)]
    assert found[AS_IT_WAS].trips and opened < 0.72 < heat[log.row_at(START_MS + 5 * 3_600_000)]
    assert not found["1 degree less (insert 20)"].trips


def test_what_a_change_makes_of_the_amps() -> None:
    """The active part falls with the load, the magnetising part stays, the spread of the legs is added."""
    log, nameplate = told("00:00:00  44 40 39 | 450 452 454\n01:00:00  end"), plate()
    model = current_model(nameplate.motor)
    v, mean = 452.0 / 460.0, 41.0
    active = model.active(mean, v)
    limit = 40.0  # unbalance of 0.4 % takes nothing
    amps = {
        AS_IT_WAS: 44.0,
        "4 degrees less (insert 17)": math.hypot(active * math.exp(-0.075 * 4), model.magnetising(v)) + 3.0,
        SUPPLY_RIGHT: math.hypot(active * v, model.magnetising_rated),
        "air at -10 degrees C (14 F) all the time, the coldest expected": (
            math.hypot(active * 283.15 / 263.15, model.magnetising(v)) + 3.0
        ),
    }
    found = asked(log, nameplate)
    for change, would in amps.items():
        assert found[change].margin == pytest.approx(1.0 - would / limit, abs=1e-9), change


def test_what_was_carried_without_opening_is_carried() -> None:
    """An image above 1 for an hour and nothing opened: the device is set higher than is registered, or slow."""
    found = asked(told("00:00:00  36 | 460\n00:30:00  48 | 460\n02:00:00  end", noise=0.001), plate())
    assert not found[AS_IT_WAS].trips
    assert found["air at -10 degrees C (14 F) all the time, the coldest expected"].trips


def test_supply_put_right() -> None:
    low = told("00:00:00  43 40 38 | 425 432 436\n01:00:00  end", noise=0.001)
    found = asked(low, plate())
    assert found[AS_IT_WAS].margin < 0.0 < found[SUPPLY_RIGHT].margin
    good = asked(told("00:00:00  36 | 460\n01:00:00  end"), plate())
    assert good[SUPPLY_RIGHT].margin == pytest.approx(good[AS_IT_WAS].margin)


@pytest.mark.parametrize(("factor", "setting"), [(1.0, 40.0), (1.15, 40.0), (1.0, 60.0), (1.25, None)])
def test_a_setting_is_never_beyond_the_code_and_never_a_remedy(factor: float, setting: float | None) -> None:
    nameplate = plate(setting=setting, service_factor=factor)
    most = greatest_setting(40.0, factor)
    for one in scenarios(nameplate):
        if setting is None:
            assert one.setting_times == 1.0
            continue
        assert one.setting_times == 1.0 or one.setting_times * setting <= most * (1.0 + 1e-9)
        if one.setting_times > 1.0 or (one.tau_s == one.tau_s and "class 20" in one.change):
            assert "never a remedy" in one.change
    if setting == 60.0:  # beyond the code already: set down, it would open where it now does not
        text = "00:00:00  36 | 460\n00:30:00  56 | 460\n02:00:00  end"
        found = asked(told(text, noise=0.001), nameplate)
        lower = [one for change, one in found.items() if "the most the code allows" in change]
        assert not found[AS_IT_WAS].trips and len(lower) == 1 and lower[0].trips
        assert "never a remedy" not in lower[0].change


def test_the_same_through_the_review() -> None:
    log = told(RISES, noise=0.001)
    found = review(log, plate())
    assert {one.change: one for one in found.what_if} == asked(log, plate())
    assert found.what_if[0].change == AS_IT_WAS


def test_a_trip_that_is_possible_only_is_not_told_as_one_nor_as_none() -> None:
    log = told(RISES.replace("460", "-").replace("461", "-"))  # no volts, no sister fan: one word less sure
    fan = plate(setting=None)
    plates = Plates.one(fan)
    watched = watch(log, plates)
    ran = runs_of(log, plates, watched)
    assert [(one.run.end_cause, one.run.confidence) for one in ran] == [("overload trip", "possible")]
    found = by_degrees(asked(log, fan))
    assert (found[0].trips, found[0].at_ms, found[0].words[-1]) == (None, None, what_if.POSSIBLY)
    assert found[-1].trips is False
    assert f"{AS_IT_WAS}: {what_if.POSSIBLY}" in summary(review(log, fan))


def test_a_long_log_is_worked_in_two_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    log = told(RISES, noise=0.001)
    one = asked(log, plate())
    monkeypatch.setattr(what_if, "LONG_ROWS", 1)
    assert asked(log, plate()) == one and len(one) > 5


COLD = "air at -10 degrees C (14 F) all the time, the coldest expected"


def test_what_was_not_measured_is_not_changed() -> None:
    """Colder air cannot be worked from unknown air, nor a better supply from unknown volts."""
    text = "00:00:00  36 35 34 | 460\n01:00:00  end"
    known = asked(told(text), plate())
    assert COLD in known and SUPPLY_RIGHT in known
    assert COLD not in asked(told(text, ambient_c=math.nan), plate())
    assert SUPPLY_RIGHT not in asked(told(text.replace("460", "-")), plate())


def test_volts_that_no_running_motor_has_change_nothing() -> None:
    """Volts from line to neutral in the columns of line to line are taken for none, as the estimate does."""
    found = asked(told("00:00:00  36 35 34 | 265\n01:00:00  end"), plate())
    assert SUPPLY_RIGHT not in found
    assert found == asked(told("00:00:00  36 35 34 | -\n01:00:00  end"), plate())


def test_a_lost_phase_is_not_told_as_no_trip() -> None:
    log = told("00:00:00  36 | 460\n01:00:00  0 62 62 | 460\n01:01:00  0 | 460\n02:00:00  end", noise=0.001)
    found = review(log, plate())
    assert found.runs[-1].end_cause == "phase lost"
    was = found.what_if[0]
    assert was.trips is None and was.words == (what_if.OTHERWISE["phase lost"],)
    assert "as it was: ended by a lost phase, which none of these changes would have prevented" in " ".join(
        summary(found).split()
    )


def test_a_moment_of_running_is_no_example() -> None:
    log = told("00:00:00  0 | 460\n00:01:00  36 | 460\n00:01:30  0 | 460\n00:10:00  end")
    assert review(log, plate()).runs and not asked(log, plate())

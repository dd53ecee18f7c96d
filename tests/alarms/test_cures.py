"""Cures: the delay that would have done, worked by hand; and none for what must not be thinned out."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.cures import FIND_THE_CAUSE, LONGEST_DELAY_SECONDS, cure
from monitor.alarms.facts import About
from monitor.alarms.performance import Spell
from monitor.watch.overrides import check_overrides, for_fan
from monitor.watch.table import BY_ID

NIGHT = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)


def spell(condition: str, begins: float, gone: float | None) -> Spell:
    """From when a condition begins to when it is gone [min]; raised and returned by the table's delays after those."""
    row = BY_ID[condition]
    raised = NIGHT + timedelta(minutes=begins, seconds=row.on_delay_seconds)
    ended = None if gone is None else NIGHT + timedelta(minutes=gone, seconds=row.off_delay_seconds)
    return Spell(About("home", "bin-1", None, condition), 1, row.priority, raised, raised, ended, None, True)


def test_what_comes_back_soon_is_joined_by_a_longer_off_delay() -> None:
    # leg-spread (off-delay 5 min): ten spells of 20 min, gone for 6 min between them but once for 50.
    gaps = [6.0] * 4 + [50.0] + [6.0] * 4
    begins, at = [0.0], 0.0
    for gap in gaps:
        at += 20.0 + gap
        begins.append(at)
    found = cure(BY_ID["leg-spread"], [spell("leg-spread", one, one + 20.0) for one in begins], control=None,
                 of_a_fan=True)  # fmt: skip
    # Eight of nine gaps are 6 min: 7 whole minutes outlast them, and spare 8 of 10.
    assert (found.kind, found.lines) == ("off-delay", ("[conditions.leg-spread]", "off_delay_seconds = 420"))
    assert (found.spared, found.of, found.later_seconds) == (8, 10, 0.0)
    assert "Nobody is told later" in found.words


def test_what_does_not_last_is_spared_by_a_longer_on_delay_and_the_cost_is_told() -> None:
    # voltage-unbalance (on-delay 2 min): nine last 4 to 8 min, far apart; one lasts an hour.
    lasts = [4, 4, 5, 5, 6, 6, 7, 8, 8, 60]
    log = [spell("voltage-unbalance", 300.0 * n, 300.0 * n + last) for n, last in enumerate(lasts)]
    found = cure(BY_ID["voltage-unbalance"], log, control=None, of_a_fan=True)
    # 80 % are eight: the eighth shortest lasts 8 min, so 9 min outlast it, and the ninth with it.
    assert (found.kind, found.lines) == ("on-delay", ("[conditions.voltage-unbalance]", "on_delay_seconds = 540"))
    assert (found.spared, found.of, found.later_seconds) == (9, 10, 420.0)
    assert "The 1 that lasted would have been told 7 min later" in found.words


def test_what_lasts_has_a_cause() -> None:
    log = [spell("voltage-low", 600.0 * n, 600.0 * n + 120.0) for n in range(8)]
    found = cure(BY_ID["voltage-low"], log, control=None, of_a_fan=True)
    assert (found.kind, found.lines, found.of) == ("find the cause", (), 8)


def test_a_fan_that_something_switches_is_registered_so() -> None:
    log = [spell("stopped", 180.0 * n, 180.0 * n + 60.0) for n in range(12)]
    found = cure(BY_ID["stopped"], log, control="continuous", of_a_fan=True)
    assert (found.kind, found.lines) == ("control", ("[fan]", 'control = "cycled"'))
    assert "up to 8 times within a day" in found.words
    assert cure(BY_ID["stopped"], log, control="manual", of_a_fan=True).kind != "control"
    rare = [spell("stopped", 1440.0 * n, 1440.0 * n + 600.0) for n in range(12)]
    assert cure(BY_ID["stopped"], rare, control="continuous", of_a_fan=True).kind == "find the cause"


@pytest.mark.parametrize("condition", ["tripped", "phase-lost", "overload"])
def test_what_tells_of_danger_gets_no_delay_however_often_it_comes(condition: str) -> None:
    log = [spell(condition, 5.0 * n, 5.0 * n + 1.0) for n in range(200)]
    found = cure(BY_ID[condition], log, control="continuous", of_a_fan=True)
    assert (found.kind, found.lines) == ("find the cause", ())
    assert len(found.words) > 40


def test_few_and_clockwork_and_supply_points_get_no_lines() -> None:
    few = [spell("leg-spread", 30.0 * n, 30.0 * n + 20.0) for n in range(4)]
    assert cure(BY_ID["leg-spread"], few, control=None, of_a_fan=True).words == "Too few to size anything by."
    silent = [spell("logger-overdue", 30.0 * n, 30.0 * n + 20.0) for n in range(20)]
    assert "logger" in cure(BY_ID["logger-overdue"], silent, control=None, of_a_fan=True).words
    volts = [spell("voltage-low", 5.0 * n, 5.0 * n + 2.0) for n in range(20)]
    assert cure(BY_ID["voltage-low"], volts, control=None, of_a_fan=False).lines == ()


def test_one_that_stands_is_outlasted_by_no_delay() -> None:
    log = [spell("low-margin", 300.0 * n, None) for n in range(6)]
    assert cure(BY_ID["low-margin"], log, control=None, of_a_fan=True).kind == "find the cause"


spans = st.lists(st.tuples(st.floats(0.5, 400), st.floats(0.5, 400)), min_size=1, max_size=40)


@given(spans, st.sampled_from(sorted(BY_ID)), st.sampled_from(["continuous", "cycled", "manual", None]), st.booleans())
def test_every_cure_is_within_the_bounds_of_a_file_and_spares_what_it_says(
    steps: list[tuple[float, float]], condition: str, control: str | None, of_a_fan: bool
) -> None:
    at, log = 0.0, []
    for lasts, gap in steps:
        log.append(spell(condition, at, at + lasts))
        at += lasts + gap
    row = BY_ID[condition]
    found = cure(row, log, control=control, of_a_fan=of_a_fan)
    assert found.words and found.of == len(log)
    if condition in FIND_THE_CAUSE or (not of_a_fan and found.kind != "control"):
        assert found.lines == ()
    if found.kind in ("find the cause", "control"):
        return
    tables = tomllib.loads("\n".join(found.lines))["conditions"]
    assert check_overrides(tables) == []
    changed = for_fan(tables)[condition]
    assert found.spared >= 0.8 * len(log)
    if found.kind == "on-delay":
        assert row.on_delay_seconds < changed.on_delay_seconds <= LONGEST_DELAY_SECONDS
        assert found.spared == sum(60.0 * lasts < changed.on_delay_seconds for lasts, _ in steps)
        assert found.later_seconds == changed.on_delay_seconds - row.on_delay_seconds
    else:
        assert row.off_delay_seconds < changed.off_delay_seconds <= LONGEST_DELAY_SECONDS
        assert found.spared == sum(60.0 * gap < changed.off_delay_seconds for _, gap in steps[:-1])

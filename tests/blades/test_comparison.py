"""What the fans of a site say about each other: the table of the trade, written a second time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.changed import Usual
from monitor.blades.comparison import (
    AIR_OR_VOLTAGE,
    CONNECTIONS,
    OWN_LOAD,
    PLENUM,
    ROTATION,
    SUPPLY,
    Idle,
    Running,
    about,
    compare,
    running,
)
from monitor.blades.window import WindowFigures
from monitor.motor.nameplate import Fan, Motor, Nameplate


def fan(name: str, change: float | None = None, **more: Any) -> Running:
    """A three-phase fan of 30 A usual, `change` above it."""
    usual = None if change is None else 30.0
    amps = 30.0 * (1.0 + (change or 0.0))
    return Running(
        **{"name": name, "phases": 3, "supply": None, "plenum": None, "amps": amps, "usual_amps": usual} | more
    )


def legs(name: str, unbalance: float | None, volts: float | None = None, **more: Any) -> Running:
    return fan(name, current_unbalance=unbalance, voltage_unbalance=volts, **more)


def shown(*fans: Running, **more: Any) -> list[tuple[str, tuple[str, ...]]]:
    """Where the findings point, and whom they are about."""
    return [(one.points_to, one.fans) for one in compare(fans, **more)]


def test_nothing_to_compare() -> None:
    assert compare([]) == ()
    assert shown(legs("a", 30.0, 5.0)) == []
    assert shown(fan("a", 0.5)) == []
    assert shown(fan("a", 0.5), fan("b")) == []
    assert shown(legs("a", 30.0), legs("b", None)) == []
    assert shown(legs("a", 1.0), legs("b", 2.0)) == []


def test_unbalance_on_every_three_phase_fan_points_to_the_supply() -> None:
    assert shown(legs("a", 12.0), legs("b", 10.0)) == [(SUPPLY, ("a", "b"))]
    assert shown(legs("a", 2.0, 2.0), legs("b", 12.0)) == [(SUPPLY, ("a", "b"))]  # by volts, by legs
    # Single-phase fans have no say.
    single = fan("c", phases=1)
    assert shown(legs("a", 12.0), legs("b", 10.0), single) == [(SUPPLY, ("a", "b"))]
    (one,) = compare([legs(name, 12.0, 2.5, supply="north-panel") for name in "abcdefg"])
    assert one.words == (
        "all 7 three-phase fans of north-panel are unbalanced (a legs 12.0 %, volts 2.5 %; b legs 12.0 %, volts 2.5 %; "
        "c legs 12.0 %, volts 2.5 %; d legs 12.0 %, volts 2.5 %; e legs 12.0 %, volts 2.5 %; and 2 more): that points "
        "to the supply"
    )


def test_unbalance_on_one_points_to_its_own() -> None:
    (one,) = compare([legs("a", 14.0, 0.4), legs("b", 2.0, 0.5), legs("c", 3.0)])
    assert (one.points_to, one.fans) == (CONNECTIONS, ("a",))
    assert one.words == (
        "of the three-phase fans a alone is unbalanced (legs 14.0 %, volts 0.4 %; b legs 2.0 %, volts 0.5 %; c legs "
        "3.0 %): that points to its own connections or windings"
    )
    # Two of three: neither all nor one.
    assert shown(legs("a", 14.0), legs("b", 12.0), legs("c", 1.0)) == []


def test_fans_of_different_supplies_are_not_mixed() -> None:
    west = [legs("a", 12.0, supply="west"), legs("b", 12.0, supply="west")]
    east = [legs("c", 1.0, supply="east"), legs("d", 1.0, supply="east")]
    assert shown(*west, *east) == [(SUPPLY, ("a", "b"))]
    assert shown(west[0], east[0]) == []


@pytest.mark.parametrize(
    ("amps", "unbalance", "volts", "said"),
    [
        (30.0, 9.9, None, False),
        (30.0, 10.0, None, True),
        (19.0, 14.9, None, False),
        (19.0, 15.0, None, True),
        (30.0, 3.0, 1.9, False),
        (30.0, 3.0, 2.0, True),
    ],
)
def test_what_counts_as_unbalanced(amps: float, unbalance: float, volts: float | None, said: bool) -> None:
    assert legs("a", unbalance, volts, amps=amps).unbalanced is said
    assert legs("a", None, None).unbalanced is None
    assert legs("a", unbalance, volts, phases=1).unbalanced is None


def test_amps_up_on_all_point_to_air_or_voltage() -> None:
    cold = {"ambient_c": -6.0, "usual_ambient_c": 8.0, "volts": 452.0, "usual_volts": 461.0}
    (one,) = compare([fan("a", 0.05, **cold), fan("b", 0.04, **cold), fan("c", phases=1)])
    assert (one.points_to, one.fans) == (AIR_OR_VOLTAGE, ("a", "b"))
    assert one.words == (
        "both fans draw more than usual (a 5 % more; b 4 % more): that points to the air or the voltage (air of 8 "
        "degrees C (46 F) then, of -6 degrees C (21 F) now; 461 V then, 452 V now)"
    )
    assert shown(fan("a", 0.05), fan("b", 0.029)) == []


def test_amps_up_on_one_point_to_its_bed_blades_or_bearings() -> None:
    (one,) = compare([fan("a", 0.12), fan("b", 0.01), fan("c", -0.01), fan("d", 0.0)])
    assert (one.points_to, one.fans) == (OWN_LOAD, ("a",))
    assert one.words == (
        "a draws 12 % more than usual, the others as much as usual (median of 3): that points to its bed, blades or "
        "bearings"
    )
    assert shown(fan("a", 0.059), fan("b", 0.0)) == []
    assert shown(fan("a", 0.02), fan("b", -0.10), fan("c", -0.11)) == []  # it is the others that changed
    # All up, and one far more than the rest: both are true.
    assert shown(fan("a", 0.15), fan("b", 0.04), fan("c", 0.04)) == [
        (AIR_OR_VOLTAGE, ("a", "b", "c")),
        (OWN_LOAD, ("a",)),
    ]
    assert shown(fan("a", 0.15), fan("b", 0.16), fan("c", 0.0), fan("d", 0.0), fan("e", 0.0)) == []


def test_amps_up_on_one_supply_point_to_its_voltage() -> None:
    west = [fan("a", 0.05, supply="west"), fan("b", 0.04, supply="west")]
    east = [fan("c", 0.0, supply="east"), fan("d", 0.01, supply="east")]
    (one,) = compare([*west, *east])
    assert (one.points_to, one.fans) == (SUPPLY, ("a", "b"))
    assert one.words.startswith("only those of west draw more than usual (a 5 % more; b 4 % more): that points to")
    assert shown(west[0], *east) == []  # one fan is no supply
    assert shown(*west, east[0], fan("d", 0.04, supply="east")) == []  # nor is it that supply alone


def test_the_fans_of_one_bin_point_to_its_bed() -> None:
    (one,) = compare([fan("a", 0.10, plenum="bin 3"), fan("b", 0.12, plenum="bin 3"), fan("c", 0.0), fan("d", 0.0)])
    assert (one.points_to, one.fans) == (OWN_LOAD, ("a", "b"))
    assert one.words == (
        "the fans of bin 3 alone draw more than usual (a 10 % more; b 12 % more), the others as much as usual (median "
        "of 2): that points to its bed"
    )


def test_a_neighbour_that_stands_still() -> None:
    fans = [fan("a", -0.08, plenum="bin 3"), fan("b", 0.0)]
    (one,) = compare(fans, [Idle("c", "bin 3", 2.2), Idle("d", None), Idle("e", "bin 4")])
    assert (one.points_to, one.fans) == (PLENUM, ("c", "a"))
    assert one.words == (
        "c stands still (for 2 h) while a blows into the same bin, bin 3: that shifts load between them, and it did: a "
        "8 % less against their usual. Air from the bin may spin the idle fan backwards, so it may start slowly"
    )
    (quiet,) = compare([fan("a", 0.01, plenum="bin 3")], [Idle("c", "bin 3")])
    assert "and it did" not in quiet.words
    # What the neighbour's stop has shifted is not laid to the fan's own bed, blades or bearings.
    up = [fan("a", 0.12, plenum="bin 3"), fan("b", 0.0), fan("c", 0.0)]
    assert shown(*up) == [(OWN_LOAD, ("a",))]
    assert shown(*up, idle=[Idle("d", "bin 3")]) == [(PLENUM, ("d", "a"))]


def test_rotation_is_to_be_checked_after_supply_work() -> None:
    fans = [fan("a"), fan("b", supply="west"), fan("c", supply="west", phases=1), fan("d", supply="east")]
    (one,) = compare(fans, supply_work={"west"})
    assert (one.points_to, one.fans) == (ROTATION, ("b",))
    assert one.words.startswith("after the work on west: check rotation of b.")
    assert "amps do not show it" in one.words
    assert shown(*fans, supply_work={None}) == [(ROTATION, ("a",))]


def test_rotation_is_to_be_checked_where_a_fans_own_leads_were_moved() -> None:
    fans = [fan("a"), fan("b"), fan("c", phases=1)]
    (one,) = compare(fans, leads_moved={"b", "c", "z"})
    assert (one.points_to, one.fans) == (ROTATION, ("b",))
    assert one.words.startswith("after its leads were moved: check rotation of b. Two leads")
    # Work on the whole supply says it of all its fans, and so once.
    assert shown(*fans, supply_work={None}, leads_moved={"b"}) == [(ROTATION, ("a", "b"))]


def test_each_fan_s_page_shows_what_concerns_it() -> None:
    found = compare([fan("a", 0.15), fan("b", 0.04), fan("c", 0.04)])
    assert len(about("a", found)) == 2
    assert len(about("b", found)) == 1
    assert about("z", found) == ()


SHARES = st.one_of(st.none(), st.floats(-0.9, 3.0))
PERCENTS = st.one_of(st.none(), st.floats(0.0, 200.0))
NAMES = st.sampled_from([None, "west", "east"])
FANS = st.lists(
    st.builds(
        lambda change, unbalance, volts, supply, plenum, phases: fan(
            "",
            change,
            current_unbalance=unbalance,
            voltage_unbalance=volts,
            supply=supply,
            plenum=plenum,
            phases=phases,
        ),
        SHARES,
        PERCENTS,
        PERCENTS,
        NAMES,
        NAMES,
        st.sampled_from([1, 3]),
    ),
    max_size=6,
)


@given(FANS, st.lists(NAMES, max_size=3), st.sets(NAMES))
def test_whatever_runs_the_findings_are_about_it(fans: list[Running], still: list[Any], work: set[Any]) -> None:
    named = [Running(**{**vars(one), "name": f"fan {number}"}) for number, one in enumerate(fans)]
    idle = [Idle(f"idle {number}", plenum) for number, plenum in enumerate(still)]
    found = compare(named, idle, supply_work=work)
    known = {one.name for one in named} | {one.name for one in idle}
    for one in found:
        assert one.fans and set(one.fans) <= known
        assert "None" not in one.words and "nan" not in one.words
    # A fan is not both alone and one of all; and the order of the fans changes no pointer.
    pointers = {(one.points_to, frozenset(one.fans)) for one in found}
    assert {(one.points_to, frozenset(one.fans)) for one in compare(named[::-1], idle, supply_work=work)} == pointers
    unbalanced = [one for one in found if one.points_to == CONNECTIONS]
    assert all(len(one.fans) == 1 for one in unbalanced)


@given(st.lists(st.tuples(st.floats(-0.3, 0.5), NAMES), min_size=2, max_size=12))
def test_who_is_alone_by_the_plain_rule(drawn: list[tuple[float, str | None]]) -> None:
    """Every fan against the median of all that do not share its plenum, without the short cut."""
    fans = [fan(f"fan {number}", change, plenum=plenum) for number, (change, plenum) in enumerate(drawn)]
    alone = []
    for one, (_, plenum) in zip(fans, drawn, strict=True):
        rest = [
            c for other, (c, p) in zip(fans, drawn, strict=True) if other is not one and (not plenum or p != plenum)
        ]
        if rest and one.change is not None and one.change >= 0.03:
            middle = float(np.median(rest))
            if abs(one.change - middle - 0.06) < 1e-9 or abs(one.change - 0.03) < 1e-9:
                return
            if one.change - middle > 0.06:
                alone.append(one)
    expected: list[tuple[str, ...]] = []
    if alone and (len(alone) == 1 or (alone[0].plenum and len({one.plenum for one in alone}) == 1)):
        expected = [tuple(one.name for one in alone)]
    assert [one.fans for one in compare(fans) if one.points_to == OWN_LOAD] == expected


def test_a_fan_as_its_half_hour_shows_it() -> None:
    figures = WindowFigures(
        12.0, 11.0, (12.0, 11.0, 10.0), (461.0, 459.0, 458.0), 0.3, 459.3, 7.0, 0.0, 1800.0, 180, None
    )
    plate = Nameplate(Motor(460, 3, 12.4), fan=Fan(supply="west", plenum="bin 3"))
    seen = running("a", plate, figures, Usual(9.0, 10.0, 460.0, None))
    assert seen == Running(
        "a", 3, "west", "bin 3", 11.0, 10.0, 459.3, 460.0, 7.0, None, pytest.approx(100.0 / 11.0), 0.3
    )
    alone = running("a", Nameplate(Motor(230, 1, 12.4)), figures, None)
    assert (alone.phases, alone.change, alone.unbalanced) == (1, None, None)
    missing = WindowFigures(12.0, 11.0, (12.0, None, 10.0), (None,) * 3, None, None, None, 0.0, 1800.0, 180, None)
    assert running("a", plate, missing, None).unbalanced is None

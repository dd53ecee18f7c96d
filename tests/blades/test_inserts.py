"""Inserts for the truck: none is lost, none is guessed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.inserts import Wanted, add_up

fans = st.builds(
    Wanted, st.text("abc-1", min_size=1, max_size=6), st.sampled_from([13.0, 15.0, 17.5, 18.0, 19.0]),
    st.none() | st.integers(1, 40),
)  # fmt: skip


@given(st.lists(fans, max_size=30))
def test_every_insert_stands_under_its_angle_once(wanted: list[Wanted]) -> None:
    found = add_up(wanted)
    angles = [one.pitch for one in found]
    assert angles == sorted({one.pitch for one in wanted})
    for angle in found:
        here = [one for one in wanted if one.pitch == angle.pitch]
        assert [*angle.fans] == [(one.fan, one.count) for one in here if one.count is not None]
        assert [*angle.ask] == [one.fan for one in here if one.count is None]
        assert angle.count == sum(one.count or 0 for one in here)


def test_a_fan_whose_blades_are_not_known_is_asked_about_and_never_counted() -> None:
    (only,) = add_up([Wanted("east-1", 17, None)])
    assert (only.pitch, only.count, only.fans, only.ask) == (17.0, 0, (), ("east-1",))


def test_one_angle_written_in_two_ways_is_one() -> None:
    (only,) = add_up([Wanted("a", 17.5, 6), Wanted("b", 17.500000001, 8)])
    assert (only.pitch, only.count) == (17.5, 14)


@pytest.mark.parametrize("bad", [Wanted("a", math.nan, 6), Wanted("a", math.inf, 6), Wanted("a", 18, 0)])
def test_what_is_no_insert_is_refused(bad: Wanted) -> None:
    with pytest.raises(ValueError, match="a: no"):
        add_up([bad])

"""The air of past nights: the same from packed hours and from the table in order of arrival."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from monitor.records import actions, nights
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.hours import HourPacker
from monitor.records.packing import HOUR_MS, pack, unpack_air
from monitor.records.rows import Done, ReadingRows, to_ms
from tests.records.conftest import MS, NOW


def rows_of(point: int, air: np.ndarray, first: int = 1) -> ReadingRows:
    """A reading a minute from 01:00 on."""
    n = len(air)
    whole, none = np.zeros(n, np.int64), np.full(n, math.nan)
    return ReadingRows(
        np.arange(first, first + n), whole + point, MS + 60_000 * np.arange(n), np.full((n, 3), 9.0),
        np.full((n, 3), math.nan), air, none, none, whole + 1, whole,
    )  # fmt: skip


@pytest.mark.parametrize("packed_until", [0, 2, 9])
def test_means_of_half_hours(database: Database, make: Any, packed_until: int) -> None:
    farm = make.farm(database, "north", "south")
    rng = np.random.default_rng(3)
    air = np.round(5.0 + rng.normal(0.0, 3.0, 300), 1)
    air[40:50] = math.nan
    air[90:120] = math.nan  # one half hour without any
    commit(database, Batch(readings=rows_of(farm["north"], air)))
    commit(database, Batch(readings=rows_of(farm["south"], air + 50.0, 1000)))
    if packed_until:
        HourPacker(database).work(MS + packed_until * HOUR_MS + 400_000, math.inf)
    t_ms, found = nights.air(database, farm["north"], MS, MS + 4 * HOUR_MS)
    expected = [np.nanmean(air[30 * at : 30 * at + 30]) for at in range(8) if at != 3]
    assert found == pytest.approx(expected)
    assert (t_ms - MS).tolist() == [900_000 + 1_800_000 * at for at in range(8) if at != 3]


def test_nothing_stored_and_nothing_asked_for(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    assert nights.air(database, point, MS, MS + HOUR_MS)[0].tolist() == []
    assert nights.air(database, point, MS, MS)[0].tolist() == []


def test_air_alone_is_read_from_a_packed_hour_and_damage_is_seen() -> None:
    rows = rows_of(7, np.array([1.5, math.nan, -2.25]))
    t_ms, air = unpack_air(pack(rows), 7)
    assert t_ms.tolist() == rows.t_ms.tolist() and np.array_equal(air, rows.ambient_c, equal_nan=True)
    broken = bytearray(pack(rows))
    broken[-1] ^= 1
    with pytest.raises(ValueError, match="damaged"):
        unpack_air(bytes(broken), 7)


def test_suppers_and_lows_that_were_entered(database: Database) -> None:
    assert nights.suppers({nights.supper_cursor("home"): "a", "influx": "b"}) == {"home": "a"}
    numbers = [actions.put(database, nights.TONIGHT, "home", {"low_c": low}, "Ada", NOW) for low in (1.0, 2.0, 3.0)]
    other = actions.put(database, "acknowledge", "home", {"alarm": 1}, "Ada", NOW)
    done = [Done(number, to_ms(NOW), outcome) for number, outcome in zip((*numbers[:2], other), ("done", "no", "done"),
                                                                         strict=True)]  # fmt: skip
    commit(database, Batch(actions_done=done))
    assert [one.body for one in nights.entered_since(database, NOW - timedelta(hours=1))] == [{"low_c": 1.0}]
    assert nights.entered_since(database, NOW + timedelta(hours=1)) == []

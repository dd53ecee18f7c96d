"""Whose figure of a degree's worth is offered to a fan: of sisters at its own site, in words, and used by nobody."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import pytest

from monitor.blades.learning import PowerFigures
from monitor.records import look, register
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.records.service_record import NewEntry

HOUR_MS = 3_600_000


def half_hour(begin_ms: float, power: float, amps: float) -> dict[str, Any]:
    return asdict(
        PowerFigures(begin_ms, begin_ms + HOUR_MS / 2, 1800.0, amps, amps - 0.2, 1.0, 10.0, power, readings=180)
    )


def re_pitch(database: Database, make: Any, point: int, **keys: Any) -> int:
    """One that taught about 8 % a degree, three hours ago: exp(-0.08 x 2) = 0.852."""
    at_ms = make.ms - 3 * HOUR_MS
    found = {
        "before": half_hour(at_ms - HOUR_MS, 12.0, 14.6),
        "after": half_hour(at_ms + HOUR_MS, 12.0 * 0.852, 12.9),
        "other_fan_of_plenum_changed": False,
    }
    entry = NewEntry(point, "re-pitch", at_ms, make.ms, "Ann", {"from": 21.0, "to": 19.0}, found, **keys)
    commit(database, Batch(service=[entry]))
    with database.read() as connection:
        number: int = connection.exec_driver_sql("SELECT max(number) FROM service_records").scalar_one()
        return number


def offered(database: Database, fan: str, sites: Any = ALL, site: str = "meadow") -> list[str]:
    item = look.fan(database, sites, site, fan)
    assert item is not None
    words: list[str] = item["offers"]
    return words


def test_a_sisters_figure_is_offered_to_the_fans_of_its_site_alone(database: Database, make: Any) -> None:
    fans = make.farm(database, "north", "south")
    make.farm(database, "far", site="hill")
    assert offered(database, "south") == []
    re_pitch(database, make, fans["north"])
    (words,) = offered(database, "south")
    assert words.startswith("north, a fan of the same nameplate, has learned 0.9") and "from 1 re-pitch." in words
    assert "It is not used here" in words and "whether the blades are the same is for you to look" in words
    assert offered(database, "south", ["meadow"]) == [words]
    assert offered(database, "north") == []  # it has a figure of its own
    assert offered(database, "far", site="hill") == []
    assert look.fan(database, ["hill"], "meadow", "south") is None
    commit(database, Batch(service=[NewEntry(fans["north"], "withdraw", make.ms, make.ms, "Ann", {}, withdraws=1)]))
    assert offered(database, "south") == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("full_load_amps = 12.4", "full_load_amps = 12.0"),
        ("blade_pitch_degrees = 21", "blade_pitch_degrees = 21\namps_per_degree = 0.9"),
    ],
)
def test_no_offer_to_another_nameplate_or_beside_a_figure_of_its_own(
    database: Database, make: Any, old: str, new: str
) -> None:
    fans = make.farm(database, "north", "south")
    re_pitch(database, make, fans["north"])
    assert len(offered(database, "south")) == 1
    text = make.nameplate.replace(old, new)
    register.put_nameplate(database, "meadow", "south", text, valid_from=make.now, by="Ann", now=make.now)
    assert offered(database, "south") == []


def test_what_another_motor_taught_is_not_offered(database: Database, make: Any) -> None:
    fans = make.farm(database, "north", "south")
    re_pitch(database, make, fans["north"])
    text = make.nameplate.replace("full_load_amps = 12.4", "full_load_amps = 12.0")
    for plate in (text, make.nameplate):  # another motor, and one like the first again
        register.put_nameplate(
            database, "meadow", "north", plate, valid_from=make.now, by="Ann", now=make.now, motor_changed=True
        )
    assert offered(database, "south") == []


def test_a_fan_that_was_removed_offers_nothing(database: Database, make: Any) -> None:
    fans = make.farm(database, "north", "south")
    re_pitch(database, make, fans["north"])
    register.remove(database, "meadow", "north", by="Ann", now=make.now)
    assert offered(database, "south") == []

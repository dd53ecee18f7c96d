"""The register keeps every version, says since when each applies, and tells the worker of every edit."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from monitor.errors import ConfigError
from monitor.records import look, register
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.rows import LoggerNow, Newcomer, to_ms
from monitor.records.scope import ALL
from tests.records.killed import done_before


def put(database: Database, make: Any, fan: str = "north", text: str | None = None, **keys: Any) -> int:
    options = {"valid_from": make.now, "by": "someone", "now": make.now} | keys
    return register.put_nameplate(database, "meadow", fan, text or make.nameplate, **options)


def test_versions_count_up_and_stay(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    second = make.nameplate.replace("= 21", "= 19")
    later = make.now + timedelta(days=1)
    assert put(database, make, text=second, valid_from=later, now=later, by="other", motor_changed=True) == 2
    first, newest = register.versions(database, point)
    assert (first.version, first.text, first.committed_by, first.motor_changed) == (1, make.nameplate, "someone", False)
    assert (newest.version, newest.text, newest.committed_by, newest.motor_changed) == (2, second, "other", True)
    assert newest.valid_from == newest.applies_from == newest.committed == later
    assert register.nameplate(database, "meadow", "north").fan.blade_pitch_degrees == 19
    assert [(key.name, version.version) for key, version in register.fans(database, ALL)] == [("north", 2)]


@pytest.mark.parametrize(
    ("valid_hours", "newest_hours", "expected_hours"), [(0, None, 0), (0, 5, 5), (7, 5, 7), (5, 5, 5)]
)
def test_a_version_never_applies_to_what_was_judged_already(
    database: Database, make: Any, valid_hours: int, newest_hours: int | None, expected_hours: int
) -> None:
    point = make.farm(database, "north", "south")["north"]
    if newest_hours is not None:
        newest = to_ms(make.now + timedelta(hours=newest_hours))
        commit(database, Batch(loggers=[LoggerNow(point, newest_ms=newest)]))
    valid_from = make.now + timedelta(hours=valid_hours)
    put(database, make, valid_from=valid_from)
    put(database, make, "south", valid_from=valid_from)
    stored = register.versions(database, point)[-1]
    assert stored.valid_from == valid_from
    assert stored.applies_from == make.now + timedelta(hours=expected_hours)
    assert register.versions(database, point + 1)[-1].applies_from == valid_from  # another fan's readings do not count


def test_what_a_fan_names_comes_into_being_and_takes_over_newcomers(
    database: Database, make: Any, contents: Callable[[Database], dict[str, list[tuple[Any, ...]]]]
) -> None:
    make.farm(database)
    names = ("north", "north-panel", "yard", "another")
    commit(database, Batch(newcomers=[Newcomer("meadow", name, make.ms, 1, {}) for name in names]))
    commit(database, Batch(newcomers=[Newcomer("hill", "north", make.ms, 1, {})]))
    put(database, make, text=make.nameplate + 'supply = "north-panel"\nweather = "yard"\n')
    assert [(key.name, key.kind) for key in register.points(database, ALL)] == [
        ("north", "fan"), ("north-panel", "supply"), ("yard", "weather"),
    ]  # fmt: skip
    left = [row[:2] for row in contents(database)["newcomers"]]
    assert left == [("hill", "north"), ("meadow", "another")]


@pytest.mark.parametrize(
    ("fan", "extra", "said"),
    [
        (
            "south",
            'supply = "north"\n',
            '"north" at site "meadow" is a fan point already and cannot be a supply point too',
        ),
        ("panel", "", '"panel" at site "meadow" is a supply point already and cannot be a fan point too'),
        ("south", 'weather = "panel"\n', '"panel" at site "meadow" is a supply point already'),
        ("south", 'supply = "south"\n', '"south" at site "meadow" is a fan point already'),
        ("North 1", "", '"North 1" cannot be the name of a fan'),
    ],
)
def test_a_name_that_cannot_be_used_leaves_nothing_behind(
    database: Database, make: Any, contents: Callable[[Database], Any], fan: str, extra: str, said: str
) -> None:
    make.farm(database)
    put(database, make, text=make.nameplate + 'supply = "panel"\n')
    before = contents(database)
    with pytest.raises(ConfigError, match=said):
        put(database, make, fan, make.nameplate + extra)
    assert contents(database) == before


def test_an_unknown_site_is_named_with_those_that_are_known(database: Database, make: Any) -> None:
    with pytest.raises(ConfigError, match=r'no site "hill" \(known: none yet\)'):
        register.put_nameplate(database, "hill", "x", make.nameplate, valid_from=make.now, by="x", now=make.now)
    make.farm(database)
    with pytest.raises(ConfigError, match=r'no site "hill" \(known: meadow\)'):
        register.put_nameplate(database, "hill", "x", make.nameplate, valid_from=make.now, by="x", now=make.now)
    with pytest.raises(ConfigError, match='"My Farm" cannot be the name of a site'):
        register.put_site(database, register.Site("My Farm", "", "UTC", 0.0, "us", "17:00"), make.now)


def test_a_faulty_file_is_told_with_the_fan_and_stores_nothing(
    database: Database, make: Any, contents: Callable[[Database], Any]
) -> None:
    make.farm(database)
    before = contents(database)
    with pytest.raises(ConfigError, match="the nameplate meadow/north has faults") as told:
        put(database, make, text="[motor]\nphases = 3\n")
    assert len(told.value.faults) == 2
    assert contents(database) == before


def test_a_fan_taken_out_is_gone_from_the_lists_and_comes_back_with_its_history(database: Database, make: Any) -> None:
    point = make.farm(database, "north", "south")["north"]
    later = make.now + timedelta(hours=1)
    assert register.remove(database, "meadow", "north", by="someone", now=later) == 2
    assert [key.name for key, _ in register.fans(database, ALL)] == ["south"]
    assert look.fan(database, ALL, "meadow", "north") is None
    for ask in (
        lambda: register.nameplate(database, "meadow", "north"),
        lambda: register.export_text(database, "meadow", "north"),
        lambda: register.remove(database, "meadow", "north", by="x", now=later),
        lambda: register.nameplate(database, "meadow", "never"),
    ):
        with pytest.raises(ConfigError, match="there is no fan"):
            ask()
    assert put(database, make) == 3
    assert [version.removed for version in register.versions(database, point)] == [False, True, False]
    assert register.points(database, ALL)[0].point_id == point


def test_the_worker_learns_of_every_edit_once(database: Database, make: Any) -> None:
    nothing = register.changed_since(database, 0)
    assert not nothing
    assert nothing.mark == 0
    points = make.farm(database, "north")
    first = register.changed_since(database, 0)
    assert [site.site for site in first.sites] == ["meadow"]
    assert [point.point_id for point in first.points] == [points["north"]]
    assert [(version.point_id, version.version) for version in first.versions] == [(points["north"], 1)]
    assert not register.changed_since(database, first.mark)
    put(database, make, text=make.nameplate + 'supply = "panel"\n')
    register.remove(database, "meadow", "north", by="x", now=make.now)
    second = register.changed_since(database, first.mark)
    assert second.sites == ()
    assert {point.name for point in second.points} == {"north", "panel"}
    assert [(version.version, version.removed) for version in second.versions] == [(2, False), (3, True)]
    assert second.mark > first.mark
    assert not register.changed_since(database, second.mark)


def test_a_clock_that_steps_back_hides_no_edit(database: Database, make: Any) -> None:
    make.farm(database, "north")
    mark = register.changed_since(database, 0).mark
    put(database, make, now=make.now - timedelta(days=400))
    assert [version.version for version in register.changed_since(database, mark).versions] == [2]


def test_a_site_told_again_unchanged_is_no_edit(database: Database, make: Any) -> None:
    site = register.Site("meadow", "The Meadow", "America/Chicago", 250.0, "us", "17:00")
    register.put_site(database, site, make.now)
    mark = register.changed_since(database, 0).mark
    register.put_site(database, site, make.now)
    other = register.Site("meadow", "Other", "UTC", 0.0, "si", "18:00")
    register.put_site(database, other, make.now, replace=False)
    assert not register.changed_since(database, mark)
    assert register.sites(database) == [site]
    register.put_site(database, other, make.now)
    assert register.changed_since(database, mark).sites == (other,)
    assert register.sites(database, ["meadow"]) == [other]
    assert register.sites(database, ["hill"]) == register.sites(database, []) == []


def test_export_gives_back_what_was_typed(database: Database, make: Any) -> None:
    make.farm(database, "north")
    typed = "# the east one\n" + make.nameplate.replace("= 12.4", "=   12.40", 1) + "\n"
    put(database, make, text=typed)
    assert register.export_text(database, "meadow", "north") == typed


def test_another_pitch_leaves_the_rest_of_the_file_as_typed(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    typed = "# the east one\n" + make.nameplate + "\n[conditions.overload]\non_delay_seconds = 60 # gusts\n"
    put(database, make, text=typed)
    with database.begin() as connection:
        assert register.put_pitch(connection, point, 18.0, make.ms, by="x", now_ms=make.ms) == 3
    assert register.export_text(database, "meadow", "north") == typed.replace("degrees = 21\n", "degrees = 18\n", 1)


def test_the_history_of_a_fan_is_for_its_own_people(database: Database, make: Any) -> None:
    make.farm(database, "north")
    put(database, make, text=make.nameplate + 'supply = "panel"\n')
    register.remove(database, "meadow", "north", by="x", now=make.now)
    found = register.history(database, ["meadow"], "meadow", "north")
    assert found is not None and [one.version for one in found[1]] == [1, 2, 3] and found[0].name == "north"
    assert register.history(database, ["hill"], "meadow", "north") is None
    assert register.history(database, ALL, "meadow", "panel") is None
    assert register.history(database, ALL, "meadow", "never") is None


def test_an_edit_killed_half_way_leaves_nothing(
    database: Database, make: Any, contents: Callable[[Database], Any]
) -> None:
    make.farm(database)
    before = contents(database)
    for statement in range(100):
        if done_before(statement, database, lambda: put(database, make, text=make.nameplate + 'supply = "panel"\n')):
            break
        assert contents(database) == before
    assert statement > 6
    assert len(register.points(database, ALL)) == 2

"""What the settings change of the table of conditions for all fans of a site: versions, so replays are exact."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor import settings
from monitor.records import register, tables
from monitor.records.look_fans import fan as look_at
from monitor.records.replay import JUDGED, MEASURED, replay
from monitor.records.scope import ALL
from monitor.service.opening import seed_sites
from monitor.watch import layout
from monitor.watch.overrides import together
from monitor.watch.table import KERNEL_CONDITIONS

NOW = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
SOONER = "[sites.home.conditions.overload]\non_delay_seconds = 20\n[sites.home.conditions.low-margin]\noff = true\n"
OWN = "[conditions.overload]\non_delay_seconds = 60\n"


def start(bench: Any, text: str) -> None:
    """The service starts with these settings."""
    seed_sites(bench.database, settings.parse(text, Path("monitor.toml")), bench.wall, all_of_it=True)
    bench.begin().round()


def versions(bench: Any, fan: str = "north") -> list[register.Version]:
    return register.versions(bench.database, bench.point_id(fan))


def delay_seconds(bench: Any, fan: str) -> float:
    plant = bench.worker.plant
    row = plant.by_name["home", fan].versions[-1].limits
    place = layout.FIRST_LIMIT + layout.LIMIT_FIELDS * [one.id for one in KERNEL_CONDITIONS].index("overload")
    return float(plant.limits[row, place + layout.ON_DELAY_MS]) / 1000.0


def test_a_change_becomes_a_version_of_each_fan_and_of_those_entered_later(bench: Any, nameplate: str) -> None:
    bench.register("north")
    bench.register("own", nameplate + OWN)
    start(bench, "[sites.home]")
    assert [one.version for one in versions(bench)] == [1] and delay_seconds(bench, "north") == 120.0
    start(bench, SOONER)
    assert [(one.version, one.committed_by, one.text) for one in versions(bench)] == [
        (1, "someone", nameplate), (2, "settings", nameplate),
    ]  # fmt: skip
    assert (delay_seconds(bench, "north"), delay_seconds(bench, "own")) == (20.0, 60.0)
    bench.register("later")
    bench.pass_time(1.0, 0.5)
    assert delay_seconds(bench, "later") == 20.0 and len(versions(bench, "later")) == 1
    start(bench, SOONER + '[sites.home]\nname = "Hill farm"\n')  # the same once more: nothing new
    assert [len(versions(bench, fan)) for fan in ("north", "own", "later")] == [2, 2, 1]
    start(bench, "")  # taken out again
    assert delay_seconds(bench, "north") == 120.0 and len(versions(bench)) == 3
    assert register.export_text(bench.database, "home", "own").count("[conditions") == 1


def test_a_command_without_the_settings_ends_nothing(bench: Any) -> None:
    bench.register("north")
    start(bench, SOONER)
    seed_sites(bench.database, settings.parse("", Path("monitor.toml")), bench.wall)
    assert len(versions(bench)) == 2


def test_a_removed_fan_stays_removed(bench: Any) -> None:
    bench.register("north")
    bench.remove("north")
    start(bench, SOONER)
    assert len(versions(bench)) == 2 and register.fans(bench.database, ALL) == []


def test_what_was_judged_before_stays_and_is_replayed_as_it_was(bench: Any) -> None:
    bench.register("north")
    start(bench, "[sites.home]")
    bench.send("north", 0, 60, 11.0)
    start(bench, SOONER)
    bench.send("north", 80, 100, 9.0)  # one of them may be from before the start: judged by the version of then
    bench.send("north", 110, 140, 11.0)
    (alarm,) = bench.raised("overload")
    assert alarm["raised_ms"] - alarm["since_ms"] == 20_000
    assert bench.stored("north")["version"].tolist() == [1] * 7 + [2] * 7
    again = replay(bench.database, bench.point_id("north"), 0, 10**13, JUDGED)
    assert again.version.tolist() == again.rows.version.tolist()
    assert np.round(again.judged.limit, 3).tolist() == again.rows.limit_amps.tolist()
    assert [(one.condition, one.at_ms) for one in again.changes if one.what == layout.RAISED] == [
        ("overload", alarm["raised_ms"])
    ]


def test_the_fans_own_file_goes_before_and_pages_show_what_is_in_force(bench: Any, nameplate: str) -> None:
    bench.register("north")
    bench.register("own", nameplate + "[conditions.overload]\nsetpoint = 1.02\n")
    start(bench, "[sites.home.conditions.overload]\nsetpoint = 0.85\n")
    for fan in ("north", "own"):
        bench.send(fan, 0, 20, 9.0)
    states = {fan: look_at(bench.database, ALL, "home", fan) for fan in ("north", "own")}
    assert {fan: item and item["state"] for fan, item in states.items()} == {
        "north": "over its limit",
        "own": "running",
    }


@pytest.mark.parametrize(
    ("site", "fan", "holds"),
    [
        ({"setpoint": 0.9}, {}, {"setpoint": 0.9}),
        ({"setpoint": 0.9, "rings": False}, {"setpoint": 1.05}, {"setpoint": 1.05, "rings": False}),
        ({"setpoint": 0.95}, {"clears": 0.9}, {"setpoint": 0.95, "clears": 0.9}),
        ({"setpoint": 1.05, "clears": 1.0}, {"setpoint": 0.9}, {"setpoint": 0.9}),  # would never be cleared
        ({"setpoint": 0.85}, {"clears": 0.95}, {"clears": 0.95}),
    ],
)
def test_of_a_pair_that_does_not_fit_the_fans_own_stays(site: Any, fan: Any, holds: Any) -> None:
    assert together({"overload": site}, {"overload": fan}) == {"overload": holds}


def test_as_measured_uses_the_time_it_was_true(bench: Any, nameplate: str) -> None:
    """As judged a version holds for what was not judged yet, as measured since it was true in the field."""
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 50)
    bench.register("north", nameplate.replace("= 10.0", "= 12.0"), since=NOW + timedelta(seconds=20))
    bench.pass_time(1.0, 0.5)
    bench.send("north", 60, 80)
    point_id = bench.point_id("north")
    judged = replay(bench.database, point_id, 0, 10**13, JUDGED)
    measured = replay(bench.database, point_id, 0, 10**13, MEASURED)
    assert judged.version.tolist() == [1] * 6 + [2] * 3 and measured.version.tolist() == [1] * 2 + [2] * 7
    assert measured.judged.limit.tolist() == [10.0] * 2 + [12.0] * 7
    assert bench.rows(tables.register_versions)[1]["applies_from_ms"] == 1791075650000


def test_what_was_changed_on_the_page_outlives_a_start_until_the_settings_say_something_new(bench: Any) -> None:
    says = '[sites.home]\nname = "Home farm"\ntime_zone = "America/Denver"\n'
    start(bench, says)
    before = register.sites(bench.database)[0]
    assert (before.name, before.time_zone) == ("Home farm", "America/Denver")
    moved = replace(before, time_zone="America/Chicago", supper="18:30")
    register.put_site(bench.database, moved, bench.wall)
    start(bench, says + "[sites.home.conditions.overload]\non_delay_seconds = 20\n")
    after = register.sites(bench.database)[0]
    assert (after.time_zone, after.supper) == ("America/Chicago", "18:30")
    assert after.conditions == {"overload": {"on_delay_seconds": 20}}  # these stand in the settings only
    start(bench, says.replace("Denver", "Phoenix"))
    assert register.sites(bench.database)[0].time_zone == "America/Phoenix"
    assert register.sites(bench.database)[0].supper == "18:30"

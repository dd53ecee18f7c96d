"""Everything that can happen to an alarm, through the worker into a file: each change a row, and rows tell all."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from monitor.alarms.states import Cause, State, Suppression, carried_on
from monitor.records import tables
from tests.service.verdict_farm import DARK, FED, Farm, heat_until_it_opens


def do(farm: Farm, kind: str, **body: Any) -> None:
    number = farm.bench.act(kind, **body)
    farm.bench.pass_time(1.0, 0.5)
    farm.bench.wall -= timedelta(seconds=1)
    assert farm.bench.outcome(number) == "done", kind


def ahead(farm: Farm, seconds: float) -> str:
    return str((farm.bench.wall + timedelta(seconds=seconds)).isoformat())


def newest(farm: Farm, condition: str) -> int:
    return int(farm.bench.raised(condition)[-1]["number"])


def live(farm: Farm) -> None:
    """Two fans to which everything happens that can happen to an alarm."""
    farm.go(180, north=(9.0, FED), south=(10.3, FED))
    do(farm, "acknowledge", alarm=newest(farm, "overload"))
    farm.go(1800, south=(9.9, FED))
    farm.go(400, south=(10.8, FED))  # grown worse
    heat_until_it_opens(farm, FED)
    farm.go(130, north=(0.0, FED), south=(9.0, FED))  # tripped
    farm.go(60, north=(9.0, FED), south=(9.0, FED))  # returned, latched
    do(farm, "acknowledge", alarm=newest(farm, "tripped"))  # acknowledged, returned before
    farm.go(160, north=(10.3, FED), south=(9.0, FED))  # an overload again
    number = newest(farm, "overload")
    do(farm, "acknowledge", alarm=number)
    do(farm, "shelve", alarm=number, until=ahead(farm, 3600), why="known")
    do(farm, "unshelve", alarm=number)
    do(farm, "shelve", alarm=number, until=ahead(farm, 60), why="known")
    farm.go(80, north=(10.3, FED), south=(9.0, FED))  # time up
    farm.go(300, north=(16.0, FED), south=(9.0, FED))  # raised at higher priority
    do(farm, "out-of-service", fan="north", until=None, why="bearings")
    do(farm, "return-to-service", fan="north")
    farm.go(200, north=(5.0, FED), south=(9.0, FED))  # returned
    do(farm, "planned-stop", fan="south", until=ahead(farm, 3600), why="unloading")
    farm.go(80, north=(5.0, FED), south=(0.0, FED))
    do(farm, "withdraw-planned-stop", fan="south")
    do(farm, "acknowledge", alarm=newest(farm, "stopped"))
    do(farm, "planned-stop", fan="south", until=ahead(farm, 20), why="unloading")
    farm.go(60, north=(5.0, FED), south=(0.0, FED))  # planned stop over
    farm.go(60, north=(0.0, DARK), south=(0.0, DARK))  # suppressed by design
    farm.go(150, north=(9.0, FED), south=(0.0, FED))  # reason over
    farm.bench.pass_time(5 * 3600.0, 300.0)  # told again
    farm.bench.remove("south")
    farm.bench.pass_time(10.0)  # no longer watched


def test_each_cause_is_stored_and_rows_alone_tell_how_each_alarm_stands(farm: Farm) -> None:
    live(farm)
    bench = farm.bench
    alarms = {row["number"]: row for row in bench.rows(tables.alarms)}
    changes = bench.rows(tables.alarm_changes)
    assert {row["cause"] for row in changes} == {cause.value for cause in Cause}
    lives: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for change in changes:
        row = alarms[change["alarm_number"]]
        lives.setdefault((row["site"], row["fan"], row["supply"], row["condition"]), []).append(change)
    assert len(lives) >= 4
    for about, told in lives.items():
        newest_row = alarms[told[-1]["alarm_number"]]
        state, suppression = State.NORMAL, None
        for change in told:
            assert change["from_state"] == state.value, (about, change)
            state, suppression = carried_on([Cause(change["cause"])], state, suppression)
            assert change["to_state"] == state.value, (about, change)
        held = newest_row["suppression"]
        assert (state.value, suppression) == (newest_row["state"], Suppression(held) if held else None), about
    assert all(row["outcome"] == "done" and row["done_ms"] is not None for row in bench.rows(tables.actions))
    by_people = {"acknowledged", "acknowledged, returned before", "shelved", "unshelved", "planned stop",
                 "planned stop withdrawn", "removed from service", "returned to service"}  # fmt: skip
    for change in changes:
        assert (change["by"] == "someone") == (change["cause"] in by_people), change
    begun = {"shelved", "planned stop", "removed from service", "suppressed by design"}
    assert all((change["why"] is not None) == (change["cause"] in begun) for change in changes)
    bench.begin().round()  # as by a kill: nothing of it was only in memory
    bench.worker.stop()
    assert bench.rows(tables.alarm_changes) == changes and bench.rows(tables.alarms) == list(alarms.values())

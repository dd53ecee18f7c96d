"""What is picked of a night: who ran until the supply was lost, spells put together, who knows of what."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
import sqlalchemy as sa

from monitor.alarms.alarm import Acknowledge, Raised, Returned, Shelve, Unshelve
from monitor.records import tables
from monitor.records.database import Database
from monitor.records.morning import Morning, evening, morning
from monitor.records.register import Site
from monitor.records.scope import ALL
from tests.plates import TEN_HP
from tests.web.farm import THREE_PHASE, Farm
from tests.web.night import ON_YARD, SIX_THIRTY, SUPPLY_VOLTS, at, fails, happens, job, still
from tests.web.notices import tell

BACK = at("03:42")
LOST = at("03:05")


@pytest.fixture
def farm(database: Database) -> Farm:
    made = Farm(database, SIX_THIRTY)
    made.site()
    return made


def told(farm: Farm, since: datetime | date | None = None) -> Morning:
    return morning(farm.database, ALL, SIX_THIRTY, since=since)


def of(found: Morning) -> dict[str, str]:
    return {one.fan: one.what for one in found.stops}


def stood(farm: Farm, fan: str, ended: datetime, cause: str = "supply lost", confidence: str = "sure") -> None:
    """A fan of the yard that ran until then and stands still."""
    farm.fan(fan, ON_YARD)
    farm.run(fan, at("06:00", 3), ended, end_cause=cause, confidence=confidence)
    still(farm, fan, ended, flags=SUPPLY_VOLTS)


# --- what ran until the supply was lost ---------------------------------------------------------------------------


def test_who_ran_until_the_supply_was_lost_and_does_not_since(farm: Farm) -> None:
    stood(farm, "a-1", LOST)
    stood(farm, "a-2", LOST - timedelta(seconds=90))  # its last reading before it
    stood(farm, "a-3", LOST - timedelta(minutes=3), "stopped", "high")  # stood already
    stood(farm, "a-4", LOST - timedelta(seconds=30), "stopped", "sure")  # its control had stopped it
    stood(farm, "a-5", BACK + timedelta(minutes=5), "stopped", "high")  # ran again, then stopped
    farm.fan("other", THREE_PHASE)  # on no supply point
    farm.run("other", at("06:00", 3), LOST, end_cause="stopped", confidence="high")
    still(farm, "other", LOST)
    happens(farm, None, "supply-lost", LOST, BACK, supply="yard", value=2.0)
    found = told(farm)
    assert of(found) == {"a-1": "not back", "a-2": "not back"}
    away = found.stops[0].away
    assert away is not None and (away.supply, away.since, away.until) == ("yard", LOST, BACK)


def test_while_the_supply_is_away_nobody_waits_for_its_fans(farm: Farm) -> None:
    stood(farm, "a-1", LOST)
    happens(farm, None, "supply-lost", LOST, supply="yard", value=2.0)
    found = told(farm)
    assert of(found) == {}
    assert [(one.kind, one.until, one.fans) for one in found.faults] == [("lost", None, ("a-1",))]


def test_of_a_supply_that_was_lost_twice_each_time_counts(farm: Farm) -> None:
    """The alarm keeps only its last spell: the first stands in its changes."""
    stood(farm, "a-1", at("01:00"))
    stood(farm, "a-2", at("02:00"))  # between the two: the supply has not taken it
    happens(farm, None, "supply-lost", at("01:00"), at("01:20"), supply="yard", value=2.0)
    happens(farm, None, "supply-lost", LOST, BACK, supply="yard", value=1.0)
    found = told(farm)
    assert of(found) == {"a-1": "not back"}
    (fault,) = found.faults
    assert (fault.times, fault.since, fault.until, fault.worst) == (2, at("01:00"), BACK, 1.0)
    assert fault.lasted == timedelta(minutes=20 + 37)


def test_a_fan_that_names_no_supply_point_goes_with_those_that_name_none(farm: Farm) -> None:
    """Without volts the alarm is of the fan that fell first."""
    for fan, plate in (("b-1", TEN_HP), ("b-2", TEN_HP), ("a-1", ON_YARD)):
        farm.fan(fan, plate)
        farm.run(fan, at("06:00", 3), LOST, end_cause="supply lost", confidence="likely")
        still(farm, fan, LOST)
    happens(farm, "b-1", "supply-lost", LOST, BACK, value=None)
    assert of(told(farm)) == {"b-1": "not back", "b-2": "not back"}


def test_after_a_silence_of_all_loggers_as_well(farm: Farm) -> None:
    stood(farm, "a-1", LOST, "log ended", "sure")
    happens(farm, None, "site-silent", LOST, BACK)
    (only,) = told(farm).stops
    assert only.what == "not back" and only.away is not None and only.away.condition == "site-silent"


def test_a_slow_logger_saw_its_fan_run_a_period_before(farm: Farm) -> None:
    farm.fan("a-1", ON_YARD)
    farm.run("a-1", at("06:00", 3), LOST - timedelta(minutes=7), end_cause="supply lost", confidence="likely")
    farm.reading("a-1", (0.0, 0.0, 0.0), running=False, since=LOST, flags=SUPPLY_VOLTS, period=300.0)
    happens(farm, None, "supply-lost", LOST, BACK, supply="yard", value=2.0)
    assert of(told(farm)) == {"a-1": "not back"}


# --- trips ------------------------------------------------------------------------------------------------------


def test_a_trip_that_is_only_possible_is_told_as_a_trip(farm: Farm) -> None:
    """Its alarm is `stopped`."""
    farm.fan("a-1")
    farm.run("a-1", at("06:00", 3), at("02:00"), end_cause="overload trip", confidence="possible")
    still(farm, "a-1", at("02:00"))
    happens(farm, "a-1", "stopped", at("02:01"))
    (only,) = told(farm).stops
    assert (only.what, only.end_cause, only.confidence) == ("trip", "overload trip", "possible")


def test_a_trip_of_the_day_before_is_told_as_long_as_it_stands(farm: Farm) -> None:
    farm.fan("a-1")
    farm.run("a-1", at("06:00", 3), at("12:00", 4), end_cause="overload trip", confidence="high")
    still(farm, "a-1", at("12:00", 4))
    happens(farm, "a-1", "tripped", at("12:01", 4))
    (only,) = told(farm).stops
    assert (only.at, only.end_cause, only.times, only.waits) == (at("12:00", 4), "overload trip", 1, True)
    farm.event("a-1", "tripped", Acknowledge("Ben"))
    assert told(farm).stops[0].waits, "it still stands still"
    farm.run("a-1", at("06:00"))
    farm.reading("a-1", since=at("06:00"))
    farm.event("a-1", "tripped", Returned(at("06:00")))
    (only,) = told(farm).stops
    assert (only.running, only.waits) == (True, False), "it went in the night, and is seen to"
    assert told(farm, at("06:10")).stops == ()


# --- supplies ---------------------------------------------------------------------------------------------------


def test_what_shows_at_one_fan_only_is_told_with_those_that_do_not_show_it(farm: Farm) -> None:
    for fan in ("a-1", "a-2", "a-3"):
        farm.fan(fan)
        farm.reading(fan, volts=(470.0, 452.0, 447.0) if fan == "a-1" else (461.0, 458.0, 460.0))
    still(farm, "a-3", LOST)  # stands still: nothing can show at it
    happens(farm, "a-1", "voltage-unbalance", at("20:00", 4), value=3.2)
    (fault,) = told(farm).faults
    assert (fault.fans, fault.not_at, fault.measured_at) == (("a-1",), ("a-2",), "a-1")
    assert fault.unbalance == pytest.approx(3.0, abs=0.1)


def test_of_low_volts_the_least_is_the_worst_and_spells_of_several_fans_are_put_together(farm: Farm) -> None:
    for fan in ("a-1", "a-2"):
        farm.fan(fan, ON_YARD)
        farm.reading(fan, flags=SUPPLY_VOLTS)
    happens(farm, "a-1", "voltage-low", at("20:00", 4), at("21:00", 4), value=89.0, peak=86.0)
    happens(farm, "a-2", "voltage-low", at("20:30", 4), at("21:30", 4), value=88.0)
    happens(farm, "a-1", "voltage-low", at("23:00", 4), at("23:10", 4), value=89.5)
    (fault,) = told(farm).faults
    assert (fault.kind, fault.supply, fault.worst, fault.times) == ("low", "yard", 86.0, 2)
    assert (fault.lasted, fault.fans) == (timedelta(minutes=100), ("a-1", "a-2"))
    assert told(farm, at("23:30", 4)).faults == ()


def test_of_a_fault_that_somebody_shelved_the_utility_is_not_called_again(farm: Farm) -> None:
    farm.fan("a-1")
    farm.reading("a-1")
    happens(farm, "a-1", "voltage-high", at("20:00", 4), value=111.0)
    assert len(told(farm).faults) == 1
    farm.event("a-1", "voltage-high", Shelve("Ann", SIX_THIRTY + timedelta(hours=9), "utility comes at noon"))
    found = told(farm)
    assert found.faults == () and [one["id"] for one in found.held] == ["voltage-high"]


# --- loggers, notices, what is held back ------------------------------------------------------------------------


def test_a_silent_site_is_one_visit(farm: Farm) -> None:
    for fan in ("a-1", "a-2"):
        farm.fan(fan)
        farm.reading(fan, at=LOST)
        happens(farm, fan, "logger-overdue", LOST)
    assert [(one.name, one.why) for one in told(farm).loggers] == [("a-1", "silent"), ("a-2", "silent")]
    happens(farm, None, "site-silent", at("03:20"))
    found = told(farm)
    assert [(one.name, one.why, one.whole) for one in found.loggers] == [(None, "site", True)]
    assert (found.places[0].running, found.places[0].silent) == (0, 2)
    assert found.margins == (), "of what is not heard no margin is told"


def test_nobody_heard_of_it_unless_another_route_or_a_later_notice_told_it(farm: Farm) -> None:
    for fan in ("a-1", "a-2", "a-3"):
        farm.fan(fan)
        farm.reading(fan)
    alarms = [happens(farm, fan, "overload", at("02:00")) for fan in ("a-1", "a-2", "a-3")]
    for alarm in alarms:
        fails(farm, alarm)
    (only,) = told(farm).failed
    assert (only.site, only.route, only.count, only.nobody) == ("meadow", "desk", 3, 3)
    tell(farm, alarms[0], route="farm")  # waits: nobody has it yet
    assert told(farm).failed[0].nobody == 3
    together = tell(farm, alarms[2], alarms[1], route="farm")  # one notice of several
    tell_alone = tell(farm, alarms[0], route="second")
    table = tables.notices
    with farm.database.begin() as connection:
        ids = [one.id for one in (*together, *tell_alone)]
        connection.execute(sa.update(table).where(table.c.id.in_(ids)).values(state="delivered"))
    assert told(farm).failed[0].nobody == 0
    assert told(farm, at("03:00")).failed == ()


def test_a_shelf_that_the_next_occurrence_left_is_not_held_back(farm: Farm) -> None:
    farm.fan("a-1")
    farm.reading("a-1")
    happens(farm, "a-1", "overload", at("20:00", 4))
    farm.event("a-1", "overload", Shelve("Ann", SIX_THIRTY + timedelta(hours=9), "known"))
    assert len(told(farm).held) == 1
    farm.event("a-1", "overload", Acknowledge("Ann"))
    farm.event("a-1", "overload", Returned(at("21:00", 4)))
    farm.event("a-1", "overload", Raised("overload", at("22:00", 4), at("22:00", 4), 1.1, 1.0, 1.1, "high"))
    assert [one["number"] for one in told(farm).held] == [2], "the next one took it over"
    farm.event("a-1", "overload", Unshelve("Ann"))
    assert told(farm).held == ()


def test_blades_that_are_registered_later_count_for_an_open_sheet(farm: Farm) -> None:
    for fan, inserts in (("a-1", 8), ("a-2", None), ("a-3", None)):
        farm.fan(fan, TEN_HP)
        job(farm, fan, 18.0, inserts, "trips")
    job(farm, "a-3", None, None, "checks only")
    assert [(one.count, one.ask) for one in told(farm).inserts] == [(8, ("meadow/a-2", "meadow/a-3"))]
    farm.fan("a-1", THREE_PHASE)  # six blades: what stands on the sheet was meant
    farm.fan("a-2", THREE_PHASE)
    assert [(one.count, one.ask) for one in told(farm).inserts] == [(14, ("meadow/a-3",))]


def test_a_reader_of_one_farm_is_told_nothing_of_another(farm: Farm) -> None:
    farm.site("hill", "Hill")
    for site, fan in (("meadow", "a-1"), ("hill", "b-1")):
        farm.fan(fan, ON_YARD, site)
        farm.reading(fan, site=site)
        fails(farm, happens(farm, fan, "overload", at("02:00"), site=site))
        happens(farm, fan, "many-starts", at("02:00"), site=site)
        farm.event(fan, "many-starts", Shelve("Ann", SIX_THIRTY + timedelta(hours=9), "known"), site)
        job(farm, fan, 18.0, 6, "trips", site)
    found = morning(farm.database, ["meadow"], SIX_THIRTY)
    sites = {one["site"] for one in (*found.held, *found.margins)} | {one.site for one in (*found.failed, *found.jobs)}
    assert sites == {"meadow"} and len(found.held) == len(found.failed) == len(found.jobs) == 1
    assert [one.fans for one in found.inserts] == [(("meadow/a-1", 6),)]
    assert len(told(farm).failed) == len(told(farm).held) == 2


# --- when the night begins --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "now", "begins"),
    [
        # Clocks are put back in this night: it is an hour longer.
        ("America/Chicago", datetime(2026, 11, 1, 12, 30, tzinfo=UTC), datetime(2026, 10, 31, 22, 0, tzinfo=UTC)),
        ("America/Chicago", datetime(2026, 11, 2, 12, 30, tzinfo=UTC), datetime(2026, 11, 1, 23, 0, tzinfo=UTC)),
        # Another day on this side of the world.
        ("Australia/Sydney", datetime(2026, 10, 4, 20, 30, tzinfo=UTC), datetime(2026, 10, 4, 6, 0, tzinfo=UTC)),
        ("Nowhere/Land", datetime(2026, 10, 4, 20, 30, tzinfo=UTC), datetime(2026, 10, 3, 17, 0, tzinfo=UTC)),
    ],
)
def test_a_night_begins_at_five_of_the_day_before_by_the_sites_clock(
    zone: str, now: datetime, begins: datetime
) -> None:
    assert evening(Site("x", "", zone, 0.0, "us", "17:00"), now) == begins


def test_a_reader_of_no_site_is_told_nothing(farm: Farm) -> None:
    farm.fan("a-1")
    happens(farm, "a-1", "tripped", LOST)
    fails(farm, farm.alarms[next(iter(farm.alarms))])
    found = morning(farm.database, (), SIX_THIRTY)
    assert (found.places, found.stops, found.margins, found.faults, found.loggers) == ((), (), (), (), ())
    assert (found.others, found.out, found.held, found.failed, found.jobs) == ((), (), (), (), ())

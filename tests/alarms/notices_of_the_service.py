"""Notices about the watch itself, and the test of a route."""

from __future__ import annotations

from dataclasses import replace

from alarm_builders import CHICAGO, at

from monitor.alarms import trial_notice
from monitor.alarms.service_notices import BrokerAway, Downtime, broker_away, service_was_down
from monitor.alarms.texts import Texts
from monitor.alarms.upkeep_notices import About, Disk, backup_late, cannot_store, disk_nearly_full

DOWN = Downtime(at(), at(271), 14, ("Hollow Creek", "Hill Farm"), CHICAGO, page="http://192.168.1.20:8080/")
AWAY = BrokerAway(
    at(), at(5), 14, ("Hollow Creek", "Hill Farm"), "192.168.1.10:1883", CHICAGO, error="connection refused",
    page="http://192.168.1.20:8080/",
)  # fmt: skip


UPKEEP = About(at(), at(2), 14, CHICAGO, page="http://192.168.1.20:8080/")
DISK = Disk("/var/lib/amp-monitor", 0.092, 2_700_000_000)
FULL = "the database sqlite:////var/lib/amp-monitor/monitor.db cannot grow: the disk is full. Make room on it."


def service_down_nobody_knows_why() -> Texts:
    return service_was_down(DOWN)


def service_down_after_a_power_failure() -> Texts:
    why = "the computer was started anew, after a power failure or by hand"
    return service_was_down(replace(DOWN, why=why, broker_keeps=True, name_zone=True))


def service_down_for_an_update() -> Texts:
    why = "it was stopped in order and started again, for an update say"
    return service_was_down(
        replace(DOWN, start=at(26), fans=1, sites=("Hollow Creek",), why=why, broker_keeps=False, page=None)
    )


def service_down_since_nobody_knows_when() -> Texts:
    return service_was_down(replace(DOWN, last_sign=None))


def broker_away_not_reached() -> Texts:
    return broker_away(AWAY)


def broker_away_lets_nobody_in() -> Texts:
    return broker_away(replace(AWAY, refused=True, error="not authorised"))


def broker_back() -> Texts:
    return broker_away(replace(AWAY, now=at(32), back=at(32)))


def broker_away_from_many_sites() -> Texts:
    sites = tuple(f"Grain and Livestock Cooperative, yard {place}" for place in range(1, 15))
    broker = "broker.of.the.cooperative.on.the.far.side.of.the.river.example:8883"
    return broker_away(replace(AWAY, now=at(60 * 30), fans=412, sites=sites, broker=broker, name_zone=True))


def disk_fills() -> Texts:
    return disk_nearly_full(UPKEEP, DISK)


def disk_fills_while_the_copy_is_away() -> Texts:
    why = (
        "8,112 hours of fans' readings could make room, but the copy to https://influx.example:8086 amps does not hold "
        "them yet: see to that copy, or take it out of the settings"
    )
    return disk_nearly_full(UPKEEP, replace(DISK, free_share=0.041, free_bytes=812_000_000, why_no_room=why))


def disk_has_room_again() -> Texts:
    return disk_nearly_full(replace(UPKEEP, back=at(2)), replace(DISK, free_share=0.31))


def disk_is_full() -> Texts:
    return cannot_store(replace(UPKEEP, name_zone=True), FULL, True)


def database_is_held() -> Texts:
    return cannot_store(replace(UPKEEP, fans=1, page=None), "the database is busy: another program holds it.", False)


def stores_again() -> Texts:
    return cannot_store(replace(UPKEEP, back=at(95), now=at(95)), FULL, True)


def backup_is_late() -> Texts:
    return backup_late(
        UPKEEP, "there is no directory /media/backup: plug the disk in, or make the directory", at(-2880)
    )


def backup_was_never_made() -> Texts:
    return backup_late(replace(UPKEEP, page=None), "it needs 1.4 GB and 0.9 GB are free", None)


def backup_is_made_again() -> Texts:
    return backup_late(replace(UPKEEP, back=at(2)), "", at(1))


def test_of_a_route() -> Texts:
    return trial_notice.test_notice("farm", "mail to a...@example.org", "Ada", at(712), CHICAGO)


def test_of_a_route_by_nobody() -> Texts:
    return trial_notice.test_notice("the desk, after a quarter of an hour", "", "", at(712))


STORIES = [
    service_down_nobody_knows_why, service_down_after_a_power_failure, service_down_for_an_update,
    service_down_since_nobody_knows_when, broker_away_not_reached, broker_away_lets_nobody_in, broker_back,
    broker_away_from_many_sites, disk_fills, disk_fills_while_the_copy_is_away, disk_has_room_again, disk_is_full,
    database_is_held, stores_again, backup_is_late, backup_was_never_made, backup_is_made_again,
    test_of_a_route, test_of_a_route_by_nobody,
]  # fmt: skip

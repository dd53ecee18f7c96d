"""Notices about the watch itself, and the test of a route."""

from __future__ import annotations

from dataclasses import replace

from alarm_builders import CHICAGO, at

from monitor.alarms import trial_notice
from monitor.alarms.service_notices import BrokerAway, Downtime, broker_away, service_was_down
from monitor.alarms.texts import Texts

DOWN = Downtime(at(), at(271), 14, ("Hollow Creek", "Hill Farm"), CHICAGO, page="http://192.168.1.20:8080/")
AWAY = BrokerAway(
    at(), at(5), 14, ("Hollow Creek", "Hill Farm"), "192.168.1.10:1883", CHICAGO, error="connection refused",
    page="http://192.168.1.20:8080/",
)  # fmt: skip


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


def test_of_a_route() -> Texts:
    return trial_notice.test_notice("farm", "mail to a...@example.org", "Ada", at(712), CHICAGO)


def test_of_a_route_by_nobody() -> Texts:
    return trial_notice.test_notice("the desk, after a quarter of an hour", "", "", at(712))


STORIES = [
    service_down_nobody_knows_why, service_down_after_a_power_failure, service_down_for_an_update,
    service_down_since_nobody_knows_when, broker_away_not_reached, broker_away_lets_nobody_in, broker_back,
    broker_away_from_many_sites, test_of_a_route, test_of_a_route_by_nobody,
]  # fmt: skip

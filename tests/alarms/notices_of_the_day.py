"""The line a day about a site: all is well, or what is not."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from alarm_builders import CHICAGO, at
from notices_of_ends import tripped
from notices_of_loggers import logger_overdue, site_silent
from notices_of_supply import voltage_low

from monitor.alarms.all_is_well import FanNow, HeldBack, PointNow, SiteDay, all_is_well
from monitor.alarms.states import Suppression
from monitor.alarms.texts import Texts

SEVEN = at(290)
"""07:00."""
FANS = (
    FanNow("North 1", True, True, 0.83, SEVEN),
    FanNow("North 2", True, False, 0.0, SEVEN),
    FanNow("North 3", True, True, 0.921, SEVEN),
    FanNow("North 4", True, True, None, SEVEN),
    FanNow("South 1", True, True, 0.778, SEVEN),
)
DAY = SiteDay(
    "hollow-creek", "Hollow Creek", CHICAGO, SEVEN, SEVEN - timedelta(days=1), FANS,
    (PointNow("North panel", True, SEVEN),), page="http://192.168.1.20:8080/",
)  # fmt: skip
BEARINGS = HeldBack("South 2", Suppression.OUT_OF_SERVICE, SEVEN + timedelta(days=3), None, "Ada", "new bearings")
SHELVED = HeldBack("North 4", Suppression.SHELVED, SEVEN + timedelta(hours=7), "low-margin", "Ada")
LOADING = HeldBack("North 2", Suppression.SUPPRESSED_BY_DESIGN, SEVEN + timedelta(hours=2), None, "Ada", "loading")


def silent(*names: str) -> tuple[FanNow, ...]:
    """The fans, some of them not heard for an hour."""
    hour = SEVEN - timedelta(hours=1)
    return tuple(replace(fan, heard=False, last_reading=hour) if fan.name in names else fan for fan in FANS)


ALL = tuple(fan.name for fan in FANS)


def a_quiet_night() -> Texts:
    return all_is_well(DAY)


def a_night_in_which_something_came_and_went() -> Texts:
    went = (("low-margin", 2), ("logger-overdue", 1))
    return all_is_well(replace(DAY, came_and_went=went, held_back=(BEARINGS, SHELVED, LOADING), delivered_late=1))


def alarms_stand() -> Texts:
    by_ada = replace(voltage_low()[0].standing, number=2, acknowledged_by="Ada")
    standing = (("North 3", by_ada), ("North 2", tripped()[0].standing))
    return all_is_well(replace(DAY, standing=standing, held_back=(BEARINGS,)))


def nothing_is_heard() -> Texts:
    points = (PointNow("North panel", False, SEVEN - timedelta(hours=1)),)
    return all_is_well(replace(DAY, fans=silent(*ALL), points=points, standing=(("", site_silent()[0].standing),)))


def nothing_is_heard_and_nothing_stands() -> Texts:
    """Fans that were registered and never sent a reading raise no alarm."""
    never = tuple(replace(fan, heard=False, running=None, last_reading=None) for fan in FANS[:2])
    return all_is_well(replace(DAY, fans=never, points=()))


def two_loggers_are_silent() -> Texts:
    standing = (("North 4", logger_overdue()[0].standing),)
    never = FanNow("West 1", False)
    return all_is_well(replace(DAY, fans=(*silent("North 4"), never), standing=standing))


def one_logger_never_spoke() -> Texts:
    return all_is_well(replace(DAY, fans=(*FANS, FanNow("West 1", False))))


def the_broker_is_away() -> Texts:
    return all_is_well(
        replace(DAY, fans=silent(*ALL), broker_away_since=at(180), standing=(("North 3", voltage_low()[0].standing),))
    )


def notices_did_not_arrive() -> Texts:
    return all_is_well(replace(DAY, not_delivered=2, still_waiting=1, not_watched_seconds=4980.0))


def the_disk_is_nearly_full() -> Texts:
    return all_is_well(replace(DAY, trouble=("The disk is nearly full: 1.2 GB left.",)))


def off_season() -> Texts:
    whole = HeldBack("", Suppression.OUT_OF_SERVICE, SEVEN + timedelta(days=200), None, "Ada", "off season")
    return all_is_well(replace(DAY, fans=(), points=(), held_back=(whole,)))


def a_large_site() -> Texts:
    fans = tuple(FanNow(f"Bin {place}", True, place % 4 > 0, 0.6 + place / 100, SEVEN) for place in range(1, 37))
    held = tuple(replace(BEARINGS, name=f"Old bin {place}") for place in range(1, 8))
    standing = tuple((f"Bin {place}", replace(voltage_low()[0].standing, number=place)) for place in range(1, 10))
    return all_is_well(replace(DAY, fans=fans, held_back=held, standing=standing))


STORIES = [
    a_quiet_night, a_night_in_which_something_came_and_went, alarms_stand, nothing_is_heard,
    nothing_is_heard_and_nothing_stands, two_loggers_are_silent, one_logger_never_spoke, the_broker_is_away,
    notices_did_not_arrive, the_disk_is_nearly_full, off_season, a_large_site,
]  # fmt: skip

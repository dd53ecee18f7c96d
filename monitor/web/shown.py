"""How a fan is told to people: state, figures and next step in words.

Used by the pages and by the live stream alike, so that a page just loaded and one open for hours say the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from monitor.motor.limit import NO_FACTOR_ABOVE
from monitor.records.look_fans import (
    ABOUT_TO_TRIP,
    NEAR,
    NO_AMPS,
    NO_READINGS,
    NOT_HEARD,
    OVER,
    RUNNING,
    STOPPED,
    TRIPPED,
)
from monitor.records.register import Site
from monitor.web import heat, words
from monitor.web.next_steps import next_step

TONES = {
    ABOUT_TO_TRIP: "over",
    TRIPPED: "over",
    OVER: "over",
    NEAR: "near",
    RUNNING: "good",
    NO_AMPS: "near",
    STOPPED: "still",
    NOT_HEARD: "silent",
    NO_READINGS: "silent",
}
"""State -> class of its colour and shape; the words always stand beside."""
HEARD_LATE = timedelta(minutes=2)
"""A reading that came so long after it was measured is told with both times."""
LISTED = (
    "tone", "state", "since", "trip_line", "load", "against", "strip", "legs", "volts", "of_full_load", "heard",
    "heard_at", "next",
)  # fmt: skip
"""Texts of `FanShown` that the page Fans keeps true; a test compares it with the page."""
STRIP_ENDS_AT = 1.25
"""The strip's full length, as a share of the limit."""


@dataclass(frozen=True)
class FanShown:
    """One fan's texts. Every field is a text a page puts in its place, or a class."""

    tone: str
    """Class of colour and shape."""
    state: str
    """One of the states, e.g. "over its limit"."""
    since: str
    """Since when, e.g. "since 20:12 CDT, 34 min"."""
    load: str
    """Share of the limit, e.g. "102 %"; "not running" or "not known" where there is none."""
    against: str
    """What follows on it, e.g. " of limit: 15.5 A of 15.2 A"."""
    strip: str
    """Length of the strip, 0 to 1250: tenths of a percent of the limit."""
    highest: str
    """Highest leg, e.g. "15.5 A"."""
    highest_leg: str
    """Which leg that is, e.g. "L1"; empty for one leg."""
    limit: str
    """Adjusted limit, e.g. "15.2 A"."""
    legs: str
    """All legs, e.g. "15.5 / 15.0 / 14.6 A"."""
    volts: str
    """Line voltages, or that they are not measured."""
    unbalance: str
    """Voltage unbalance, e.g. "0.8 %"."""
    full_load: str
    """Share of full-load amps, e.g. "117 %"."""
    of_full_load: str
    """The same with its words, e.g. "117 % of full-load amps"; empty where there is none."""
    air: str
    """Air temperature."""
    strip_motor: str
    """Length of the strip of the motor's heat."""
    strip_device: str
    """Length of the strip of its overload device's heat."""
    motor_heat: str
    """Heat of the motor, e.g. "86 % of what its limit allows"."""
    device_heat: str
    """Heat of its overload device; empty where there is no image of it."""
    to_trip: str
    """Time to trip, e.g. "at most 12 min"; empty where nothing can be said."""
    trip_line: str
    """The same where it must be seen at once: the fan is about to trip; else empty."""
    heard: str
    """How old the figures are."""
    heard_at: str
    """The same as RFC 3339, for the browser to keep it true."""
    next: str
    """What to do next; empty where nothing is to be done."""
    alarms: str
    """How many alarms stand or wait, in words; empty for none."""

    def as_dict(self) -> dict[str, str]:
        """For the live stream."""
        return asdict(self)

    def listed(self) -> dict[str, str]:
        """What a list of fans shows and keeps true, and no more: it is sent for each of them with each reading."""
        return {name: getattr(self, name) for name in LISTED}


def zone_of(site: Site) -> ZoneInfo:
    """The site's time zone; UTC where this machine does not know it."""
    try:
        return ZoneInfo(site.time_zone)
    except (KeyError, ValueError, OSError):
        return ZoneInfo("UTC")


def hours_before(site: str, fan: str, ended: datetime | None) -> str:
    """Address of the form that reviews the hours before a run of a fan ended; None: the last day.

    >>> hours_before("meadow", "north-3", datetime.fromisoformat("2026-10-05T07:10:00Z"))
    '/review?site=meadow&fan=north-3&ended=2026-10-05T07%3A10%3A00%2B00%3A00#window'
    """
    when = {} if ended is None else {"ended": ended.isoformat(timespec="seconds")}
    return f"/review?{urlencode({'site': site, 'fan': fan, **when})}#window"


def show(item: Mapping[str, Any], site: Site, now: datetime) -> FanShown:
    """The texts of one fan as `records.look` gives it.

    Parameters
    ----------
    item : as in `look.fans`
    site : its site, for units and local time
    now : wall time, aware
    """
    zone = zone_of(site)
    state = item["state"]
    ratio, amps = item["load_ratio"], item["amps"]
    length = 0.0 if ratio is None else min(max(ratio, 0.0), STRIP_ENDS_AT)
    waiting = len(item["alarms"]) + len(item["shared_alarms"])
    to_trip = heat.to_trip(item)
    full_load = words.percent(item["percent_of_full_load"])
    return FanShown(
        tone=TONES[NEAR] if _no_limit(item) and state == RUNNING else TONES[state],
        state=state,
        since=_since(item, zone, now),
        load=words.share(ratio) if ratio is not None else "not running" if item["running"] is False else "not known",
        against=_against(item),
        strip=str(round(1000 * length)),
        highest=words.amps(item["highest_leg_amps"]),
        highest_leg=_leg(amps, item["highest_leg_amps"]),
        limit=words.amps(item["limit_amps"]),
        legs=_legs(item),
        volts=_volts(item),
        unbalance=words.percent(item["unbalance_percent"], 1),
        full_load=full_load,
        of_full_load="" if full_load == words.NOT_KNOWN else f"{full_load} of full-load amps",
        air=words.temperature(item["ambient_c"], site.units),
        strip_motor=heat.strip(item["images"]["motor"]),
        strip_device=heat.strip(item["images"]["device"]),
        motor_heat=heat.motor(item),
        device_heat=heat.device(item, zone, now),
        to_trip=to_trip,
        trip_line=f"time to trip: {to_trip}" if state == ABOUT_TO_TRIP and to_trip else "",
        heard=_heard(item, zone, now),
        heard_at="" if item["time"] is None else item["time"].isoformat(),
        next=next_step(item),
        alarms=words.plural(waiting, "alarm") if waiting else "",
    )


def _against(item: Mapping[str, Any]) -> str:
    limit = words.amps(item["limit_amps"])
    if item["load_ratio"] is None:
        return "" if item["limit_amps"] is None else f", limit {limit}"
    last = " when last heard" if item["state"] == NOT_HEARD else ""
    figures = f"{words.amps(item['highest_leg_amps'])} of {limit}"
    if _no_limit(item):
        return f" of the limit for {NO_FACTOR_ABOVE:g} % unbalance{last}: {figures}; beyond it no limit is given"
    return f" of limit{last}: {figures}"


def _no_limit(item: Mapping[str, Any]) -> bool:
    """Whether its voltages are so unbalanced that no limit can be given."""
    unbalance = item["unbalance_percent"]
    return item["phases"] == 3 and unbalance is not None and unbalance > NO_FACTOR_ABOVE


def _leg(amps: list[float | None], highest: float | None) -> str:
    if highest is None or len(amps) < 2:
        return ""
    return f"L{amps.index(highest) + 1}"


def _legs(item: Mapping[str, Any]) -> str:
    if item["time"] is None:
        return ""
    if all(one is None for one in item["amps"]):
        return "no amps"
    return words.with_unit(words.legs(item["amps"]), "A")


def _volts(item: Mapping[str, Any]) -> str:
    if item["time"] is None:
        return ""
    if all(one is None for one in item["volts"]):
        return "volts not measured"
    return words.with_unit(words.volts(item["volts"]), "V")


def _alarm_since(item: Mapping[str, Any], condition: str) -> datetime | None:
    for alarm in item["alarms"]:
        if alarm["id"] == condition and alarm["standing"]:
            since: datetime = alarm["since"]
            return since
    return None


_SINCE_ALARM = {ABOUT_TO_TRIP: "trip-near", TRIPPED: "tripped", OVER: "overload", NEAR: "low-margin"}
"""States that are told from their alarm's beginning on."""


def _since(item: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    state = item["state"]
    if state == NO_READINGS:
        return ""
    if state == NOT_HEARD:
        return f"last reading {words.local(item['time'], zone, now)}"
    since = item["since"]
    if state in _SINCE_ALARM:
        since = _alarm_since(item, _SINCE_ALARM[state])
        if since is None:
            return "only just; the alarm waits to see whether it lasts"
    if since is None:
        return ""
    return f"since {words.local(since, zone, now)}, {words.span((now - since).total_seconds())}"


def _heard(item: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    time, heard = item["time"], item["heard"]
    if time is None:
        return "no reading yet"
    if heard is not None and heard - time > HEARD_LATE:
        return f"reading of {words.local(time, zone, now)}, heard {words.local(heard, zone, now)}"
    return f"reading {words.ago(time, now)}"

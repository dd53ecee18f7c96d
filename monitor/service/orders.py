"""What people asked for, found as rows in the database: operator actions and register edits, done by the worker."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from monitor.alarms.alarm import (
    About,
    Acknowledge,
    Alarm,
    Event,
    PlannedStop,
    Shelve,
    Unshelve,
    WithdrawPlannedStop,
)
from monitor.alarms.events import LONGEST_SHELF
from monitor.alarms.states import Suppression
from monitor.records.actions import DONE, Action
from monitor.records.nights import TONIGHT
from monitor.records.register import Edits
from monitor.service.beginning import add_version, site_of
from monitor.service.book import AlarmBook
from monitor.service.maintenance import OUT_OF_SERVICE, RETURN_TO_SERVICE
from monitor.service.plans import Plans, planned
from monitor.service.plant import Plant, Point, Version

Apply = Callable[[Point, About, Event], "Alarm | None"]


def take_up(edits: Edits, plant: Plant) -> list[tuple[int, Version]]:
    """Brings register edits into the plant; returns the new versions with the time from which each applies.

    A version never applies to readings that were judged already, stored or not.
    """
    for site in edits.sites:
        plant.sites[site.site] = site_of(site)
    for key in edits.points:
        if key.point_id not in plant.by_id:
            plant.add_point(key.point_id, key.site, key.name, key.kind)
    taken = []
    for version in edits.versions:
        point = plant.by_id[version.point_id]
        if all(known.number != version.version for known in point.versions):
            taken.append((point.point_id, add_version(plant, point, version)))
    return taken


def carry_out(
    action: Action,
    book: AlarmBook,
    plant: Plant,
    apply: Apply,
    enter: Callable[[Action], str],
    maintain: Callable[[Action], str],
    plans: Plans,
    now: datetime,
) -> str:
    """Does what an operator asked for; returns "done" or in words why not.

    Kinds and their bodies: acknowledge {"alarm": number}; planned-stop {"fan": name, "until": RFC 3339, "why": text,
    and "from": RFC 3339 where it begins later}; withdraw-planned-stop {"fan": name}; tonight {"low_c": number, or null
    to take it back}; shelve {"alarm": number, "until": RFC 3339, "why": text}; unshelve {"alarm": number};
    out-of-service and return-to-service as in `maintenance`.

    Parameters
    ----------
    enter : takes the low that somebody entered for tonight
    maintain : takes a fan or site out of service, or back
    plans : the planned stops that begin later
    now : wall time
    """
    if action.kind == "acknowledge":
        return _acknowledge(action, book, plant, apply)
    if action.kind in ("planned-stop", "withdraw-planned-stop"):
        return _planned_stop(action, plant, apply, plans, now)
    if action.kind in ("shelve", "unshelve"):
        return _shelve(action, book, plant, apply, now)
    if action.kind in (OUT_OF_SERVICE, RETURN_TO_SERVICE):
        return maintain(action)
    if action.kind == TONIGHT:
        return enter(action)
    return f'nobody knows how to do "{action.kind}"'


def _acknowledge(action: Action, book: AlarmBook, plant: Plant, apply: Apply) -> str:
    found = _alarm_of(action, book, plant)
    if isinstance(found, str):
        return found
    point, alarm = found
    apply(point, alarm.about, Acknowledge(action.by))
    return DONE


def _alarm_of(action: Action, book: AlarmBook, plant: Plant) -> tuple[Point, Alarm] | str:
    """The alarm an action is about; in words why there is none."""
    number = action.body.get("alarm")
    alarm = book.by_number(number) if isinstance(number, int) else None
    if alarm is None or alarm.site != action.site:
        return f"alarm {number} is over, or is not of this site"
    point = plant.point_about(alarm.site, alarm.fan or alarm.supply)
    if point is None:
        return f"alarm {number} is of a point that is not in the register"
    return point, alarm


def _shelve(action: Action, book: AlarmBook, plant: Plant, apply: Apply, now: datetime) -> str:
    found = _alarm_of(action, book, plant)
    if isinstance(found, str):
        return found
    point, alarm = found
    if action.kind == "unshelve":
        if alarm.suppression is not Suppression.SHELVED:
            return f"alarm {alarm.number} is not shelved"
        apply(point, alarm.about, Unshelve(action.by))
        return DONE
    if alarm.suppression is Suppression.OUT_OF_SERVICE:
        return "it is out of service, so nothing is told of it anyway"
    why = str(action.body.get("why") or "").strip()
    if not why:
        return f"why is alarm {alarm.number} to be shelved? A reason is needed"
    until = _time_in(action)
    if until is None:
        return "until when is it to be shelved? Expected a time such as 2026-10-04T18:00:00Z"
    if not now < until <= now + LONGEST_SHELF:
        return f"the end of a shelf must lie ahead, within {LONGEST_SHELF.days} days"
    apply(point, alarm.about, Shelve(action.by, until, why))
    return DONE


def _time_in(action: Action, key: str = "until") -> datetime | None:
    """A time of an action; None where it is no time."""
    try:
        until = datetime.fromisoformat(str(action.body.get(key, "")))
    except ValueError:
        return None
    return until if until.tzinfo else until.replace(tzinfo=UTC)


def _planned_stop(action: Action, plant: Plant, apply: Apply, plans: Plans, now: datetime) -> str:
    fan = str(action.body.get("fan", ""))
    point = plant.by_name.get((action.site, fan))
    if point is None or point.kind != "fan" or point.removed:
        return f"there is no fan {fan} at {action.site}"
    about = About(point.site, point.name, None, "stopped")
    if action.kind == "withdraw-planned-stop":
        plans.withdraw(point.site, point.name, action.by, action.number)
        apply(point, about, WithdrawPlannedStop(action.by))
        return DONE
    until = _time_in(action)
    if until is None:
        return "until when is it to stand still? Expected a time such as 2026-10-04T18:00:00Z"
    if until <= action.at:
        return "the planned stop would be over already"
    why = str(action.body.get("why", ""))
    if "from" in action.body:
        begins = _time_in(action, "from")
        if begins is None:
            return "from when is it to stand still? Expected a time such as 2026-10-04T14:00:00Z"
        if until <= begins:
            return "the planned stop would be over before it begins"
        if begins > now:
            plan = planned(point.site, point.name, begins, until, by=action.by, why=why, action=action.number, now=now)
            plans.announce(plan)
            return DONE
    apply(point, about, PlannedStop(action.by, until, why))
    return DONE

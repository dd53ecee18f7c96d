"""The one place where alarms, their changes and notices become rows, and alarms are read back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from monitor.alarms.alarm import Alarm, AlarmChange
from monitor.alarms.notice import Notice
from monitor.alarms.states import State, Suppression
from monitor.records.rows import from_ms, from_ms_or_none, number_or_none, to_ms, to_ms_or_none
from monitor.records.tables import PARTITION


def alarm_row(alarm: Alarm, point_id: int | None) -> dict[str, Any]:
    """An alarm as a row of `alarms`."""
    return {
        "partition": PARTITION,
        "number": alarm.number,
        "point_id": point_id,
        "site": alarm.site,
        "fan": alarm.fan,
        "supply": alarm.supply,
        "condition": alarm.condition,
        "priority": alarm.priority,
        "state": alarm.state.value,
        "suppression": None if alarm.suppression is None else alarm.suppression.value,
        "suppressed_until_ms": to_ms_or_none(alarm.suppressed_until),
        "suppressed_by": alarm.suppressed_by,
        "suppressed_why": alarm.suppressed_why,
        "since_ms": to_ms(alarm.since),
        "raised_ms": to_ms(alarm.raised),
        "cleared_ms": to_ms_or_none(alarm.cleared),
        "heard_ms": to_ms(alarm.heard),
        "acknowledged_ms": to_ms_or_none(alarm.acknowledged),
        "acknowledged_by": alarm.acknowledged_by,
        "count": alarm.count,
        "value": number_or_none(alarm.value),
        "setpoint": number_or_none(alarm.setpoint),
        "peak": number_or_none(alarm.peak),
        "last_notice_ms": to_ms_or_none(alarm.last_notice),
        "text": alarm.text,
        "rings": alarm.rings,
        "rings_from_ms": to_ms_or_none(alarm.rings_from),
        "last_notice_priority": alarm.last_notice_priority,
        "untold": alarm.untold,
        "told": alarm.told,
        "known_peak": number_or_none(alarm.known_peak),
    }


def alarm_of(row: Mapping[Any, Any]) -> Alarm:
    """The alarm a row of `alarms` holds."""
    return Alarm(
        number=row["number"],
        site=row["site"],
        fan=row["fan"],
        supply=row["supply"],
        condition=row["condition"],
        priority=row["priority"],
        state=State(row["state"]),
        suppression=None if row["suppression"] is None else Suppression(row["suppression"]),
        suppressed_until=from_ms_or_none(row["suppressed_until_ms"]),
        suppressed_by=row["suppressed_by"],
        suppressed_why=row["suppressed_why"],
        since=from_ms(row["since_ms"]),
        raised=from_ms(row["raised_ms"]),
        cleared=from_ms_or_none(row["cleared_ms"]),
        heard=from_ms(row["heard_ms"]),
        acknowledged=from_ms_or_none(row["acknowledged_ms"]),
        acknowledged_by=row["acknowledged_by"],
        count=row["count"],
        value=row["value"],
        setpoint=row["setpoint"],
        peak=row["peak"],
        last_notice=from_ms_or_none(row["last_notice_ms"]),
        text=row["text"],
        rings=row["rings"],
        rings_from=from_ms_or_none(row["rings_from_ms"]),
        last_notice_priority=row["last_notice_priority"],
        untold=row["untold"],
        told=row["told"],
        known_peak=row["known_peak"],
    )


def change_row(change: AlarmChange) -> dict[str, Any]:
    """A change of an alarm as a row of `alarm_changes`."""
    return {
        "partition": PARTITION,
        "number": change.number,
        "alarm_number": change.alarm_number,
        "from_state": change.from_state.value,
        "to_state": change.to_state.value,
        "cause": change.cause,
        "at_ms": to_ms(change.at),
        "heard_ms": to_ms(change.heard),
        "by": change.by,
        "why": change.why,
        "until_ms": to_ms_or_none(change.until),
    }


def notice_row(notice: Notice) -> dict[str, Any]:
    """A notice as a row of `notices`, waiting."""
    created_ms = to_ms(notice.created)
    return {
        "id": notice.id,
        "group_id": notice.group_id,
        "partition": PARTITION,
        "site": notice.site,
        "alarm_number": notice.alarm_number,
        "change_number": notice.change_number,
        "route": notice.route,
        "address_index": notice.address_index,
        "kind": notice.kind,
        "priority": notice.priority,
        "rings": notice.rings,
        "subject": notice.subject,
        "short": notice.short,
        "long": notice.long,
        "data": json.dumps(notice.data, ensure_ascii=False, allow_nan=False),
        "created_ms": created_ms,
        "due_ms": created_ms if notice.due is None else max(created_ms, to_ms(notice.due)),
        "state": "waiting",
        "tries": 0,
        "delivered_ms": None,
    }


def notice_of(row: Mapping[Any, Any]) -> Notice:
    """The notice a row of `notices` holds."""
    names = ("id", "site", "alarm_number", "change_number", "route", "address_index", "kind", "priority", "rings")
    texts = ("subject", "short", "long")
    return Notice(
        **{name: row[name] for name in (*names, *texts)},
        data=json.loads(row["data"]),
        created=from_ms(row["created_ms"]),
    )

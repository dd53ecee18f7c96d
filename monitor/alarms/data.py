"""A notice for machines."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.phrases import acknowledge_link
from monitor.alarms.story import Story


def notice_data(alarm: Alarm, story: Story, wanted: Wanted) -> dict[str, Any]:
    """The data of a notice, for webhooks and panels: plain JSON, no NaN, null = not known or not measured.

    Keys of the first level
    -----------------------
    kind : raised, told-again or cleared
    alarm : number of the alarm; state : NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED or RETURNED_UNACKNOWLEDGED;
        suppression : null, SHELVED, SUPPRESSED_BY_DESIGN or OUT_OF_SERVICE; priority : low, medium, high or highest;
        rings : whether it may break quiet hours; rings_from : of one that does not yet, from when it does if it still
        stands unacknowledged
    cause : why it is told now (`states.Cause`); times : times raised since the notice before; told_before : its time
    site, fan, supply : as in the register (fan or supply is null); site_name, fan_name : as people call them
    condition : id of the condition, e.g. overload
    since, raised, cleared : event times; heard, acknowledged : times of the service's clock; acknowledged_by : who
    value, setpoint, peak : of the condition, in its own unit (load ratio, % unbalance)
    also_standing : ids of other conditions of this fan
    page : address of the fan's page; acknowledge : address that acknowledges it, null where there is none
    unacknowledged_minutes, told_first : for how long nobody has acknowledged it although others were told first, and
        the names of their routes; null and empty for those who are the first to be told
    figures : running (bool), load_ratio (1 = the limit), highest_leg_amps, legs_amps [A], limit_amps, full_load_amps,
        percent_of_full_load, limit_factors (list of name, value, source), volts [V], rated_volts, unbalance_percent,
        volts_from, seconds_to_trip (at most; null: not at this current or not known), motor_heat and device_heat
        (1 = as hot as the limit may make it; 1 = the device opens), heat_assumed, device_type, device_setting_amps,
        proven_amps, current_unbalance_percent, reaches_limit_at, target_amps,
        target_amps_supply_right, called, run_began, last_reading,
        period_seconds, notes (sentences), fans (those that an alarm of a supply or of a whole site is about)
    ending : how the run ended, for a stop or a trip: end_cause, confidence (sure, high, likely, possible), words and
        evidence (sentences); end_cause is null where nothing was judged
    tonight : of a cold night, null otherwise: low_c, low_deviation_k, low_source, fans, others, cannot_say
        (`cold_night`)
    parts, causes, checks_first, pitch : of the estimate, as the API gives them for a fan; pitch is null without one

    All times are RFC 3339 in UTC, e.g. 2026-10-05T07:10:00Z.
    """
    estimate: Mapping[str, Any] = story.estimate or {}
    return {
        "kind": wanted.kind,
        "alarm": alarm.number,
        "state": alarm.state.value,
        "suppression": alarm.suppression.value if alarm.suppression is not None else None,
        "priority": alarm.priority,
        "rings": wanted.rings,
        "rings_from": rfc3339(alarm.rings_from),
        "cause": wanted.cause,
        "times": wanted.count,
        "told_before": rfc3339(wanted.counted_since),
        "site": alarm.site,
        "fan": alarm.fan,
        "supply": alarm.supply,
        "site_name": plain(story.site_name),
        "fan_name": plain(story.fan_name),
        "condition": alarm.condition,
        "since": rfc3339(alarm.since),
        "raised": rfc3339(alarm.raised),
        "cleared": rfc3339(alarm.cleared),
        "heard": rfc3339(alarm.heard),
        "acknowledged": rfc3339(alarm.acknowledged),
        "acknowledged_by": alarm.acknowledged_by,
        "value": plain(alarm.value),
        "setpoint": plain(alarm.setpoint),
        "peak": plain(alarm.peak),
        "also_standing": list(story.also_standing),
        "page": story.page,
        "acknowledge": acknowledge_link(alarm, story),
        "unacknowledged_minutes": plain(story.unacknowledged_minutes),
        "told_first": plain(story.told_first),
        "figures": _figures(story),
        "ending": {
            "end_cause": story.end_cause,
            "confidence": story.confidence,
            "words": plain(story.ended_words),
            "evidence": plain(story.evidence),
        },
        "tonight": plain(story.tonight),
        "parts": plain(estimate.get("parts") or []),
        "causes": plain(estimate.get("causes") or []),
        "checks_first": plain(estimate.get("checks_first") or []),
        "pitch": plain(story.pitch),
    }


def _figures(story: Story) -> dict[str, Any]:
    return {
        "running": story.running,
        "load_ratio": plain(story.load_ratio),
        "highest_leg_amps": plain(story.highest_leg_amps),
        "legs_amps": plain(story.legs_amps),
        "limit_amps": plain(story.limit_amps),
        "full_load_amps": plain(story.full_load_amps),
        "percent_of_full_load": plain(story.percent_of_full_load),
        "limit_factors": [
            {"name": factor.name, "value": plain(factor.value), "source": factor.source}
            for factor in story.limit_factors
        ],
        "volts": plain(story.volts),
        "rated_volts": plain(story.rated_volts),
        "unbalance_percent": plain(story.unbalance_percent),
        "volts_from": story.volts_from,
        "seconds_to_trip": plain(story.seconds_to_trip),
        "motor_heat": plain(story.motor_heat),
        "device_heat": plain(story.device_heat),
        "heat_assumed": story.heat_assumed,
        "device_type": story.device_type,
        "device_setting_amps": plain(story.device_setting_amps),
        "proven_amps": plain(story.proven_amps),
        "current_unbalance_percent": plain(story.current_unbalance_percent),
        "reaches_limit_at": rfc3339(story.reaches_limit_at),
        "target_amps": plain(story.target_amps),
        "target_amps_supply_right": plain(story.target_amps_supply_right),
        "called": story.called,
        "run_began": rfc3339(story.run_began),
        "last_reading": rfc3339(story.last_reading),
        "period_seconds": plain(story.period_seconds),
        "notes": plain(story.notes),
        "fans": plain(story.fans),
    }


def rfc3339(when: datetime | None) -> str | None:
    """RFC 3339 in UTC, with milliseconds only where there are any.

    >>> rfc3339(datetime(2026, 10, 5, 7, 10, tzinfo=UTC)), rfc3339(datetime(2026, 10, 5, 7, 10, 0, 250000, tzinfo=UTC))
    ('2026-10-05T07:10:00Z', '2026-10-05T07:10:00.250Z')
    """
    if when is None:
        return None
    utc = when.astimezone(UTC)
    milliseconds = utc.microsecond // 1000
    return utc.isoformat(timespec="milliseconds" if milliseconds else "seconds").replace("+00:00", "Z")


def plain(value: Any) -> Any:
    """The value as JSON in UTF-8 can hold it: what is not finite becomes null, tuples become lists."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8")
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return rfc3339(value)
    return value

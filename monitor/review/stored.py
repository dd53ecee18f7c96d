"""The review of what is stored of a fan.

*As judged*: the readings that were fed, in the order in which they were fed, by the register versions of then; verdicts
and alarms are those that were stored when it happened, and are not worked out again. *As measured*: all readings by
time, late ones too, by the versions true in the field; verdicts are worked anew, and it is said where they differ from
what was stored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from monitor.errors import ConfigError
from monitor.records import register, tables
from monitor.records.database import Database
from monitor.records.readings import window_rows
from monitor.records.register import PointKey, Version
from monitor.records.replay import AT_ONCE_MS, JUDGED, MEASURED, amps_by, replay, resolved, span
from monitor.records.retention import kept_from_ms
from monitor.records.rows import Floats, Integers, ReadingRows, to_ms
from monitor.records.scope import ALL, Sites
from monitor.review.as_stored import stored_alarms, stored_runs, where_it_differs
from monitor.review.doubts import NO_LONGER_KEPT
from monitor.review.engine import conclude
from monitor.review.findings import Findings, rfc3339
from monitor.review.log import Log
from monitor.review.record import NOTHING, known_at
from monitor.review.runs import runs_of
from monitor.review.supply import StoredSupply, usual_seconds
from monitor.review.watching import Plates, Progress, watch
from monitor.watch.columns import Ints
from monitor.watch.versions import in_force

ROLES = ("l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c", "called")


def stored(
    database: Database, site: str, fan: str, since: datetime, until: datetime, how: str = JUDGED, *,
    sites: Sites = ALL, warm_up_ms: int | None = None, progress: Progress | None = None,
) -> Findings:  # fmt: skip
    """What is stored of a fan with since < t <= until.

    Parameters
    ----------
    how : JUDGED or MEASURED
    sites : whose records the reader may see
    warm_up_ms : how much before `since` the watch is begun; None: with the first reading, which alone gives exactly the
        state of then

    Raises
    ------
    ConfigError : no such fan, a span that ends before it begins or before any reading is kept, or `how` is neither of
        the two
    LinkError : the database cannot be read
    """
    if how not in (JUDGED, MEASURED):
        raise ConfigError(f"--as: expected {JUDGED} or {MEASURED}, found {how}")
    from_ms, to_time_ms = to_ms(since), to_ms(until)
    if from_ms >= to_time_ms:
        raise ConfigError(
            f"expected a span that ends after it begins, found {rfc3339(from_ms)} to {rfc3339(to_time_ms)}"
        )
    key, versions = _registered(database, sites, site, fan)
    at_site = next((one for one in register.sites(database) if one.site == site), None)
    zone = "UTC" if at_site is None else at_site.time_zone
    said = no_longer_kept(database, key, from_ms, to_time_ms, zone)
    log, numbers, late = _log(database, key, from_ms, to_time_ms, how, zone)
    if said is not None:
        log = replace(log, how_read={**log.how_read, NO_LONGER_KEPT: said})
    plates = _plates(versions, log, numbers, how)
    if how == MEASURED and plates.which is not None:
        log = replace(log, amps=amps_by(resolved(versions), log.amps, numbers, plates.which))
    state = replay(database, key.point_id, from_ms, from_ms, how, warm_up_ms=warm_up_ms).state
    watched = watch(log, plates, state, progress)
    if how == JUDGED:
        ran = stored_runs(database, key, log, watched)
    else:
        ran = runs_of(log, plates, watched, StoredSupply(database, key, versions))
    last_ms = int(log.t_ms[-1]) if len(log) else to_time_ms
    known = known_at(database, key.point_id, plates.at(len(log) - 1), zone, from_ms, last_ms)
    altitude_m = 0.0 if at_site is None else at_site.altitude_m
    findings = conclude(log, plates, watched, ran, how=how, altitude_m=altitude_m, known=known)
    supply = versions[-1].nameplate.fan.supply
    alarms = stored_alarms(database, key, supply, from_ms, to_time_ms)
    if how == JUDGED:
        return replace(findings, alarms=alarms)
    differs = where_it_differs(findings, stored_runs(database, key, log, watched), alarms, late)
    return replace(findings, log=replace(log, how_read={**log.how_read, "differs": list(differs)}))


def log_of_fan(
    database: Database, site: str, fan: str, log: Log, *, sites: Sites = ALL, progress: Progress | None = None
) -> Findings:
    """A log file of a fan of the register: each reading by the version that was true in the field then, with what the
    fan's service record says. A log written before a re-pitch is so not judged by the blades of today.

    Parameters
    ----------
    sites : whose records the reader may see

    Raises
    ------
    ConfigError : no such fan
    LinkError : the database cannot be read
    """
    key, versions = _registered(database, sites, site, fan)
    at_site = next((one for one in register.sites(database) if one.site == site), None)
    plates = _plates(versions, log, np.zeros(0, np.int64), MEASURED)
    log = plates.corrected(log)
    watched = watch(log, plates, progress=progress)
    ran = runs_of(log, plates, watched)
    known = NOTHING
    if len(log):
        zone = "UTC" if at_site is None else at_site.time_zone
        last = plates.at(len(log) - 1)
        known = known_at(database, key.point_id, last, zone, int(log.t_ms[0]), int(log.t_ms[-1]))
    altitude_m = 0.0 if at_site is None else at_site.altitude_m
    return conclude(log, plates, watched, ran, how=MEASURED, altitude_m=altitude_m, known=known)


def _registered(database: Database, sites: Sites, site: str, fan: str) -> tuple[PointKey, list[Version]]:
    """A fan of the register, with all its versions, oldest first."""
    with database.read() as connection:
        found = register.find_fan(connection, sites, site, fan)
    if found is None:
        raise ConfigError(f"{site}/{fan} is not in the register: amp-monitor fans list names those that are")
    return found[0], register.versions(database, found[0].point_id)


def no_longer_kept(database: Database, key: PointKey, from_ms: int, to_time_ms: int, zone: str) -> str | None:
    """What is said where a span begins before the readings that are kept; None where it does not.

    Before that time the watch is not known either: as judged, the first hours after it may differ from what was stored.

    Raises
    ------
    ConfigError : all of the span lies before them
    LinkError : the database cannot be read
    """
    kept_ms = kept_from_ms(database, key.point_id)
    if kept_ms is None or from_ms >= kept_ms:
        return None
    kept = datetime.fromtimestamp(kept_ms / 1000.0, ZoneInfo(zone))
    said = f"raw readings of {key.site}/{key.name} before {kept:%Y-%m-%d %H:%M} are no longer kept"
    if to_time_ms <= kept_ms:
        raise ConfigError(
            f"{said}: this time cannot be reviewed any more. Its alarms and how its runs ended are still on the pages "
            "Alarms and This morning, what was done on the fan's own. How long readings are kept is said by "
            "[readings] keep_days in the settings."
        )
    return f"{said}, so this review begins there; the logger was not silent before"


def _log(
    database: Database, key: PointKey, from_ms: int, until_ms: int, how: str, zone: str
) -> tuple[Log, Integers, int]:
    """The rows as a log; the register version stored with each; how many came late."""
    kept: dict[str, list[Floats | Integers]] = {name: [] for name in _KEPT}
    late = 0
    with database.read() as connection:
        first_ms, last_ms = span(connection, key.point_id)
    # A week at a time, each in a transaction of its own: a long one would keep the service's log from being folded.
    last_ms = min(until_ms, last_ms)
    for begin in range(max(from_ms, first_ms - 1), last_ms, AT_ONCE_MS):
        with database.read() as connection:
            rows = window_rows(connection, key.point_id, begin, min(begin + AT_ONCE_MS, last_ms))
        came_late = (rows.flags & tables.FLAG_LATE) != 0
        late += int(came_late.sum())
        if how == JUDGED:
            rows = rows.take(~came_late)
            rows = rows.take(np.argsort(rows.number, kind="stable"))
        for name in _KEPT:
            kept[name].append(getattr(rows, name))
    nothing = ReadingRows.none()
    columns = {name: _together(kept.pop(name) or [getattr(nothing, name)]) for name in _KEPT}
    numbers: Integers = columns.pop("version")
    period = usual_seconds(columns["t_ms"][:1000])
    how_read = {
        "source": "database", "as": how, "separator": None, "columns": {role: role for role in ROLES}, "zone": zone,
        "period_seconds": None if np.isnan(period) else period, "late": late,
        "versions": sorted({int(number) for number in np.unique(numbers)}) if how == JUDGED else None,
    }  # fmt: skip
    return Log(f"{key.site}/{key.name}", **columns, how_read=how_read), numbers, late


_KEPT = ("t_ms", "amps", "volts", "ambient_c", "called", "version")


def _together(parts: list[Any]) -> Any:
    """One column from its parts; a season's is copied alone, so that no two are in memory twice."""
    whole = parts[0] if len(parts) == 1 else np.concatenate(parts)
    parts.clear()
    return whole


def _plates(versions: Sequence[Version], log: Log, numbers: Integers, how: str) -> Plates:
    known = resolved(versions)
    if how == JUDGED:
        order = np.argsort(known.numbers)
        place = np.minimum(np.searchsorted(known.numbers[order], numbers), len(order) - 1)
        which: Ints = order[place].astype(np.int32)
    else:
        which = in_force(known.valid_from_ms, log.t_ms.astype(np.float64))
    return Plates(tuple(one.in_force for one in versions), known.limits, which)

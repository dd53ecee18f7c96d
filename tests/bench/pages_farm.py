"""Many invented fans in a database, as the worker would have stored them; for the bench of the pages."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from monitor.alarms.alarm import About, Alarm, AlarmChange, Raised, step
from monitor.blades.estimate import estimate
from monitor.blades.window import WindowFigures
from monitor.motor.limit import adjusted_limit
from monitor.records import register
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.fan_file import read_nameplate
from monitor.records.rows import FanNow, LoggerNow, to_ms
from monitor.records.tables import points, register_edits, register_versions
from tests.plates import TEN_HP

FANS_A_SITE = 50
ALARMS = (("overload", "high", 1.02), ("low-margin", "low", 0.96))


def names(fans: int) -> list[tuple[str, str]]:
    """(site, fan) of so many fans, fifty to a site."""
    return [(f"farm-{at // FANS_A_SITE + 1:02d}", f"bin-{at % FANS_A_SITE + 1:02d}") for at in range(fans)]


def plate_of(at: int) -> str:
    """A nameplate file: four sizes of motor, each fan of a bin and of one of three supply points of its site."""
    amps = (13.2, 12.4, 27.0, 34.0)[at % 4]
    return (
        TEN_HP.replace("13.2", str(amps)) + f'blades = 6\nplenum = "bin {at % FANS_A_SITE + 1}"\n'
        f'supply = "panel-{at % 3 + 1}"\n[logger]\nperiod_seconds = 10\n'
    )


def build(database: Database, fans: int, now: datetime, *, alarms: bool = True) -> dict[tuple[str, str], int]:
    """Enters sites and fans at once, with a version, a newest reading and an estimate each, and alarms at one in
    fifteen; (site, fan) -> point."""
    wanted = names(fans)
    for site in sorted({site for site, _ in wanted}):
        register.put_site(
            database, register.Site(site, f"Farm {site[-2:]}", "America/Chicago", 250.0, "us", "17:00"), now
        )
    made = _register(database, wanted, now)
    rng = np.random.default_rng(7)
    now_ms = to_ms(now)
    batch = Batch()
    raised_alarms: list[Alarm] = []
    changes: list[AlarmChange] = []
    for at, key in enumerate(wanted):
        plate = read_nameplate(plate_of(at))
        limit = adjusted_limit(plate.motor, 0.8)
        running = at % 9 != 0
        ratio = float(np.clip(rng.normal(0.86, 0.07), 0.5, 1.06)) if running else 0.0
        amps = (ratio * limit.amps, 0.98 * ratio * limit.amps, 0.97 * ratio * limit.amps)
        row = FanNow(
            made[key], now_ms - int(rng.integers(0, 10_000)), now_ms, amps, (459.0, 455.0, 458.0), 4.0, limit.amps,
            ratio, 0.8, limit.amps / limit.full_amps, running, now_ms - int(rng.uniform(0.2, 90.0) * 3_600_000), 2,
            0.8 * ratio**2, 0.7 * ratio**2, 9e9, None,
        )  # fmt: skip
        if at % 40 != 7:  # some were never heard
            batch.fan_now.append(row)
            batch.loggers.append(LoggerNow(made[key], row.t_ms, now_ms, 10.0, readings=1))
            figures = WindowFigures(amps[0], amps[1], amps, (459, 455, 458), 0.8, 457.0, 4.0, 0.1, 1800, 180, None)
            if running:
                batch.estimates[made[key]] = (now_ms, estimate(plate, figures, 250.0).as_json())
        if alarms and at % 15 == 3 and running:
            condition, priority, setpoint = ALARMS[at % 2]
            since = now - timedelta(minutes=float(rng.integers(3, 300)))
            raised = Raised(condition, since, since, ratio, setpoint, ratio, priority)
            number = len(raised_alarms) + 1
            alarm, change, _ = step(
                None, raised, now, number=number, change_number=number, about=About(*key, None, condition)
            )
            assert alarm is not None and change is not None
            raised_alarms.append(alarm)
            changes.append(change)
    batch.alarms, batch.changes = raised_alarms, changes
    commit(database, batch)
    return made


def _register(database: Database, wanted: list[tuple[str, str]], now: datetime) -> dict[tuple[str, str], int]:
    """What `register.put_nameplate` does for each, in one transaction: a commit for each of 2,000 takes minutes on a
    slow disk."""
    import sqlalchemy as sa

    made = {}
    ms = to_ms(now - timedelta(days=9))
    with database.begin() as connection:
        for site in sorted({site for site, _ in wanted}):
            for panel in (1, 2, 3):
                connection.execute(sa.insert(points).values(site=site, name=f"panel-{panel}", kind="supply"))
        for at, (site, fan) in enumerate(wanted):
            point = connection.execute(sa.insert(points).values(site=site, name=fan, kind="fan")).inserted_primary_key
            assert point is not None
            made[site, fan] = int(point[0])
            row = {
                "point_id": made[site, fan], "version": 1, "valid_from_ms": ms, "applies_from_ms": ms,
                "committed_ms": ms, "committed_by": "bench", "motor_changed": False, "removed": False,
                "nameplate": plate_of(at),
            }  # fmt: skip
            connection.execute(sa.insert(register_versions).values(row))
            edit = {"site": site, "point_id": made[site, fan], "version": 1, "at_ms": ms}
            connection.execute(sa.insert(register_edits).values(edit))
    return made

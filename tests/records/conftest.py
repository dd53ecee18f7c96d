"""A real database in a fresh directory, and builders with good defaults."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.alarms.alarm import Alarm, AlarmChange
from monitor.alarms.notice import Notice
from monitor.alarms.states import Cause, State
from monitor.records import register, tables
from monitor.records.commit import Batch
from monitor.records.database import Database, open_database
from monitor.records.jobs import JobEnd, NewJob
from monitor.records.rows import Done, FanNow, LoggerNow, Newcomer, ReadingRows, Rejected, Run, to_ms
from monitor.records.scope import ALL
from monitor.records.service_record import Found, NewEntry

NOW = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
MS = to_ms(NOW)

NAMEPLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 12.4
service_factor = 1.15
[fan]
blade_pitch_degrees = 21
available_pitch_degrees = [13, 15, 17, 18, 19, 21]
control = "continuous"
"""


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'monitor.db'}"


@pytest.fixture
def database(url: str, tmp_path: Path, empty_database: Path) -> Iterator[Database]:
    shutil.copy(empty_database, tmp_path / "monitor.db")
    opened = open_database(url)
    yield opened
    opened.close()


def counted(database: Database) -> tuple[int, int]:
    """Rows in order of arrival, and rows packed."""
    with database.read() as connection:
        hot = connection.execute(sa.select(sa.func.count()).select_from(tables.readings)).scalar_one()
        packed = connection.execute(
            sa.select(sa.func.coalesce(sa.func.sum(tables.reading_hours.c.rows), 0))
        ).scalar_one()
    return hot, packed


@dataclass
class Make:
    """Builders of what a batch holds, all about one farm called meadow."""

    now: datetime = NOW
    ms: int = MS
    nameplate: str = NAMEPLATE

    def farm(self, database: Database, *fans: str, site: str = "meadow", **keys: Any) -> dict[str, int]:
        """A site with fans; name -> point id."""
        register.put_site(database, register.Site(site, site.title(), "America/Chicago", 250.0, "us", "17:00"), NOW)
        for fan in fans:
            register.put_nameplate(database, site, fan, NAMEPLATE, valid_from=NOW, by="someone", now=NOW, **keys)
        return {key.name: key.point_id for key in register.points(database, ALL) if key.site == site}

    def rows(
        self, point_id: int, first: int, n: int, t_ms: int = MS, step_ms: int = 10_000, **columns: Any
    ) -> ReadingRows:
        """n readings, ten seconds apart, numbered from `first`."""
        seeded = np.random.default_rng(first)
        values: dict[str, Any] = {
            "number": first + np.arange(n),
            "point_id": np.full(n, point_id),
            "t_ms": t_ms + step_ms * np.arange(n),
            "amps": (12.0 + seeded.normal(0, 0.1, (n, 3))).round(2),
            "volts": (460.0 + seeded.normal(0, 1, (n, 3))).round(1),
            "ambient_c": np.full(n, 3.5),
            "called": np.full(n, math.nan),
            "limit_amps": np.full(n, 14.26),
            "version": np.ones(n),
            "flags": np.zeros(n),
            "unbalance": seeded.uniform(0, 3, n).round(2),
            "motor_heat": seeded.uniform(0, 1.2, n).round(3),
            "device_heat": np.where(seeded.random(n) < 0.1, math.nan, 0.875),
            "running": seeded.integers(0, 2, n),
        }
        return ReadingRows(**(values | columns))

    def alarm(self, number: int = 1, **changed: Any) -> Alarm:
        """An overload that stands."""
        alarm = Alarm(
            number=number, site="meadow", fan="north", supply=None, condition="overload", priority="high",
            state=State.UNACKNOWLEDGED, suppression=None, suppressed_until=None, suppressed_by=None,
            suppressed_why=None,
            since=NOW, raised=NOW, cleared=None, heard=NOW, acknowledged=None, acknowledged_by=None, count=1,
            value=1.02, setpoint=1.0, peak=1.04, last_notice=NOW, text="north: over its limit",
        )  # fmt: skip
        return replace(alarm, **changed)

    def change(self, number: int = 1, alarm_number: int = 1) -> AlarmChange:
        return AlarmChange(alarm_number, number, State.NORMAL, State.UNACKNOWLEDGED, Cause.RAISED.value, NOW, NOW, None)

    def notice(self, change_number: int = 1, alarm_number: int = 1, **changed: Any) -> Notice:
        notice = Notice(
            id=f"0-{alarm_number}-{change_number}-farm-0", site="meadow", alarm_number=alarm_number,
            change_number=change_number, route="farm", address_index=0, kind="raised", priority="high", rings=True,
            subject="north: over its limit", short="north 102 %", long="north draws 102 % of its limit.",
            data={"load_ratio": 1.02}, created=NOW,
        )  # fmt: skip
        return replace(notice, **changed)

    def fan_now(self, point_id: int, **changed: Any) -> FanNow:
        now = FanNow(
            point_id,
            MS,
            MS + 500,
            (12.0, 12.1, 12.2),
            (460.0, 461.0, 459.0),
            3.5,
            14.26,
            12.2 / 14.26,
            0.2,
            1.0,
            True,
            MS,
        )
        return replace(now, **changed)

    def whole_batch(self, point_id: int, first: int = 1) -> Batch:
        """A batch with something of everything; its numbers all begin at `first`."""
        return Batch(
            readings=self.rows(point_id, first, 20, MS + 10_000 * first),
            states={point_id: (first + 19, 1, b"state %d" % first)},
            fan_now=[self.fan_now(point_id)],
            loggers=[LoggerNow(point_id, MS, MS, 10.0, "online", MS, readings=20, repeats=1)],
            newcomers=[Newcomer("meadow", "new-one", MS, 2, {"amps": [1.0]})],
            rejected=[Rejected(MS, "amps/v1/meadow/north/readings", "meadow", "north", "not JSON", "at byte 3", b"{x")],
            runs=[Run(first, point_id, MS, True)],
            alarms=[self.alarm(first)],
            changes=[self.change(first, first)],
            notices=[self.notice(first, first)],
            actions_done=[Done(1, MS, "done")],
            estimates={point_id: (MS, {"pitch": {"as_is": None}})},
            applied={(point_id, 1): MS + 1},
            service=[NewEntry(point_id, "note", MS, MS, "Ann", {"text": "guard oiled"}, action=1)],
            service_found={1: Found({"words": ["seen"]}, waits=False)},
            jobs=[NewJob(point_id, MS, "Ann", 21.0, 18.0, 6, "104 % of its limit", {"amps": [12.0]})],
            jobs_ended=[JobEnd(first - 1, "dropped", MS, "Ann", {"why": "rain"})],
            cursors={"influx": str(first)},
        )


@pytest.fixture
def make() -> Make:
    return Make()


@pytest.fixture
def contents() -> Callable[[Database], dict[str, list[tuple[Any, ...]]]]:
    """All rows of all tables, to be compared."""

    def read(database: Database) -> dict[str, list[tuple[Any, ...]]]:
        with database.read() as connection:
            return {
                table.name: [
                    tuple(row) for row in connection.execute(sa.select(table).order_by(*table.primary_key.columns))
                ]
                for table in tables.metadata.sorted_tables
            }

    return read

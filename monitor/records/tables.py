"""All tables, as SQLAlchemy Core.

Times are integer milliseconds since 1970 in UTC (`*_ms`). A missing value is NULL. Running numbers (of readings, runs,
alarms, alarm changes) are given out by the one worker that owns a partition, so they stand beside the partition in each
key (that of a reading holds it). A partition is a part of the sites with one owner; there is one for now.

This file says how the tables look today; how they came to look so stands in `migrations/`, and a test compares the two.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from monitor.records.table_parts import Counter, doubles, metadata, ms, number, partition, point, scaled
from monitor.records.tables_of_people import (
    account_sites,
    accounts,
    actions,
    api_tokens,
    jobs,
    notice_tries,
    notices,
    out_of_service,
    planned_stops,
    service_records,
    sessions,
    tellings,
)

__all__ = [
    "FLAG_LATE",
    "FLAG_SUPPLY_VOLTS",
    "FLAG_TIME_OF_RECEIPT",
    "FLAG_WEATHER_AMBIENT",
    "PARTITION",
    "READINGS_A_PARTITION",
    "account_sites",
    "accounts",
    "actions",
    "alarm_changes",
    "alarms",
    "api_tokens",
    "archive_refused",
    "archive_targets",
    "cursors",
    "estimates",
    "fan_now",
    "gaps",
    "jobs",
    "loggers",
    "metadata",
    "newcomers",
    "notice_tries",
    "notices",
    "out_of_service",
    "planned_stops",
    "points",
    "reading_hours",
    "readings",
    "readings_removed",
    "register_edits",
    "register_versions",
    "reject_counts",
    "rejected",
    "runs",
    "service_records",
    "sessions",
    "sites",
    "tellings",
    "watch_states",
]

PARTITION = 0
"""The only partition there is as long as one worker owns all sites."""
READINGS_A_PARTITION = 1 << 40
"""Numbers of readings tell their partition: that of partition p are from p x this on."""

# Flags of a reading, bits of `readings.flags`.
FLAG_LATE = 1
"""Came after a newer reading of its point: stored, not fed to the live watch."""
FLAG_SUPPLY_VOLTS = 2
"""Its volts are the supply point's, joined before it was stored."""
FLAG_TIME_OF_RECEIPT = 4
"""The payload had no time: this is when it was received."""
FLAG_WEATHER_AMBIENT = 8
"""Its air temperature is the weather point's, joined before it was stored."""

# --- what there is ---------------------------------------------------------------------------------------------

sites = Table(
    "sites",
    metadata,
    Column("site", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("time_zone", Text, nullable=False),
    Column("altitude_m", Double, nullable=False),
    Column("units", Text, nullable=False),
    Column("supper", Text, nullable=False),
    Column("conditions", Text, server_default="{}", nullable=False),
)

points = Table(
    "points",
    metadata,
    Column("id", Counter, primary_key=True),
    Column("site", Text, ForeignKey("sites.site"), nullable=False),
    Column("name", Text, nullable=False),
    Column("kind", Text, nullable=False),
    UniqueConstraint("site", "name"),
    CheckConstraint("kind IN ('fan', 'supply', 'weather')", name="kind"),
    sqlite_autoincrement=True,  # an id is never given twice, even after a restore
)

register_versions = Table(
    "register_versions",
    metadata,
    point(primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    ms("valid_from_ms"),
    ms("applies_from_ms"),
    ms("committed_ms"),
    Column("committed_by", Text, nullable=False),
    Column("motor_changed", Boolean, nullable=False),
    Column("removed", Boolean, nullable=False),
    Column("nameplate", Text, nullable=False),
    Column("site_conditions", Text, server_default="{}", nullable=False),
)

register_edits = Table(
    # One row an edit, in the order of commit: clocks step back, this number does not.
    "register_edits",
    metadata,
    Column("number", Counter, primary_key=True),
    Column("site", Text, nullable=False),
    Column("point_id", Counter, ForeignKey("points.id")),
    Column("version", Integer),
    ms("at_ms"),
    sqlite_autoincrement=True,
)

# --- readings --------------------------------------------------------------------------------------------------

readings = Table(
    # In order of arrival, and no other index: a row is written once, behind the last one, and later moved to its hour.
    # The number alone is the key: only so SQLite fills a page to its end and never touches it again.
    "readings",
    metadata,
    Column("number", Counter, primary_key=True, autoincrement=False),
    Column("point_id", Counter, nullable=False),
    ms("t_ms"),
    *doubles("l1", "l2", "l3", "v12", "v23", "v31", "ambient_c", "called", "limit_amps"),
    Column("version", Integer, nullable=False),
    Column("flags", SmallInteger, nullable=False),
    # What the watch found at it; NULL for late rows, which are not fed.
    *scaled(100, "unbalance"),
    *scaled(1000, "motor_heat", "device_heat"),
    Column("running", SmallInteger),
)

reading_hours = Table(
    "reading_hours",
    metadata,
    point(primary_key=True),
    Column("hour", Integer, primary_key=True, autoincrement=False),  # t_ms // 3,600,000
    Column("first_number", BigInteger, nullable=False),
    Column("last_number", BigInteger, nullable=False),
    Column("rows", Integer, nullable=False),
    Column("columns", LargeBinary, nullable=False),
    Index(None, "last_number", "first_number"),  # finds the hours that hold a number
)

readings_removed = Table(
    # From when on the readings of a point are kept whole, where older ones were removed to make room.
    "readings_removed",
    metadata,
    point(primary_key=True),
    ms("before_ms"),
    Column("readings", BigInteger, nullable=False),
    ms("removed_ms"),
)

watch_states = Table(
    "watch_states",
    metadata,
    point(primary_key=True),
    Column("number", BigInteger, nullable=False),
    Column("format", Integer, nullable=False),
    Column("state", LargeBinary, nullable=False),
)

gaps = Table(
    # The last few of each fan: a new one is written over one that matters less.
    "gaps",
    metadata,
    point(primary_key=True),
    Column("slot", SmallInteger, primary_key=True, autoincrement=False),
    ms("from_ms"),
    ms("to_ms"),
    Column("format", Integer, nullable=False),
    Column("state", LargeBinary, nullable=False),
    Column("late_number", BigInteger, nullable=False),
    Column("looked_number", BigInteger, nullable=False),
    Column("told", Boolean, nullable=False),
    Column("found", Text, nullable=False),
)

# --- loggers and what they sent --------------------------------------------------------------------------------

loggers = Table(
    "loggers",
    metadata,
    point(primary_key=True),
    ms("newest_ms", nullable=True),
    ms("heard_ms", nullable=True),
    Column("period_seconds", Double),
    Column("status", Text),
    ms("status_ms", nullable=True),
    Column("readings", BigInteger, nullable=False),
    Column("late", BigInteger, nullable=False),
    Column("repeats", BigInteger, nullable=False),
    Column("unknown_keys", BigInteger, nullable=False),
)

newcomers = Table(
    "newcomers",
    metadata,
    Column("site", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    ms("first_heard_ms"),
    ms("last_heard_ms"),
    Column("readings", BigInteger, nullable=False),
    Column("last_reading", Text, nullable=False),
)

rejected = Table(
    "rejected",
    metadata,
    Column("number", Counter, primary_key=True),
    ms("at_ms"),
    Column("topic", Text, nullable=False),
    Column("site", Text),
    Column("name", Text),
    Column("reason", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("excerpt", Text, nullable=False),
    Index(None, "topic", "reason", "number"),
    sqlite_autoincrement=True,
)

reject_counts = Table(
    "reject_counts",
    metadata,
    Column("site", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("reason", Text, primary_key=True),
    Column("count", BigInteger, nullable=False),
    ms("first_ms"),
    ms("last_ms"),
)

# --- what was found --------------------------------------------------------------------------------------------

fan_now = Table(
    # One narrow row a fan, written with each commit that has news of it: the narrower, the fewer pages a commit writes.
    # No index, it is small and always in memory.
    "fan_now",
    metadata,
    point(primary_key=True),
    Column("seq", BigInteger, nullable=False),
    ms("t_ms"),
    ms("heard_ms"),
    *scaled(1000, "l1", "l2", "l3"),
    *scaled(100, "v12", "v23", "v31", "ambient_c"),
    *scaled(1000, "limit_amps"),
    *scaled(10_000, "load_ratio", "unbalance", "derating"),
    Column("running", Boolean),
    ms("since_ms", nullable=True),
    Column("flags", SmallInteger, nullable=False),
    *scaled(10_000, "motor_heat", "device_heat"),
    *scaled(10, "seconds_to_trip"),
    ms("heat_assumed_ms", nullable=True),
)

estimates = Table(
    "estimates",
    metadata,
    point(primary_key=True),
    ms("at_ms"),
    Column("json", Text, nullable=False),
)

runs = Table(
    "runs",
    metadata,
    partition(),
    number(),
    point(),
    ms("start_ms"),
    Column("start_seen", Boolean, nullable=False),
    ms("end_ms", nullable=True),
    Column("end_seen", Boolean),
    *doubles("peak_amps", "peak_ratio", "gap_ms"),
    Column("end_cause", Text),
    Column("confidence", Text),
    Column("evidence", Text, nullable=False),
    Column("ending", Text),
    Index(None, "point_id", "start_ms"),
)

_HELD = text("suppression IS NOT NULL")

alarms = Table(
    "alarms",
    metadata,
    partition(),
    number(),
    Column("point_id", Counter, ForeignKey("points.id")),
    Column("site", Text, nullable=False),
    Column("fan", Text),
    Column("supply", Text),
    Column("condition", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("suppression", Text),
    ms("suppressed_until_ms", nullable=True),
    Column("suppressed_by", Text),
    Column("suppressed_why", Text),
    ms("since_ms"),
    ms("raised_ms"),
    ms("cleared_ms", nullable=True),
    ms("heard_ms"),
    ms("acknowledged_ms", nullable=True),
    Column("acknowledged_by", Text),
    Column("count", Integer, nullable=False),
    *doubles("value", "setpoint", "peak"),
    ms("last_notice_ms", nullable=True),
    Column("text", Text, nullable=False),
    Column("rings", Boolean, nullable=False),
    ms("rings_from_ms", nullable=True),
    Column("last_notice_priority", Text),
    Column("untold", Integer, nullable=False),
    Column("told", Integer, server_default="0", nullable=False),
    *doubles("known_peak"),
    Index(None, "state", "site"),
    Index(None, "site", "raised_ms"),
    # Few ever are, so writes cost SQLite nothing. Whole elsewhere: to name another dialect here loads it at each start.
    Index(None, "suppression", sqlite_where=_HELD),
)

alarm_changes = Table(
    "alarm_changes",
    metadata,
    partition(),
    number(),
    Column("alarm_number", BigInteger, nullable=False),
    Column("from_state", Text),
    Column("to_state", Text, nullable=False),
    Column("cause", Text, nullable=False),
    ms("at_ms"),
    ms("heard_ms"),
    Column("by", Text),
    Column("why", Text),
    ms("until_ms", nullable=True),
    Index(None, "partition", "alarm_number"),
)

cursors = Table(
    "cursors",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

# --- the copy to a time-series server ---------------------------------------------------------------------------

archive_targets = Table(
    # How far a target holds what is stored here, and how many lines it refused.
    "archive_targets",
    metadata,
    Column("target", Text, primary_key=True),
    partition(),
    Column("reading", BigInteger, nullable=False),
    Column("change", BigInteger, nullable=False),
    Column("refused", BigInteger, nullable=False),
    ms("stored_ms", nullable=True),
)

archive_refused = Table(
    "archive_refused",
    metadata,
    Column("number", Counter, primary_key=True),
    Column("target", Text, nullable=False),
    ms("at_ms"),
    Column("line", Text, nullable=False),
    Column("words", Text, nullable=False),
    sqlite_autoincrement=True,
)

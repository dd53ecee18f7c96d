"""All tables, as SQLAlchemy Core.

Times are integer milliseconds since 1970 in UTC (`*_ms`). A missing value is NULL. Running numbers (of readings, runs,
alarms, alarm changes) are given out by the one worker that owns a partition, so they stand beside the partition in each
key (that of a reading holds it). A partition is a part of the sites with one owner; there is one for now.

This file says how the tables look today; how they came to look so stands in `migrations/`, and a test compares the two.
"""

from __future__ import annotations

import math

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
    MetaData,
    SmallInteger,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    text,
)
from sqlalchemy.engine import Dialect

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

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# SQLite counts up by itself only in a column declared INTEGER; elsewhere a counter has 64 bits by its type.
_Counter = BigInteger().with_variant(Integer, "sqlite")


def _point(*, primary_key: bool = False) -> Column[int]:
    return Column("point_id", _Counter, ForeignKey("points.id"), nullable=False, primary_key=primary_key)


def _partition() -> Column[int]:
    return Column("partition", SmallInteger, primary_key=True, autoincrement=False)


def _number(name: str = "number") -> Column[int]:
    return Column(name, BigInteger, primary_key=True, autoincrement=False)


def _ms(name: str, *, nullable: bool = False) -> Column[int]:
    return Column(name, BigInteger, nullable=nullable)


class Scaled(TypeDecorator[float]):
    """A figure kept as a whole number of small steps: two or three bytes where a double takes eight.

    For figures that are shown and never worked with again. Infinity is kept as the greatest number.
    """

    impl = Integer
    cache_ok = True

    def __init__(self, steps: int) -> None:
        """
        Parameters
        ----------
        steps : so many to one
        """
        super().__init__()
        self.steps = steps

    def process_bind_param(self, value: float | None, dialect: Dialect) -> int | None:
        if value is None:
            return None
        return round(max(-_GREATEST, min(value * self.steps, _GREATEST)))

    def process_result_value(self, value: int | None, dialect: Dialect) -> float | None:
        if value is None:
            return None
        return math.inf if value == _GREATEST else value / self.steps


_GREATEST = 2**31 - 1


def _scaled(steps: int, *names: str) -> list[Column[float]]:
    return [Column(name, Scaled(steps)) for name in names]


def _doubles(*names: str) -> list[Column[float]]:
    return [Column(name, Double) for name in names]


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
    Column("id", _Counter, primary_key=True),
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
    _point(primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    _ms("valid_from_ms"),
    _ms("applies_from_ms"),
    _ms("committed_ms"),
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
    Column("number", _Counter, primary_key=True),
    Column("site", Text, nullable=False),
    Column("point_id", _Counter, ForeignKey("points.id")),
    Column("version", Integer),
    _ms("at_ms"),
    sqlite_autoincrement=True,
)

# --- readings --------------------------------------------------------------------------------------------------

readings = Table(
    # In order of arrival, and no other index: a row is written once, behind the last one, and later moved to its hour.
    # The number alone is the key: only so SQLite fills a page to its end and never touches it again.
    "readings",
    metadata,
    Column("number", _Counter, primary_key=True, autoincrement=False),
    Column("point_id", _Counter, nullable=False),
    _ms("t_ms"),
    *_doubles("l1", "l2", "l3", "v12", "v23", "v31", "ambient_c", "called", "limit_amps"),
    Column("version", Integer, nullable=False),
    Column("flags", SmallInteger, nullable=False),
    # What the watch found at it; NULL for late rows, which are not fed.
    *_scaled(100, "unbalance"),
    *_scaled(1000, "motor_heat", "device_heat"),
    Column("running", SmallInteger),
)

reading_hours = Table(
    "reading_hours",
    metadata,
    _point(primary_key=True),
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
    _point(primary_key=True),
    _ms("before_ms"),
    Column("readings", BigInteger, nullable=False),
    _ms("removed_ms"),
)

watch_states = Table(
    "watch_states",
    metadata,
    _point(primary_key=True),
    Column("number", BigInteger, nullable=False),
    Column("format", Integer, nullable=False),
    Column("state", LargeBinary, nullable=False),
)

gaps = Table(
    # The last few of each fan: a new one is written over one that matters less.
    "gaps",
    metadata,
    _point(primary_key=True),
    Column("slot", SmallInteger, primary_key=True, autoincrement=False),
    _ms("from_ms"),
    _ms("to_ms"),
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
    _point(primary_key=True),
    _ms("newest_ms", nullable=True),
    _ms("heard_ms", nullable=True),
    Column("period_seconds", Double),
    Column("status", Text),
    _ms("status_ms", nullable=True),
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
    _ms("first_heard_ms"),
    _ms("last_heard_ms"),
    Column("readings", BigInteger, nullable=False),
    Column("last_reading", Text, nullable=False),
)

rejected = Table(
    "rejected",
    metadata,
    Column("number", _Counter, primary_key=True),
    _ms("at_ms"),
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
    _ms("first_ms"),
    _ms("last_ms"),
)

# --- what was found --------------------------------------------------------------------------------------------

fan_now = Table(
    # One narrow row a fan, written with each commit that has news of it: the narrower, the fewer pages a commit writes.
    # No index, it is small and always in memory.
    "fan_now",
    metadata,
    _point(primary_key=True),
    Column("seq", BigInteger, nullable=False),
    _ms("t_ms"),
    _ms("heard_ms"),
    *_scaled(1000, "l1", "l2", "l3"),
    *_scaled(100, "v12", "v23", "v31", "ambient_c"),
    *_scaled(1000, "limit_amps"),
    *_scaled(10_000, "load_ratio", "unbalance", "derating"),
    Column("running", Boolean),
    _ms("since_ms", nullable=True),
    Column("flags", SmallInteger, nullable=False),
    *_scaled(10_000, "motor_heat", "device_heat"),
    *_scaled(10, "seconds_to_trip"),
    _ms("heat_assumed_ms", nullable=True),
)

estimates = Table(
    "estimates",
    metadata,
    _point(primary_key=True),
    _ms("at_ms"),
    Column("json", Text, nullable=False),
)

runs = Table(
    "runs",
    metadata,
    _partition(),
    _number(),
    _point(),
    _ms("start_ms"),
    Column("start_seen", Boolean, nullable=False),
    _ms("end_ms", nullable=True),
    Column("end_seen", Boolean),
    *_doubles("peak_amps", "peak_ratio", "gap_ms"),
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
    _partition(),
    _number(),
    Column("point_id", _Counter, ForeignKey("points.id")),
    Column("site", Text, nullable=False),
    Column("fan", Text),
    Column("supply", Text),
    Column("condition", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("suppression", Text),
    _ms("suppressed_until_ms", nullable=True),
    Column("suppressed_by", Text),
    Column("suppressed_why", Text),
    _ms("since_ms"),
    _ms("raised_ms"),
    _ms("cleared_ms", nullable=True),
    _ms("heard_ms"),
    _ms("acknowledged_ms", nullable=True),
    Column("acknowledged_by", Text),
    Column("count", Integer, nullable=False),
    *_doubles("value", "setpoint", "peak"),
    _ms("last_notice_ms", nullable=True),
    Column("text", Text, nullable=False),
    Column("rings", Boolean, nullable=False),
    _ms("rings_from_ms", nullable=True),
    Column("last_notice_priority", Text),
    Column("untold", Integer, nullable=False),
    Column("told", Integer, server_default="0", nullable=False),
    *_doubles("known_peak"),
    Index(None, "state", "site"),
    Index(None, "site", "raised_ms"),
    # Few ever are, so writes cost SQLite nothing. Whole elsewhere: to name another dialect here loads it at each start.
    Index(None, "suppression", sqlite_where=_HELD),
)

alarm_changes = Table(
    "alarm_changes",
    metadata,
    _partition(),
    _number(),
    Column("alarm_number", BigInteger, nullable=False),
    Column("from_state", Text),
    Column("to_state", Text, nullable=False),
    Column("cause", Text, nullable=False),
    _ms("at_ms"),
    _ms("heard_ms"),
    Column("by", Text),
    Column("why", Text),
    _ms("until_ms", nullable=True),
    Index(None, "partition", "alarm_number"),
)

# --- what people did, and what they were told ------------------------------------------------------------------

actions = Table(
    "actions",
    metadata,
    Column("number", _Counter, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("by", Text, nullable=False),
    _ms("at_ms"),
    _ms("done_ms", nullable=True),
    Column("outcome", Text),
    Index(None, "done_ms", "number"),
    sqlite_autoincrement=True,
)

out_of_service = Table(
    # What was taken out of service and came back: a row for each change, the newest of a fan or site holds.
    "out_of_service",
    metadata,
    Column("number", _Counter, primary_key=True),
    Column("site", Text, nullable=False),
    Column("fan", Text),
    Column("what", Text, nullable=False),
    _ms("at_ms"),
    _ms("until_ms", nullable=True),
    Column("by", Text),
    Column("why", Text, nullable=False),
    Column("action", BigInteger),
    CheckConstraint("what IN ('removed', 'returned', 'time up')", name="what"),
    Index(None, "site", "fan"),
    sqlite_autoincrement=True,
)

planned_stops = Table(
    # Planned stops that begin later: a row for each change, the newest of a fan holds. One that has begun stands with
    # its alarm.
    "planned_stops",
    metadata,
    Column("number", _Counter, primary_key=True),
    Column("site", Text, nullable=False),
    Column("fan", Text, nullable=False),
    Column("what", Text, nullable=False),
    _ms("at_ms"),
    _ms("from_ms"),
    _ms("until_ms"),
    Column("by", Text),
    Column("why", Text, nullable=False),
    Column("action", BigInteger),
    CheckConstraint("what IN ('announced', 'withdrawn', 'begun', 'dropped')", name="what"),
    Index(None, "site", "fan"),
    sqlite_autoincrement=True,
)

service_records = Table(
    # What technicians checked or changed. An entry is never changed; a wrong one is withdrawn by another. Only what was
    # worked out from it (`found`) grows, while readings that say more about it may still come (`waits`).
    "service_records",
    metadata,
    Column("number", _Counter, primary_key=True),
    _point(),
    Column("kind", Text, nullable=False),
    _ms("done_ms"),
    _ms("entered_ms"),
    Column("by", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("withdraws", BigInteger),
    Column("action", BigInteger),
    Column("found", Text, nullable=False),
    Column("waits", Boolean, nullable=False),
    CheckConstraint(
        "kind IN ('check', 'hand reading', 're-pitch', 'lead rotation', 'clamp correction', 'note', 'withdraw')",
        name="kind",
    ),
    Index(None, "point_id", "done_ms"),
    Index(None, "withdraws"),
    sqlite_autoincrement=True,
)

jobs = Table(
    # Job sheets: what was seen of a fan when work on its blades was asked for, and what the work brought. A fan has at
    # most one that is open: the worker, the only writer, sees to it. Only the end of one is ever written into its row.
    "jobs",
    metadata,
    Column("number", _Counter, primary_key=True),
    _point(),
    Column("state", Text, nullable=False),
    _ms("opened_ms"),
    Column("opened_by", Text, nullable=False),
    *_doubles("pitch_from", "pitch_to"),
    Column("inserts", Integer),
    Column("why", Text, nullable=False),
    Column("sheet", Text, nullable=False),
    Column("action", BigInteger),
    _ms("closed_ms", nullable=True),
    Column("closed_by", Text),
    Column("found", Text),
    CheckConstraint("state IN ('open', 'done', 'dropped')", name="state"),
    Index(None, "state"),
    Index(None, "point_id", "opened_ms"),
    sqlite_autoincrement=True,
)

tellings = Table(
    # Which change of an alarm which route is to be told, when, and what became of it.
    "tellings",
    metadata,
    _partition(),
    _number("change_number"),
    Column("route", Text, primary_key=True),
    Column("alarm_number", BigInteger, nullable=False),
    Column("site", Text, nullable=False),
    Column("wanted", Text, nullable=False),
    _ms("wanted_ms"),
    _ms("due_ms"),
    Column("state", Text, nullable=False),
    Column("why", Text),
    Column("group_id", Text),
    CheckConstraint("state IN ('waiting', 'told', 'dropped')", name="state"),
    Index(None, "state"),
    Index(None, "partition", "alarm_number"),
    Index(None, "group_id"),
)

notices = Table(
    "notices",
    metadata,
    Column("id", Text, primary_key=True),
    Column("partition", SmallInteger, nullable=False),
    Column("site", Text, nullable=False),
    Column("alarm_number", BigInteger, nullable=False),
    Column("change_number", BigInteger, nullable=False),
    Column("route", Text, nullable=False),
    Column("address_index", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Column("rings", Boolean, nullable=False),
    Column("subject", Text, nullable=False),
    Column("short", Text, nullable=False),
    Column("long", Text, nullable=False),
    Column("data", Text, nullable=False),
    _ms("created_ms"),
    _ms("due_ms"),
    Column("state", Text, nullable=False),
    Column("tries", Integer, nullable=False),
    _ms("delivered_ms", nullable=True),
    Column("group_id", Text),
    _ms("link_used_ms", nullable=True),
    Column("link_used_by", Text),
    CheckConstraint("state IN ('waiting', 'delivered', 'failed')", name="state"),
    Index(None, "state", "due_ms"),
    Index(None, "partition", "alarm_number"),
    Index(None, "group_id"),
    Index(None, "created_ms"),
)

notice_tries = Table(
    "notice_tries",
    metadata,
    Column("notice_id", Text, ForeignKey("notices.id"), primary_key=True),
    Column("try", Integer, primary_key=True, autoincrement=False),
    _ms("at_ms"),
    Column("outcome", Text, nullable=False),
    Column("detail", Text, nullable=False),
)

# --- who may ask -----------------------------------------------------------------------------------------------

accounts = Table(
    # `name_key` is the name as it is compared: nobody tells "Ann" from "ann".
    "accounts",
    metadata,
    Column("id", _Counter, primary_key=True),
    Column("name", Text, nullable=False),
    Column("name_key", Text, nullable=False),
    Column("password_hash", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("all_sites", Boolean, nullable=False),
    _ms("created_ms"),
    Column("created_by", Text, nullable=False),
    _ms("disabled_ms", nullable=True),
    _ms("signed_in_ms", nullable=True),
    UniqueConstraint("name_key"),
    CheckConstraint("role IN ('look', 'attend', 'manage')", name="role"),
    sqlite_autoincrement=True,  # what was an account's never becomes another's
)

account_sites = Table(
    "account_sites",
    metadata,
    Column("account_id", _Counter, ForeignKey("accounts.id"), primary_key=True),
    Column("site", Text, ForeignKey("sites.site"), primary_key=True),
)

sessions = Table(
    # Of an id only its SHA-256: whoever reads the database cannot go on with anybody's session.
    "sessions",
    metadata,
    Column("id_hash", Text, primary_key=True),
    Column("account_id", _Counter, ForeignKey("accounts.id"), nullable=False),
    _ms("made_ms"),
    _ms("used_ms"),
    _ms("expires_ms"),
    Index(None, "account_id"),
)

api_tokens = Table(
    "api_tokens",
    metadata,
    Column("id", _Counter, primary_key=True),
    Column("token_hash", Text, nullable=False),
    Column("account_id", _Counter, ForeignKey("accounts.id"), nullable=False),
    Column("label", Text, nullable=False),
    _ms("made_ms"),
    _ms("used_ms", nullable=True),
    UniqueConstraint("token_hash"),
    Index(None, "account_id"),
    sqlite_autoincrement=True,
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
    _partition(),
    Column("reading", BigInteger, nullable=False),
    Column("change", BigInteger, nullable=False),
    Column("refused", BigInteger, nullable=False),
    _ms("stored_ms", nullable=True),
)

archive_refused = Table(
    "archive_refused",
    metadata,
    Column("number", _Counter, primary_key=True),
    Column("target", Text, nullable=False),
    _ms("at_ms"),
    Column("line", Text, nullable=False),
    Column("words", Text, nullable=False),
    sqlite_autoincrement=True,
)

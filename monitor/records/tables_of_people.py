"""Tables of what people did and were told, and of who may ask; `tables` gives them on."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
)

from monitor.records.table_parts import Counter, doubles, metadata, ms, number, partition, point

# --- what people did, and what they were told ------------------------------------------------------------------

actions = Table(
    "actions",
    metadata,
    Column("number", Counter, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("by", Text, nullable=False),
    ms("at_ms"),
    ms("done_ms", nullable=True),
    Column("outcome", Text),
    Index(None, "done_ms", "number"),
    sqlite_autoincrement=True,
)

out_of_service = Table(
    # What was taken out of service and came back: a row for each change, the newest of a fan or site holds.
    "out_of_service",
    metadata,
    Column("number", Counter, primary_key=True),
    Column("site", Text, nullable=False),
    Column("fan", Text),
    Column("what", Text, nullable=False),
    ms("at_ms"),
    ms("until_ms", nullable=True),
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
    Column("number", Counter, primary_key=True),
    Column("site", Text, nullable=False),
    Column("fan", Text, nullable=False),
    Column("what", Text, nullable=False),
    ms("at_ms"),
    ms("from_ms"),
    ms("until_ms"),
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
    Column("number", Counter, primary_key=True),
    point(),
    Column("kind", Text, nullable=False),
    ms("done_ms"),
    ms("entered_ms"),
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
    Column("number", Counter, primary_key=True),
    point(),
    Column("state", Text, nullable=False),
    ms("opened_ms"),
    Column("opened_by", Text, nullable=False),
    *doubles("pitch_from", "pitch_to"),
    Column("inserts", Integer),
    Column("why", Text, nullable=False),
    Column("sheet", Text, nullable=False),
    Column("action", BigInteger),
    ms("closed_ms", nullable=True),
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
    partition(),
    number("change_number"),
    Column("route", Text, primary_key=True),
    Column("alarm_number", BigInteger, nullable=False),
    Column("site", Text, nullable=False),
    Column("wanted", Text, nullable=False),
    ms("wanted_ms"),
    ms("due_ms"),
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
    ms("created_ms"),
    ms("due_ms"),
    Column("state", Text, nullable=False),
    Column("tries", Integer, nullable=False),
    ms("delivered_ms", nullable=True),
    Column("group_id", Text),
    ms("link_used_ms", nullable=True),
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
    ms("at_ms"),
    Column("outcome", Text, nullable=False),
    Column("detail", Text, nullable=False),
)

# --- who may ask -----------------------------------------------------------------------------------------------

accounts = Table(
    # `name_key` is the name as it is compared: nobody tells "Ann" from "ann".
    "accounts",
    metadata,
    Column("id", Counter, primary_key=True),
    Column("name", Text, nullable=False),
    Column("name_key", Text, nullable=False),
    Column("password_hash", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("all_sites", Boolean, nullable=False),
    ms("created_ms"),
    Column("created_by", Text, nullable=False),
    ms("disabled_ms", nullable=True),
    ms("signed_in_ms", nullable=True),
    UniqueConstraint("name_key"),
    CheckConstraint("role IN ('look', 'attend', 'manage')", name="role"),
    sqlite_autoincrement=True,  # what was an account's never becomes another's
)

account_sites = Table(
    "account_sites",
    metadata,
    Column("account_id", Counter, ForeignKey("accounts.id"), primary_key=True),
    Column("site", Text, ForeignKey("sites.site"), primary_key=True),
)

sessions = Table(
    # Of an id only its SHA-256: whoever reads the database cannot go on with anybody's session.
    "sessions",
    metadata,
    Column("id_hash", Text, primary_key=True),
    Column("account_id", Counter, ForeignKey("accounts.id"), nullable=False),
    ms("made_ms"),
    ms("used_ms"),
    ms("expires_ms"),
    Index(None, "account_id"),
)

api_tokens = Table(
    "api_tokens",
    metadata,
    Column("id", Counter, primary_key=True),
    Column("token_hash", Text, nullable=False),
    Column("account_id", Counter, ForeignKey("accounts.id"), nullable=False),
    Column("label", Text, nullable=False),
    ms("made_ms"),
    ms("used_ms", nullable=True),
    UniqueConstraint("token_hash"),
    Index(None, "account_id"),
    sqlite_autoincrement=True,
)

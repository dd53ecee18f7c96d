"""The first form of all tables.

A revision never changes once it has been released; it tells by itself what it makes, without `tables.py`, which
moves on. There is no way back but a backup.

Revision ID: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "actions",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("done_ms", sa.BigInteger(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_actions")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_actions_done_ms_number"), "actions", ["done_ms", "number"], unique=False)
    op.create_table(
        "alarm_changes",
        sa.Column("partition", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("alarm_number", sa.BigInteger(), nullable=False),
        sa.Column("from_state", sa.Text(), nullable=True),
        sa.Column("to_state", sa.Text(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("heard_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("partition", "number", name=op.f("pk_alarm_changes")),
    )
    op.create_index(
        op.f("ix_alarm_changes_partition_alarm_number"), "alarm_changes", ["partition", "alarm_number"], unique=False
    )
    op.create_table(
        "cursors",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_cursors")),
    )
    op.create_table(
        "newcomers",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("first_heard_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_heard_ms", sa.BigInteger(), nullable=False),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.Column("last_reading", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", "name", name=op.f("pk_newcomers")),
    )
    op.create_table(
        "notices",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("partition", sa.SmallInteger(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("alarm_number", sa.BigInteger(), nullable=False),
        sa.Column("change_number", sa.BigInteger(), nullable=False),
        sa.Column("route", sa.Text(), nullable=False),
        sa.Column("address_index", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("rings", sa.Boolean(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("short", sa.Text(), nullable=False),
        sa.Column("long", sa.Text(), nullable=False),
        sa.Column("data", sa.Text(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("due_ms", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("delivered_ms", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("state IN ('waiting', 'delivered', 'failed')", name=op.f("ck_notices_state")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notices")),
    )
    op.create_index(op.f("ix_notices_partition_alarm_number"), "notices", ["partition", "alarm_number"], unique=False)
    op.create_index(op.f("ix_notices_state_due_ms"), "notices", ["state", "due_ms"], unique=False)
    op.create_table(
        "readings",
        sa.Column("partition", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("l1", sa.Double(), nullable=True),
        sa.Column("l2", sa.Double(), nullable=True),
        sa.Column("l3", sa.Double(), nullable=True),
        sa.Column("v12", sa.Double(), nullable=True),
        sa.Column("v23", sa.Double(), nullable=True),
        sa.Column("v31", sa.Double(), nullable=True),
        sa.Column("ambient_c", sa.Double(), nullable=True),
        sa.Column("called", sa.Double(), nullable=True),
        sa.Column("limit_amps", sa.Double(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("partition", "number", name=op.f("pk_readings")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "reject_counts",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.Column("first_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site", "name", "reason", name=op.f("pk_reject_counts")),
    )
    op.create_table(
        "rejected",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("excerpt", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_rejected")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_rejected_topic_reason_number"), "rejected", ["topic", "reason", "number"], unique=False)
    op.create_table(
        "sites",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.Column("altitude_m", sa.Double(), nullable=False),
        sa.Column("units", sa.Text(), nullable=False),
        sa.Column("supper", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site", name=op.f("pk_sites")),
    )
    op.create_table(
        "notice_tries",
        sa.Column("notice_id", sa.Text(), nullable=False),
        sa.Column("try", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["notice_id"], ["notices.id"], name=op.f("fk_notice_tries_notice_id")),
        sa.PrimaryKeyConstraint("notice_id", "try", name=op.f("pk_notice_tries")),
    )
    op.create_table(
        "points",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.CheckConstraint("kind IN ('fan', 'supply', 'weather')", name=op.f("ck_points_kind")),
        sa.ForeignKeyConstraint(["site"], ["sites.site"], name=op.f("fk_points_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_points")),
        sa.UniqueConstraint("site", "name", name=op.f("uq_points_site_name")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "alarms",
        sa.Column("partition", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("fan", sa.Text(), nullable=True),
        sa.Column("supply", sa.Text(), nullable=True),
        sa.Column("condition", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("suppression", sa.Text(), nullable=True),
        sa.Column("suppressed_until_ms", sa.BigInteger(), nullable=True),
        sa.Column("suppressed_by", sa.Text(), nullable=True),
        sa.Column("suppressed_why", sa.Text(), nullable=True),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("raised_ms", sa.BigInteger(), nullable=False),
        sa.Column("cleared_ms", sa.BigInteger(), nullable=True),
        sa.Column("heard_ms", sa.BigInteger(), nullable=False),
        sa.Column("acknowledged_ms", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("setpoint", sa.Double(), nullable=True),
        sa.Column("peak", sa.Double(), nullable=True),
        sa.Column("last_notice_ms", sa.BigInteger(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("rings", sa.Boolean(), nullable=False),
        sa.Column("last_notice_priority", sa.Text(), nullable=True),
        sa.Column("untold", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_alarms_point_id")),
        sa.PrimaryKeyConstraint("partition", "number", name=op.f("pk_alarms")),
    )
    op.create_index(op.f("ix_alarms_site_raised_ms"), "alarms", ["site", "raised_ms"], unique=False)
    op.create_index(op.f("ix_alarms_state_site"), "alarms", ["state", "site"], unique=False)
    op.create_table(
        "estimates",
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("json", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_estimates_point_id")),
        sa.PrimaryKeyConstraint("point_id", name=op.f("pk_estimates")),
    )
    op.create_table(
        "fan_now",
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("heard_ms", sa.BigInteger(), nullable=False),
        sa.Column("l1", sa.Double(), nullable=True),
        sa.Column("l2", sa.Double(), nullable=True),
        sa.Column("l3", sa.Double(), nullable=True),
        sa.Column("v12", sa.Double(), nullable=True),
        sa.Column("v23", sa.Double(), nullable=True),
        sa.Column("v31", sa.Double(), nullable=True),
        sa.Column("ambient_c", sa.Double(), nullable=True),
        sa.Column("limit_amps", sa.Double(), nullable=True),
        sa.Column("load_ratio", sa.Double(), nullable=True),
        sa.Column("unbalance", sa.Double(), nullable=True),
        sa.Column("derating", sa.Double(), nullable=True),
        sa.Column("running", sa.Boolean(), nullable=True),
        sa.Column("since_ms", sa.BigInteger(), nullable=True),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_fan_now_point_id")),
        sa.PrimaryKeyConstraint("point_id", name=op.f("pk_fan_now")),
    )
    op.create_table(
        "loggers",
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("newest_ms", sa.BigInteger(), nullable=True),
        sa.Column("heard_ms", sa.BigInteger(), nullable=True),
        sa.Column("period_seconds", sa.Double(), nullable=True),
        sa.Column("status", sa.Text(), nullable=True),
        sa.Column("status_ms", sa.BigInteger(), nullable=True),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.Column("late", sa.BigInteger(), nullable=False),
        sa.Column("repeats", sa.BigInteger(), nullable=False),
        sa.Column("unknown_keys", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_loggers_point_id")),
        sa.PrimaryKeyConstraint("point_id", name=op.f("pk_loggers")),
    )
    op.create_table(
        "reading_hours",
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("hour", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("first_number", sa.BigInteger(), nullable=False),
        sa.Column("last_number", sa.BigInteger(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("columns", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_reading_hours_point_id")),
        sa.PrimaryKeyConstraint("point_id", "hour", name=op.f("pk_reading_hours")),
    )
    op.create_table(
        "register_edits",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("version", sa.Integer(), nullable=True),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_register_edits_point_id")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_register_edits")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "register_versions",
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("valid_from_ms", sa.BigInteger(), nullable=False),
        sa.Column("applies_from_ms", sa.BigInteger(), nullable=False),
        sa.Column("committed_ms", sa.BigInteger(), nullable=False),
        sa.Column("committed_by", sa.Text(), nullable=False),
        sa.Column("motor_changed", sa.Boolean(), nullable=False),
        sa.Column("removed", sa.Boolean(), nullable=False),
        sa.Column("nameplate", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_register_versions_point_id")),
        sa.PrimaryKeyConstraint("point_id", "version", name=op.f("pk_register_versions")),
    )
    op.create_table(
        "runs",
        sa.Column("partition", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("start_ms", sa.BigInteger(), nullable=False),
        sa.Column("start_seen", sa.Boolean(), nullable=False),
        sa.Column("end_ms", sa.BigInteger(), nullable=True),
        sa.Column("end_seen", sa.Boolean(), nullable=True),
        sa.Column("peak_amps", sa.Double(), nullable=True),
        sa.Column("peak_ratio", sa.Double(), nullable=True),
        sa.Column("gap_ms", sa.Double(), nullable=True),
        sa.Column("end_cause", sa.Text(), nullable=True),
        sa.Column("confidence", sa.Text(), nullable=True),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_runs_point_id")),
        sa.PrimaryKeyConstraint("partition", "number", name=op.f("pk_runs")),
    )
    op.create_index(op.f("ix_runs_point_id_start_ms"), "runs", ["point_id", "start_ms"], unique=False)
    op.create_table(
        "watch_states",
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("format", sa.Integer(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_watch_states_point_id")),
        sa.PrimaryKeyConstraint("point_id", name=op.f("pk_watch_states")),
    )

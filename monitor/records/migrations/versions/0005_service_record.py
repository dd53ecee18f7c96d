"""What technicians checked or changed at a fan.

Revision ID: 0005
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "service_records",
        sa.Column("number", counter, nullable=False),
        sa.Column("point_id", counter, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("done_ms", sa.BigInteger(), nullable=False),
        sa.Column("entered_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("withdraws", sa.BigInteger(), nullable=True),
        sa.Column("action", sa.BigInteger(), nullable=True),
        sa.Column("found", sa.Text(), nullable=False),
        sa.Column("waits", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('check', 'hand reading', 're-pitch', 'lead rotation', 'note', 'withdraw')",
            name=op.f("ck_service_records_kind"),
        ),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_service_records_point_id")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_service_records")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_service_records_point_id_done_ms"), "service_records", ["point_id", "done_ms"])
    op.create_index(op.f("ix_service_records_withdraws"), "service_records", ["withdraws"])

"""Planned stops that begin later, a row for each change.

Revision ID: 0020
"""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "planned_stops",
        sa.Column("number", counter, nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("fan", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("action", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(
            "what IN ('announced', 'withdrawn', 'begun', 'dropped')", name=op.f("ck_planned_stops_what")
        ),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_planned_stops")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_planned_stops_site_fan"), "planned_stops", ["site", "fan"])

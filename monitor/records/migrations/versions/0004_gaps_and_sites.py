"""Gaps in fans' readings with the watch before them; what a site changes of the table of conditions.

Revision ID: 0004
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "gaps",
        sa.Column("point_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("slot", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("to_ms", sa.BigInteger(), nullable=False),
        sa.Column("format", sa.Integer(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.Column("late_number", sa.BigInteger(), nullable=False),
        sa.Column("looked_number", sa.BigInteger(), nullable=False),
        sa.Column("told", sa.Boolean(), nullable=False),
        sa.Column("found", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_gaps_point_id")),
        sa.PrimaryKeyConstraint("point_id", "slot", name=op.f("pk_gaps")),
    )
    for table, column in (("sites", "conditions"), ("register_versions", "site_conditions")):
        op.add_column(table, sa.Column(column, sa.Text(), server_default="{}", nullable=False))

"""Job sheets: work on a fan's blades, from what was seen to what it brought.

Revision ID: 0014
"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "jobs",
        sa.Column("number", counter, nullable=False),
        sa.Column("point_id", counter, nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("opened_ms", sa.BigInteger(), nullable=False),
        sa.Column("opened_by", sa.Text(), nullable=False),
        sa.Column("pitch_from", sa.Double(), nullable=True),
        sa.Column("pitch_to", sa.Double(), nullable=True),
        sa.Column("inserts", sa.Integer(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("sheet", sa.Text(), nullable=False),
        sa.Column("action", sa.BigInteger(), nullable=True),
        sa.Column("closed_ms", sa.BigInteger(), nullable=True),
        sa.Column("closed_by", sa.Text(), nullable=True),
        sa.Column("found", sa.Text(), nullable=True),
        sa.CheckConstraint("state IN ('open', 'done', 'dropped')", name=op.f("ck_jobs_state")),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_jobs_point_id")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_jobs")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_jobs_state"), "jobs", ["state"])
    op.create_index(op.f("ix_jobs_point_id_opened_ms"), "jobs", ["point_id", "opened_ms"])

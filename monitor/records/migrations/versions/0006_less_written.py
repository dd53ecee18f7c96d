"""Readings by their number alone: SQLite then fills a page to its end instead of sharing rows out among the last three.

Revision ID: 0006
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

_KEPT = "number, point_id, t_ms, l1, l2, l3, v12, v23, v31, ambient_c, called, limit_amps, version, flags"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    measured = ("l1", "l2", "l3", "v12", "v23", "v31", "ambient_c", "called", "limit_amps")
    op.rename_table("readings", "readings_before")
    op.create_table(
        "readings",
        sa.Column("number", counter, autoincrement=False, nullable=False),
        sa.Column("point_id", counter, nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        *(sa.Column(name, sa.Double(), nullable=True) for name in measured),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_readings_by_number"),
    )
    op.execute(f"INSERT INTO readings ({_KEPT}) SELECT {_KEPT} FROM readings_before ORDER BY number")
    op.drop_table("readings_before")

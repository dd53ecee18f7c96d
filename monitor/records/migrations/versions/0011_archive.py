"""How far a time-series server has been given a copy, and what it refused; the packed hours that hold a running number.

Revision ID: 0011
"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_index("ix_reading_hours_last_number_first_number", "reading_hours", ["last_number", "first_number"])
    op.create_table(
        "archive_targets",
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("partition", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("reading", sa.BigInteger(), nullable=False),
        sa.Column("change", sa.BigInteger(), nullable=False),
        sa.Column("refused", sa.BigInteger(), nullable=False),
        sa.Column("stored_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("target", "partition", name="pk_archive_targets"),
    )
    op.create_table(
        "archive_refused",
        sa.Column("number", counter, nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_archive_refused"),
        sqlite_autoincrement=True,
    )

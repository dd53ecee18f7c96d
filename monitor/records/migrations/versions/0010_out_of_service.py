"""What is out of service, a row for each change; why and until when an alarm was suppressed, with its change.

Revision ID: 0010
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "out_of_service",
        sa.Column("number", counter, nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("fan", sa.Text(), nullable=True),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=True),
        sa.Column("by", sa.Text(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("action", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("what IN ('removed', 'returned', 'time up')", name=op.f("ck_out_of_service_what")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_out_of_service")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_out_of_service_site_fan"), "out_of_service", ["site", "fan"])
    op.add_column("alarm_changes", sa.Column("why", sa.Text(), nullable=True))
    op.add_column("alarm_changes", sa.Column("until_ms", sa.BigInteger(), nullable=True))

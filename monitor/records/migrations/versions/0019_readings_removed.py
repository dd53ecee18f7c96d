"""From when on the readings of each point are kept, where older ones were removed.

Revision ID: 0019
"""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "readings_removed",
        sa.Column("point_id", counter, nullable=False),
        sa.Column("before_ms", sa.BigInteger(), nullable=False),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.Column("removed_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name="fk_readings_removed_point_id"),
        sa.PrimaryKeyConstraint("point_id", name="pk_readings_removed"),
    )

"""What the watch found at a reading stands in its row: unbalance, both thermal images, whether the fan ran.

Older rows have none of it.

Revision ID: 0009
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    for name in ("unbalance", "motor_heat", "device_heat"):
        op.add_column("readings", sa.Column(name, sa.Integer(), nullable=True))
    op.add_column("readings", sa.Column("running", sa.SmallInteger(), nullable=True))

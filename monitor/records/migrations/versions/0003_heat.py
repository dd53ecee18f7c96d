"""How hot motor and overload device are, and how long until the device opens, beside a fan's newest reading.

Revision ID: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    for name in ("motor_heat", "device_heat", "seconds_to_trip"):
        op.add_column("fan_now", sa.Column(name, sa.Double(), nullable=True))
    op.add_column("fan_now", sa.Column("heat_assumed_ms", sa.BigInteger(), nullable=True))

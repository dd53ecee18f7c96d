"""From when an alarm that is told without ringing rings, if nobody has acknowledged it by then.

Revision ID: 0017
"""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    op.add_column("alarms", sa.Column("rings_from_ms", sa.BigInteger(), nullable=True))

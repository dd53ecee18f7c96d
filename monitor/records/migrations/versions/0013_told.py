"""How often an alarm was told as begun: what comes and goes without harm is told ever more seldom.

Revision ID: 0013
"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    op.add_column("alarms", sa.Column("told", sa.Integer(), server_default="0", nullable=False))

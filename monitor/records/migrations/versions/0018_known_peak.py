"""The worst of an alarm that somebody was told of or has acknowledged: what grows beyond it is news.

Revision ID: 0018
"""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    op.add_column("alarms", sa.Column("known_peak", sa.Double(), nullable=True))

"""Alarms that are held back are found without going through those of all seasons.

Revision ID: 0015
"""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    held = sa.text("suppression IS NOT NULL")
    op.create_index(op.f("ix_alarms_suppression"), "alarms", ["suppression"], sqlite_where=held)

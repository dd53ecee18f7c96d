"""What the readings tell about the end of a run, kept beside it until it is judged and afterwards.

Revision ID: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.add_column("runs", sa.Column("ending", sa.Text(), nullable=True))

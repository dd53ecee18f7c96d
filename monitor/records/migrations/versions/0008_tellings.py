"""Which change which route is told, apart from the notices that tell it; links to acknowledge are used once.

Revision ID: 0008
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    op.create_table(
        "tellings",
        sa.Column("partition", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("change_number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("route", sa.Text(), nullable=False),
        sa.Column("alarm_number", sa.BigInteger(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("wanted", sa.Text(), nullable=False),
        sa.Column("wanted_ms", sa.BigInteger(), nullable=False),
        sa.Column("due_ms", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("group_id", sa.Text(), nullable=True),
        sa.CheckConstraint("state IN ('waiting', 'told', 'dropped')", name=op.f("ck_tellings_state")),
        sa.PrimaryKeyConstraint("partition", "change_number", "route", name="pk_tellings"),
    )
    op.create_index("ix_tellings_state", "tellings", ["state"])
    op.create_index("ix_tellings_partition_alarm_number", "tellings", ["partition", "alarm_number"])
    op.create_index("ix_tellings_group_id", "tellings", ["group_id"])
    op.add_column("notices", sa.Column("group_id", sa.Text(), nullable=True))
    op.add_column("notices", sa.Column("link_used_ms", sa.BigInteger(), nullable=True))
    op.add_column("notices", sa.Column("link_used_by", sa.Text(), nullable=True))
    op.create_index("ix_notices_group_id", "notices", ["group_id"])
    op.create_index("ix_notices_created_ms", "notices", ["created_ms"])
    # An id is its group, a dash and the place of the address.
    op.execute("UPDATE notices SET group_id = substr(id, 1, length(id) - length('-' || address_index))")
    op.execute(
        "INSERT INTO tellings (partition, change_number, route, alarm_number, site, wanted, wanted_ms, due_ms, state,"
        " group_id) SELECT partition, change_number, route, alarm_number, site, '{}', created_ms, created_ms, 'told',"
        " group_id FROM notices WHERE alarm_number > 0 AND address_index = 0"
    )

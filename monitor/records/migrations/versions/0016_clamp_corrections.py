"""An entry of a service record may correct a logger's clamps: one more kind.

Revision ID: 0016
"""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"

KINDS = (
    "kind IN ('check', 'hand reading', 're-pitch', 'lead rotation', 'clamp correction', 'note', 'withdraw')"
)  # fmt: skip
COLUMNS = "number, point_id, kind, done_ms, entered_ms, by, body, withdraws, action, found, waits"


def upgrade() -> None:
    if op.get_bind().dialect.name != "sqlite":
        op.drop_constraint(op.f("ck_service_records_kind"), "service_records", type_="check")
        op.create_check_constraint(op.f("ck_service_records_kind"), "service_records", KINDS)
        return
    # SQLite cannot change what a table demands: the rows go into a new one of the same name, numbers and all.
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "service_records_with_clamps",
        sa.Column("number", counter, nullable=False),
        sa.Column("point_id", counter, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("done_ms", sa.BigInteger(), nullable=False),
        sa.Column("entered_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("withdraws", sa.BigInteger(), nullable=True),
        sa.Column("action", sa.BigInteger(), nullable=True),
        sa.Column("found", sa.Text(), nullable=False),
        sa.Column("waits", sa.Boolean(), nullable=False),
        sa.CheckConstraint(KINDS, name=op.f("ck_service_records_kind")),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name=op.f("fk_service_records_point_id")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_service_records")),
        sqlite_autoincrement=True,
    )
    op.execute(
        f"INSERT INTO service_records_with_clamps ({_quoted(COLUMNS)}) SELECT {_quoted(COLUMNS)} FROM service_records"
    )
    op.drop_table("service_records")
    op.rename_table("service_records_with_clamps", "service_records")
    op.create_index(op.f("ix_service_records_point_id_done_ms"), "service_records", ["point_id", "done_ms"])
    op.create_index(op.f("ix_service_records_withdraws"), "service_records", ["withdraws"])


def _quoted(columns: str) -> str:
    """`by` is a word of the language."""
    return ", ".join(f'"{name}"' for name in columns.split(", "))

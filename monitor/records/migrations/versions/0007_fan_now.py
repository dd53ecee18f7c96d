"""How fans stand in whole numbers of small steps: a third of the bytes, written with every commit.

Revision ID: 0007
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"

_STEPS = {
    **dict.fromkeys(("l1", "l2", "l3", "limit_amps"), 1000),
    **dict.fromkeys(("v12", "v23", "v31", "ambient_c"), 100),
    **dict.fromkeys(("load_ratio", "unbalance", "derating", "motor_heat", "device_heat"), 10_000),
    "seconds_to_trip": 10,
}
_LEGS = ("l1", "l2", "l3", "v12", "v23", "v31", "ambient_c", "limit_amps", "load_ratio", "unbalance", "derating")
_KEPT = ("point_id", "seq", "t_ms", "heard_ms", "running", "since_ms", "flags", "heat_assumed_ms")
_GREATEST = 2**31 - 1


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "fan_now_narrow",
        sa.Column("point_id", counter, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("heard_ms", sa.BigInteger(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=True) for name in _LEGS),
        sa.Column("running", sa.Boolean(), nullable=True),
        sa.Column("since_ms", sa.BigInteger(), nullable=True),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=True) for name in ("motor_heat", "device_heat", "seconds_to_trip")),
        sa.Column("heat_assumed_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["point_id"], ["points.id"], name="fk_fan_now_narrow_point_id"),
        sa.PrimaryKeyConstraint("point_id", name="pk_fan_now_narrow"),
    )
    figures = ", ".join(
        f"CASE WHEN {name} * {steps} >= {_GREATEST} THEN {_GREATEST} ELSE CAST(ROUND({name} * {steps}) AS INTEGER) END"
        for name, steps in _STEPS.items()
    )
    kept = ", ".join(_KEPT)
    op.execute(f"INSERT INTO fan_now_narrow ({kept}, {', '.join(_STEPS)}) SELECT {kept}, {figures} FROM fan_now")
    op.drop_table("fan_now")
    op.rename_table("fan_now_narrow", "fan_now")

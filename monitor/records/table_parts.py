"""What tables are made of: columns that many of them have, and how they are named."""

from __future__ import annotations

import math

from sqlalchemy import BigInteger, Column, Double, ForeignKey, Integer, MetaData, SmallInteger, TypeDecorator
from sqlalchemy.engine import Dialect

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# SQLite counts up by itself only in a column declared INTEGER; elsewhere a counter has 64 bits by its type.
Counter = BigInteger().with_variant(Integer, "sqlite")


def point(*, primary_key: bool = False) -> Column[int]:
    """The point that a row is of."""
    return Column("point_id", Counter, ForeignKey("points.id"), nullable=False, primary_key=primary_key)


def partition() -> Column[int]:
    """The part of the sites that a row belongs to; first in its key."""
    return Column("partition", SmallInteger, primary_key=True, autoincrement=False)


def number(name: str = "number") -> Column[int]:
    """A running number, given out by the worker; in the key beside the partition."""
    return Column(name, BigInteger, primary_key=True, autoincrement=False)


def ms(name: str, *, nullable: bool = False) -> Column[int]:
    """A time [ms since 1970, UTC]."""
    return Column(name, BigInteger, nullable=nullable)


class Scaled(TypeDecorator[float]):
    """A figure kept as a whole number of small steps: two or three bytes where a double takes eight.

    For figures that are shown and never worked with again. Infinity is kept as the greatest number.
    """

    impl = Integer
    cache_ok = True

    def __init__(self, steps: int) -> None:
        """
        Parameters
        ----------
        steps : so many to one
        """
        super().__init__()
        self.steps = steps

    def process_bind_param(self, value: float | None, dialect: Dialect) -> int | None:
        if value is None:
            return None
        return round(max(-_GREATEST, min(value * self.steps, _GREATEST)))

    def process_result_value(self, value: int | None, dialect: Dialect) -> float | None:
        if value is None:
            return None
        return math.inf if value == _GREATEST else value / self.steps


_GREATEST = 2**31 - 1


def scaled(steps: int, *names: str) -> list[Column[float]]:
    """Figures that are shown only, in whole steps of which so many make one."""
    return [Column(name, Scaled(steps)) for name in names]


def doubles(*names: str) -> list[Column[float]]:
    """Measured or worked out, NULL where not known."""
    return [Column(name, Double) for name in names]

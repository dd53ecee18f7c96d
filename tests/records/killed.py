"""The process ends at a statement of the database: what is left must be as if nothing had begun."""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa

from monitor.records.database import Database


class Killed(Exception):
    """Stands for the end of the process."""


def done_before(
    statement: int, database: Database, work: Callable[[], object], when: str = "after_cursor_execute"
) -> bool:
    """Does the work and ends it at a statement, counted from 0; whether it was done before it came to that.

    when : at which event of the engine; before a statement or after it
    """
    left = statement

    def kill(*_: object) -> None:
        nonlocal left
        left -= 1
        if left < 0:
            raise Killed

    sa.event.listen(database.engine, when, kill)
    try:
        work()
    except Killed:
        return False
    finally:
        sa.event.remove(database.engine, when, kill)
    return True

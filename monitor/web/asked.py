"""What operators ask for: stored as action rows, which the owner of the watch carries out; never a call."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from starlette.concurrency import run_in_threadpool

from monitor.records import actions, look
from monitor.records.database import Database
from monitor.records.scope import Sites
from monitor.web.problems import Problem, not_found

AT_THIS_COMPUTER = "at this computer"
"""Who did it, as long as there are no accounts and no name was given."""
DONE = "done"
WAIT_SECONDS = 1.5
"""An answer waits so long for the worker, which usually carries an action out within a quarter of a second."""
_NAME_LETTERS = 60
_WHY_LETTERS = 300


def clean(text: str | None, most: int) -> str:
    """What a person typed, as it may be stored: printable, one line, not longer than `most` letters.

    >>> clean("  Ann\\x00 \\ud800of the\\ndesk ", 60)
    'Ann of the desk'
    """
    printable = "".join(letter if letter.isprintable() else " " for letter in text or "")
    return " ".join(printable.split())[:most]


def who(name: str | None) -> str:
    """The operator's name, or where it was done."""
    return clean(name, _NAME_LETTERS) or AT_THIS_COMPUTER


def why(text: str | None) -> str:
    """A reason, in the operator's own words."""
    return clean(text, _WHY_LETTERS)


def waiting(database: Database) -> frozenset[int]:
    """Numbers of the alarms for which an acknowledgement waits to be carried out."""
    return frozenset(one.body["alarm"] for one in actions.undone(database) if one.kind == "acknowledge")


async def acknowledge(database: Database, sites: Sites, number: int, by: str, now: datetime) -> str:
    """Asks for an alarm to be acknowledged and waits a moment for it.

    Returns
    -------
    "done", "nothing to acknowledge" or "" while the worker has not come to it

    Raises
    ------
    Problem : 404, the reader has no such alarm; 409, the worker refused, in its words
    """
    alarm = await run_in_threadpool(look.alarm, database, sites, number)
    if alarm is None:
        raise not_found(f"There is no alarm {number}.")
    if not alarm["state"].endswith("UNACKNOWLEDGED"):
        return "nothing to acknowledge"
    return await _put(database, "acknowledge", alarm["site"], {"alarm": number}, by, now)


async def planned_stop(
    database: Database, sites: Sites, site: str, fan: str, until: datetime | None, reason: str, by: str, now: datetime
) -> str:
    """Announces that a fan will stand still until a time; None takes the announcement back. Returns as `acknowledge`.

    Raises
    ------
    Problem : 404, the reader has no such fan; 409, the worker refused, in its words
    """
    if await run_in_threadpool(look.fan, database, sites, site, fan) is None:
        raise not_found(f"There is no fan {fan} at {site}.")
    if until is None:
        return await _put(database, "withdraw-planned-stop", site, {"fan": fan}, by, now)
    body = {"fan": fan, "until": until.isoformat(), "why": reason}
    return await _put(database, "planned-stop", site, body, by, now)


async def _put(database: Database, kind: str, site: str, body: Mapping[str, Any], by: str, now: datetime) -> str:
    number = await run_in_threadpool(actions.put, database, kind, site, body, by, now)
    until = time.monotonic() + WAIT_SECONDS
    while time.monotonic() < until:
        await asyncio.sleep(0.05)
        asked = await run_in_threadpool(actions.outcome, database, number)
        if asked is not None and asked.outcome is not None:
            if asked.outcome != DONE:
                raise Problem(409, f"This was not carried out: {asked.outcome}.")
            return DONE
    return ""

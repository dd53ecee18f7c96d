"""What operators ask for: stored as action rows, which the owner of the watch carries out; never a call."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from starlette.concurrency import run_in_threadpool

from monitor.errors import ConfigError
from monitor.records import actions, look, register, service_entry, service_record
from monitor.records.accounts import key_of
from monitor.records.actions import DONE, clean
from monitor.records.database import Database
from monitor.records.nights import TONIGHT
from monitor.records.scope import Sites, allows
from monitor.web.problems import Problem, not_found
from monitor.web.reader import current

AT_THIS_COMPUTER = "at this computer"
"""Who did it, as long as there are no accounts and no name was given."""
WAIT_SECONDS = 1.5
"""An answer waits so long for the worker, which usually carries an action out within a quarter of a second."""
NAME_LETTERS = 60
_WHY_LETTERS = 300


def who(name: str | None, otherwise: str = AT_THIS_COMPUTER) -> str:
    """Who does it: the account, with a given name behind it; without accounts the name, or where it was done.

    The account stands first, whatever is given: nobody acts under the name of another. Many may share one account.
    """
    given, account = clean(name, NAME_LETTERS), current().name
    if not account:
        return given or otherwise
    return f"{account} (for {given})" if given and key_of(given) != key_of(account) else account


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
    database: Database, sites: Sites, site: str, fan: str, until: datetime | None, reason: str, by: str, now: datetime,
    *, begins: datetime | None = None,
) -> str:  # fmt: skip
    """Announces that a fan will stand still until a time, from now or from a later time on; None takes back what was
    announced. Returns as `acknowledge`.

    Raises
    ------
    Problem : 404, the reader has no such fan; 409, the worker refused, in its words
    """
    if await run_in_threadpool(look.fan, database, sites, site, fan) is None:
        raise not_found(f"There is no fan {fan} at {site}.")
    if until is None:
        return await _put(database, "withdraw-planned-stop", site, {"fan": fan}, by, now)
    body = {"fan": fan, "until": until.isoformat(), "why": reason}
    if begins is not None:
        body["from"] = begins.isoformat()
    return await _put(database, "planned-stop", site, body, by, now)


async def shelve(
    database: Database, sites: Sites, number: int, until: datetime | None, reason: str, by: str, now: datetime
) -> str:
    """Asks for an alarm to be shelved until a time; None takes it off the shelf. Returns as `acknowledge`.

    Raises
    ------
    Problem : 404, the reader has no such alarm; 409, the worker refused, in its words
    """
    alarm = await run_in_threadpool(look.alarm, database, sites, number)
    if alarm is None:
        raise not_found(f"There is no alarm {number}.")
    if until is None:
        return await _put(database, "unshelve", alarm["site"], {"alarm": number}, by, now)
    body = {"alarm": number, "until": until.isoformat(), "why": reason}
    return await _put(database, "shelve", alarm["site"], body, by, now)


async def out_of_service(
    database: Database, sites: Sites, site: str, fan: str | None, until: datetime | None, reason: str, by: str,
    now: datetime,
) -> str:  # fmt: skip
    """Takes a fan, or with None a whole site, out of service; without `until` for as long as nobody returns it.
    Returns as `acknowledge`.

    Raises
    ------
    Problem : 404, the reader has no such fan or site; 409, the worker refused, in its words
    """
    await run_in_threadpool(_there_is, database, sites, site, fan)
    body = {"fan": fan, "until": None if until is None else until.isoformat(), "why": reason}
    return await _put(database, "out-of-service", site, body, by, now)


async def return_to_service(
    database: Database, sites: Sites, site: str, fan: str | None, by: str, now: datetime
) -> str:  # fmt: skip
    """Returns what was taken out of service. Returns as `acknowledge`.

    Raises
    ------
    Problem : as `out_of_service`
    """
    await run_in_threadpool(_there_is, database, sites, site, fan)
    return await _put(database, "return-to-service", site, {"fan": fan}, by, now)


def _there_is(database: Database, sites: Sites, site: str, fan: str | None) -> None:
    if fan is not None:
        if not look.has_fan(database, sites, site, fan):
            raise not_found(f"There is no fan {fan} at {site}.")
    elif not register.sites(database, [site] if allows(sites, site) else []):
        raise not_found(f"There is no site {site}.")


async def service(
    database: Database, sites: Sites, site: str, fan: str, entry: object, by: str | None, now: datetime
) -> tuple[str, int | None]:
    """Asks for an entry in a fan's service record and waits a moment for it.

    Returns
    -------
    "done" or "" while the worker has not come to it; the number of the entry, None while there is none

    Raises
    ------
    ConfigError : the entry has faults, told all at once
    Problem : 404, the reader has no such fan; 409, the worker refused, in its words
    """
    found = await run_in_threadpool(_fan_of, database, sites, site, fan)
    if found is None:
        raise not_found(f"There is no fan {fan} at {site}.")
    point_id, phases = found
    entered = service_entry.read_entry(entry, phases=phases, now=now)
    faults, _ = await run_in_threadpool(service_entry.against_the_record, database, point_id, entered)
    if faults:
        raise ConfigError("the service record or the register speaks against this entry:", faults)
    body = {"fan": fan, "entry": {"kind": entered.kind, "done": entered.done.isoformat(), **entered.body}}
    number, outcome = await ask(database, "service", site, body, who(by or entered.by), now)
    if outcome != DONE:
        return outcome, None
    return outcome, await run_in_threadpool(service_record.number_of_action, database, number)


def _fan_of(database: Database, sites: Sites, site: str, fan: str) -> tuple[int, int] | None:
    """Point and phases of a fan of the reader's."""
    with database.read() as connection:
        found = register.find_fan(connection, sites, site, fan)
    return None if found is None else (found[0].point_id, found[1].nameplate.motor.phases)


async def tonight(database: Database, sites: Sites, site: str, low_c: float | None, by: str, now: datetime) -> str:
    """Enters tonight's low for a site; None takes one back. Returns as `acknowledge`.

    Raises
    ------
    Problem : 404, the reader has no such site; 409, the worker refused, in its words
    """
    if not await run_in_threadpool(register.sites, database, [site] if allows(sites, site) else []):
        raise not_found(f"There is no site {site}.")
    return await _put(database, TONIGHT, site, {"low_c": low_c}, by, now)


async def _put(database: Database, kind: str, site: str, body: Mapping[str, Any], by: str, now: datetime) -> str:
    return (await ask(database, kind, site, body, by, now))[1]


async def ask(
    database: Database, kind: str, site: str, body: Mapping[str, Any], by: str, now: datetime
) -> tuple[int, str]:
    """The action's number, and "done" or "" while the worker has not come to it."""
    number = await run_in_threadpool(actions.put, database, kind, site, body, by, now)
    outcome = await wait_for(database, number)
    if outcome not in (DONE, ""):
        raise Problem(409, f"This was not carried out: {outcome}.")
    return number, outcome


async def wait_for(database: Database, number: int) -> str:
    """What the worker said of an action, waiting a moment for it; "" while it has not come to it."""
    until = time.monotonic() + WAIT_SECONDS
    while time.monotonic() < until:
        await asyncio.sleep(0.05)
        asked = await run_in_threadpool(actions.outcome, database, number)
        if asked is not None and asked.outcome is not None:
            return asked.outcome
    return ""

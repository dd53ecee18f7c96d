"""Notices as the service writes them, and a real worker that carries out what is asked for."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from monitor.alarms.alarm import Alarm
from monitor.alarms.notice import Notice, group_of, group_of_alarm, notice_id
from monitor.links.inbox import Inbox, Message
from monitor.records import acknowledge_links, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.rows import to_ms
from monitor.records.start import load
from monitor.service.worker import Worker
from tests.web.farm import Farm

PUBLIC = "https://farm.example"


def tell(
    farm: Farm, *alarms: Alarm, route: str = "farm", addresses: int = 1, at: datetime | None = None,
    link: bytes | None = None, rings: bool = True,
) -> list[Notice]:  # fmt: skip
    """The notices by which a route is told of alarms, one an address, and the tellings behind them.

    Parameters
    ----------
    link : key of the links in them; None: without
    """
    made = at or farm.now
    first = alarms[0]
    change = farm.change_number  # of its own, so that an alarm can be told again
    farm.change_number += len(alarms)
    group = group_of_alarm(0, first.number, change, route)
    notices = []
    for index in range(addresses):
        name = notice_id(group, index)
        short = "; ".join(alarm.text for alarm in alarms)
        if link is not None:
            short += f" To acknowledge: {acknowledge_links.link_for(PUBLIC, name, link)}"
        notices.append(
            Notice(
                name,
                first.site,
                first.number,
                change,
                route,
                index,
                "raised" if len(alarms) == 1 else "several",
                first.priority,
                rings,
                first.text,
                short,
                f"{short}\n\nWhat to do first: look.\n",
                {},
                made,
            )
        )
    commit(farm.database, Batch(notices=notices))
    rows = [
        {"partition": 0, "change_number": change + place, "route": route, "alarm_number": alarm.number,
         "site": alarm.site, "wanted": "{}", "wanted_ms": to_ms(made), "due_ms": to_ms(made), "state": "told",
         "group_id": group}
        for place, alarm in enumerate(alarms)
    ]  # fmt: skip
    with farm.database.begin() as connection:
        connection.execute(sa.insert(tables.tellings), rows)
    return notices


def of_the_service(farm: Farm, kind: str = "all-is-well", route: str = "farm", site: str = "") -> Notice:
    """A notice of no alarm."""
    name = notice_id(group_of(0, kind, "1", route), 0)
    notice = Notice(name, site, 0, 0, route, 0, kind, "low", False, "All is well", "All is well.", "All is well.\n", {},
                    farm.now)  # fmt: skip
    commit(farm.database, Batch(notices=[notice]))
    return notice


class NoBroker:
    """A broker from which nothing comes."""

    def __init__(self) -> None:
        self.inbox = Inbox()
        self.generation = 0
        self.connected = True

    def ack(self, messages: Sequence[Message]) -> None:
        assert not messages

    def publish_state(self, topic_tail: str, payload: bytes, retain: bool = True) -> None:
        pass


@contextlib.contextmanager
def worker_at_work(database: Database, now: datetime, routes: Any = (), **more: Any) -> Iterator[Worker]:
    """A real worker over what is stored, in a thread; its wall clock stands at `now`."""
    worker = Worker(database, load(database), NoBroker(), routes, clock=lambda: now.timestamp() * 1000.0, **more)
    worker._ticked_at = time.monotonic() + 3600.0  # no tick: the invented alarms have no readings behind them
    over, failures = threading.Event(), list[BaseException]()

    def work() -> None:
        try:
            while not over.wait(0.02):
                worker.round()
            worker.store()
        except BaseException as exc:
            failures.append(exc)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield worker
    finally:
        over.set()
        thread.join(10)
    assert failures == []

"""The part of the worker that keeps the service record and job sheets, for tests of pages and API."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator

import pytest

from monitor.records.actions import undone
from monitor.records.commit import commit
from monitor.records.database import Database
from monitor.records.rows import Done, to_ms
from monitor.records.start import load
from monitor.service.beginning import plant_from
from monitor.service.jobs import KINDS, Jobs
from monitor.service.pending import Pending
from monitor.service.service_book import ServiceBook
from monitor.web import asked, record_page
from tests.servers import PATIENCE_SECONDS
from tests.web.farm import Farm


@contextlib.contextmanager
def keeping_the_record(database: Database, farm: Farm, *, looks_again: bool = False) -> Iterator[None]:
    """Takes entries as the worker does, in the background.

    Parameters
    ----------
    looks_again : also puts the logger beside hand readings and works out re-pitches
    """
    over = threading.Event()

    def work() -> None:
        pending = Pending()
        while not over.wait(0.02):
            asked_for = list(undone(database))  # before the register is read, which holds their fans
            plant = plant_from(load(database))
            book = ServiceBook(
                database, plant, pending, now=lambda: farm.now, steady=lambda: 0.0, since_ms=to_ms(farm.now)
            )
            jobs = Jobs(database, plant, pending, lambda: farm.now)
            for _ in range(4 if looks_again else 0):  # one entry at a time
                book.look_again()
            for action in asked_for:
                outcome = (jobs if action.kind in KINDS else book).carry_out(action)
                if outcome is not None:
                    pending.actions_done.append(Done(action.number, to_ms(farm.now), outcome))
            if not pending.empty:
                with farm.lock:
                    commit(database, pending.emptied().batch())

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        # It is carried out while the answer is waited for, however much else the machine does.
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(asked, "WAIT_SECONDS", PATIENCE_SECONDS)
            patch.setattr(record_page, "COMPARE_SECONDS", PATIENCE_SECONDS)
            yield
    finally:
        over.set()
        thread.join(PATIENCE_SECONDS)

"""From a reading over the limit to the acknowledged alarm, by the link in the text of the notice."""

from __future__ import annotations

import re
import threading
from typing import Any

import httpx
import pytest

from monitor.errors import LinkError
from monitor.records import acknowledge_links, tables
from monitor.service import worker as worker_module
from monitor.web.app import create_app
from monitor.web.server import WebServer

PUBLIC = "https://farm.example"


@pytest.fixture
def linked(bench: Any) -> Any:
    """A bench whose notices hold links."""
    bench.register("north")
    key = acknowledge_links.key(bench.database)
    bench.link_keys = {
        "acknowledge_link": lambda notice_id: acknowledge_links.link_for(PUBLIC, notice_id, key)
    }  # fmt: skip
    bench.key = key
    bench.begin(**bench.link_keys).round()
    return bench


def link(bench: Any) -> str:
    """As it stands in the newest short text."""
    text = bench.rows(tables.notices, "created_ms")[-1]["short"]
    (found,) = re.findall(r"https://farm\.example(/a/\S+)", text)
    assert len(text) <= 300
    return str(found)


def tap(bench: Any, path: str) -> httpx.Response:
    """Confirms in a thread while the worker goes round here."""
    app = create_app(bench.database, now=lambda: bench.wall, public_url=PUBLIC, link_key=bench.key)
    server = WebServer(app, "127.0.0.1", 0)
    server.start()
    answers: list[httpx.Response] = []

    def post() -> None:
        answers.append(
            httpx.post(
                server.address + path, data={"by": "Ann"}, headers={"host": "farm.example"}, timeout=30, trust_env=False
            )
        )

    try:
        thread = threading.Thread(target=post)
        thread.start()
        while thread.is_alive():
            thread.join(0.02)
            bench.pass_time(0.3, 0.3)
    finally:
        server.stop()
    return answers[0]


def test_the_link_in_the_text_acknowledges_and_ends_the_telling(linked: Any) -> None:
    linked.send("north", 0, 160, 11.0)
    assert tap(linked, link(linked)).status_code == 303
    (alarm,) = linked.raised("overload")
    assert (alarm["state"], alarm["acknowledged_by"]) == ("ACKNOWLEDGED", "Ann, by link to farm")
    assert [change[3] for change in linked.changes()] == ["raised", "acknowledged"]
    (notice,) = linked.rows(tables.notices)
    assert notice["link_used_by"] == "Ann, by link to farm"
    assert notice["link_used_ms"] == alarm["acknowledged_ms"]
    assert tap(linked, link(linked)).status_code == 409
    linked.send("north", 170, 320, 5.0)
    assert linked.changes()[-1][3] == "returned"


def test_alarm_and_link_are_stored_together_or_not_at_all(linked: Any, monkeypatch: Any) -> None:
    linked.send("north", 0, 160, 11.0)
    (notice,) = linked.rows(tables.notices)
    number = linked.act(acknowledge_links.KIND, notice=notice["id"])
    commit = worker_module.commit

    def refuse(*_: Any) -> None:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    linked.pass_time(1.0, 0.5)  # it is worked out, and cannot be stored
    monkeypatch.setattr(worker_module, "commit", commit)
    assert linked.raised("overload")[0]["state"] == "UNACKNOWLEDGED"
    linked.begin(**linked.link_keys).round()  # killed, started again
    assert linked.rows(tables.notices)[0]["link_used_ms"] is None and linked.outcome(number) is None
    linked.pass_time(2.0, 0.5)
    assert linked.outcome(number) == "done"
    assert linked.rows(tables.notices)[0]["link_used_by"] == "someone"
    assert linked.raised("overload")[0]["state"] == "ACKNOWLEDGED"


def test_without_a_public_address_no_text_holds_a_link(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 160, 11.0)
    (notice,) = bench.rows(tables.notices)
    assert "/a/" not in notice["short"] + notice["long"]

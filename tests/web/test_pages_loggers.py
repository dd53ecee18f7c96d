"""The Loggers page without a browser."""

from __future__ import annotations

import httpx
import pytest

from monitor.records.database import Database
from monitor.web import pages
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.conftest import NOW
from tests.web.farm import Farm, whole
from tests.web.page import page


def test_loggers_tell_health_rejected_and_newcomers(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/loggers").text
    for words in (
        "Its site is not in the register. Add it, or have the logger send to one that is: hill, meadow.",
        "It cannot be taken on under this name",
        "overdue", "every 10 s", "not JSON: 17 from meadow/north-3, last 20:46 CDT", "amps=12.2;",
        "topics that name no fan",
        "came in just now",
    ):  # fmt: skip
        assert words in said, words


def test_of_many_loggers_those_that_somebody_must_see_to_come_first(
    farm: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "LOGGERS_AT_ONCE", 2)
    whole(farm)
    first, last = page(client, "/loggers").text, page(client, "/loggers?part=4").text
    assert "1 overdue, 1 not heard yet, 5 heard." in first
    assert "Loggers 1 to 2 of 7, what somebody must see to first." in first
    said = first[first.index("Logger of") :]
    assert said.index("south-3") < said.index("west-1") and "north-4" not in said
    assert "Loggers 7 to 7 of 7" in last and "Part 4 of 4" in last
    assert client.get("/loggers?part=9").headers["location"] == "/loggers?part=4"


def test_loggers_tell_that_no_reading_can_come_in(database: Database) -> None:
    said = {"broker": "no broker answers at 127.0.0.1:1883: Connection refused", "broker_connected": False}
    running = WebServer(create_app(database, now=lambda: NOW, health=lambda: said), "127.0.0.1", 0)
    running.start()
    try:
        with httpx.Client(base_url=running.address, trust_env=False) as client:
            told = "No reading can come in. No broker answers at 127.0.0.1:1883: Connection refused."
            assert told in page(client, "/loggers").text
            said["broker_connected"] = True
            assert "No reading can come in" not in page(client, "/loggers").text
    finally:
        running.stop()

"""The live stream over a real server: what is committed appears, once, and the stream ends when the service does."""

from __future__ import annotations

import asyncio
import json
import queue
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta
from http.client import HTTPConnection, HTTPException
from typing import Any
from urllib.parse import quote

import fastapi.routing
import httpx
import pytest

from monitor.errors import LinkError
from monitor.records import look
from monitor.records.database import Database
from monitor.web import live
from monitor.web.app import create_app
from monitor.web.reader import at_this_computer
from monitor.web.server import WebServer
from tests.servers import until
from tests.web.conftest import NOW
from tests.web.farm import Farm, whole


class Stream:
    """Reads a stream in a thread; events come out of a queue."""

    def __init__(self, address: str, path: str = "/api/v1/live", **headers: str) -> None:
        self.events: queue.Queue[tuple[str, str, Any]] = queue.Queue()
        self.comments = 0
        self.ended = threading.Event()
        self._connection = HTTPConnection(address.removeprefix("http://"), timeout=30)
        self._connection.request("GET", quote(path, safe="/?=&%-"), headers=headers)
        self._socket = self._connection.sock
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        fields: dict[str, str] = {}
        try:
            answer = self._connection.getresponse()
            assert str(answer.getheader("content-type")).startswith("text/event-stream")
            while line := answer.readline().decode():
                name, _, value = line.rstrip("\n").partition(": ")
                if line.startswith(":"):
                    self.comments += 1
                elif name:
                    fields[name] = value
                elif fields:
                    self.events.put((fields.get("event", ""), fields.get("id", ""), json.loads(fields["data"])))
                    fields = {}
        except (OSError, HTTPException):
            pass
        finally:
            self._connection.close()
            self.ended.set()

    def next(self, within: float = 5.0) -> tuple[str, str, Any]:
        return self.events.get(timeout=within)

    def close(self) -> None:
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)  # wakes the reading thread
        self._thread.join(5)


@contextmanager
def stream(server: WebServer, path: str = "/api/v1/live", **headers: str) -> Iterator[Stream]:
    opened = Stream(server.address, path, **headers)
    assert opened.next()[0] == "open"
    try:
        yield opened
    finally:
        opened.close()


def test_a_commit_appears_within_a_second(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with stream(server) as listening:
        farm.now += timedelta(seconds=10)
        began = time.monotonic()
        farm.reading("north-3", (16.1, 15.0, 14.6))
        kind, _, fan = listening.next()
        assert time.monotonic() - began < 1.0
        assert (kind, fan["fan"], fan["highest_leg_amps"]) == ("fan", "north-3", 16.1)
        assert fan["shown"]["load"] == "106 %"
        assert fan["shown"]["tone"] == "over"
        assert fan["time"] == "2026-10-04T01:46:10Z"


def test_only_what_changed_is_sent_and_only_once(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with stream(server) as listening:
        farm.reading("south-1", (30.0,), ())
        assert listening.next()[2]["fan"] == "south-1"
        with pytest.raises(queue.Empty):
            listening.next(within=1.3)


def test_of_one_site_only_what_is_its(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with stream(server, "/api/v1/live?site=hill") as listening:
        farm.reading("north-3")
        farm.reading("barn", site="hill")
        assert listening.next()[2]["fan"] == "barn"
        with pytest.raises(queue.Empty):
            listening.next(within=0.8)


def test_of_one_fan_only_what_is_its(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with stream(server, "/api/v1/live?site=meadow&fan=north-4") as listening:
        farm.reading("north-3")
        farm.reading("north-4")
        assert listening.next()[2]["fan"] == "north-4"
        with pytest.raises(queue.Empty):
            listening.next(within=0.8)


def test_too_many_listeners_are_told_to_come_again(server: WebServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "MOST_LISTENERS", 1)
    with stream(server):
        answer = httpx.get(f"{server.address}/api/v1/live", trust_env=False)
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "60")


def test_an_acknowledgement_is_told_with_the_fan_it_is_about(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with stream(server) as listening, farm.at_work():
        httpx.post(f"{server.address}/api/v1/alarms/1/acknowledge", trust_env=False)
        events = {kind: body for kind, _, body in (listening.next(), listening.next())}
    assert events["alarm"]["state"] == "ACKNOWLEDGED"
    assert events["fan"]["alarms"][0]["state"] == "ACKNOWLEDGED"


@pytest.mark.parametrize("by_header", [True, False])
def test_a_browser_that_was_away_gets_what_it_missed(farm: Farm, server: WebServer, by_header: bool) -> None:
    whole(farm)
    with stream(server) as listening:
        farm.reading("north-3")
        mark = listening.next()[1]
    assert mark
    farm.reading("north-4", (12.0, 12.0, 12.0))
    path, headers = ("/api/v1/live", {"last-event-id": mark}) if by_header else (f"/api/v1/live?after={mark}", {})
    with stream(server, path, **headers) as listening:
        assert listening.next()[2]["fan"] == "north-4"


@pytest.mark.parametrize("mark", ["x", "1", "1-2-3", "99999999-99999999", "-", "1-٣"])
def test_a_mark_that_is_none_does_no_harm(farm: Farm, server: WebServer, mark: str) -> None:
    whole(farm)
    with stream(server, f"/api/v1/live?after={mark}") as listening:
        farm.reading("north-3")
        names = {listening.next()[2].get("fan")}
        while not listening.events.empty():
            names.add(listening.next()[2].get("fan"))
        assert "north-3" in names


def test_the_database_is_asked_once_for_all_who_listen(
    farm: Farm, server: WebServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole(farm)
    asked = 0
    changed_after = look.changed_after

    def counted(*given: Any) -> Any:
        nonlocal asked
        asked += 1
        return changed_after(*given)

    monkeypatch.setattr(look, "changed_after", counted)
    listening = [Stream(server.address) for _ in range(10)]
    for one in listening:
        assert one.next()[0] == "open"
    asked = 0
    farm.reading("north-3")
    for one in listening:
        assert one.next()[2]["fan"] == "north-3"
    assert asked == 1
    for one in listening:
        one.close()


def test_a_busy_database_only_delays_news(farm: Farm, server: WebServer, monkeypatch: pytest.MonkeyPatch) -> None:
    whole(farm)
    changed_after = look.changed_after
    refusals = 2

    def refusing(*given: Any) -> Any:
        nonlocal refusals
        refusals -= 1
        if refusals >= 0:
            raise LinkError("the database is busy.")
        return changed_after(*given)

    with stream(server) as listening:
        monkeypatch.setattr(look, "changed_after", refusing)
        farm.reading("north-3")
        assert listening.next()[2]["fan"] == "north-3"
        assert refusals < 0


def test_a_silent_stream_is_kept_open_by_comments(
    farm: Farm, server: WebServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fastapi.routing, "_PING_INTERVAL", 0.1)
    with stream(server) as listening:
        until(lambda: listening.comments >= 2, 5, "a comment")


def test_the_comment_comes_at_least_every_fifteen_seconds() -> None:
    assert fastapi.routing._PING_INTERVAL <= 15


def test_streams_end_and_the_server_with_them(database: Database) -> None:
    running = WebServer(create_app(database, now=lambda: NOW), "127.0.0.1", 0)
    running.start()
    listening = Stream(running.address)
    assert listening.next()[0] == "open"
    began = time.monotonic()
    running.stop()
    assert time.monotonic() - began < 2.0
    assert not running.alive
    assert listening.ended.wait(2)
    listening.close()


def test_starting_and_stopping_leaves_no_thread(database: Database) -> None:
    before = set(threading.enumerate())
    for _ in range(5):
        running = WebServer(create_app(database, now=lambda: NOW), "127.0.0.1", 0)
        running.start()
        assert httpx.get(f"{running.address}/healthz", trust_env=False).status_code == 200
        running.stop()
    until(
        lambda: not [one for one in set(threading.enumerate()) - before if one.name == "web"], 5, "the end of threads"
    )


def test_an_address_in_use_is_told_with_what_to_do(server: WebServer, database: Database) -> None:
    from monitor.errors import ConfigError

    with pytest.raises(ConfigError, match=r"web\.listen"):
        WebServer(create_app(database, now=lambda: NOW), "127.0.0.1", server.port)


def test_the_newest_of_each_fan_waits_for_a_slow_browser() -> None:
    listener = live._Listener(at_this_computer())
    listener.take(live.News((1, 0), (("fan", "meadow", "a", {"n": 1}), ("fan", "meadow", "b", {"n": 1}))))
    listener.take(live.News((2, 0), (("fan", "meadow", "a", {"n": 2}),)))
    listener.take(live.News((1, 5), (("fan", "meadow", "b", {"n": 0}),)), newest=False)
    assert [(key, body["n"]) for (_, _, key), body in listener.waiting.items()] == [("b", 1), ("a", 2)]
    assert listener.mark == (2, 5)


def test_what_the_first_look_finds_does_not_hide_what_is_newer() -> None:
    def slow(mark: live.Mark | None) -> live.News:
        (listener,) = told._listeners
        listener.take(live.News((7, 0), (("fan", "meadow", "a", {"n": "newer"}),)))  # the poller was quicker
        return live.News((6, 0), (("fan", "meadow", "a", {"n": "older"}),))

    async def first_two() -> list[Any]:
        stream = told.stream(None, at_this_computer())
        events = [await anext(stream), await anext(stream)]
        told.stop()
        await stream.aclose()  # type: ignore[attr-defined]
        return events

    told = live.Live(slow)
    opened, news = asyncio.run(first_two())
    assert opened.id == "7-0"
    assert news.data == {"n": "newer"}

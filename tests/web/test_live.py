"""The live stream over a real server: what is committed appears, once, and the stream ends when the service does."""

from __future__ import annotations

import asyncio
import json
import queue
import socket
import threading
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
from tests.servers import PATIENCE_SECONDS, until
from tests.web.conftest import NOW
from tests.web.farm import Farm, whole
from tests.web.page import Page


class Stream:
    """Reads a stream in a thread; events come out of a queue."""

    def __init__(self, address: str, path: str = "/api/v1/live", **headers: str) -> None:
        self.events: queue.Queue[tuple[str, str, Any]] = queue.Queue()
        self.comments = 0
        self.ended = threading.Event()
        self._connection = HTTPConnection(address.removeprefix("http://"), timeout=PATIENCE_SECONDS)
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

    def next(self, within: float = PATIENCE_SECONDS) -> tuple[str, str, Any]:
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
    assert live.POLL_SECONDS <= 0.5  # so often is looked, of which the rest is no wait
    whole(farm)
    with stream(server) as listening:
        farm.now += timedelta(seconds=10)
        farm.reading("north-3", (16.1, 15.0, 14.6))
        kind, _, fan = listening.next()
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
        until(lambda: listening.comments >= 2, what="a comment")


def test_the_comment_comes_at_least_every_fifteen_seconds() -> None:
    assert fastapi.routing._PING_INTERVAL <= 15


def test_streams_end_and_the_server_with_them(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.web.server.STOP_SECONDS", 300)  # streams do not wait for this
    running = WebServer(create_app(database, now=lambda: NOW), "127.0.0.1", 0)
    running.start()
    listening = Stream(running.address)
    assert listening.next()[0] == "open"
    running.stop(PATIENCE_SECONDS)
    assert not running.alive
    assert listening.ended.wait(PATIENCE_SECONDS)
    listening.close()


def test_starting_and_stopping_leaves_no_thread(database: Database) -> None:
    before = set(threading.enumerate())
    for _ in range(5):
        running = WebServer(create_app(database, now=lambda: NOW), "127.0.0.1", 0)
        running.start()
        assert httpx.get(f"{running.address}/healthz", trust_env=False).status_code == 200
        running.stop()
    until(lambda: not [one for one in set(threading.enumerate()) - before if one.name == "web"], what="their end")


def test_an_address_in_use_is_told_with_what_to_do(server: WebServer, database: Database) -> None:
    from monitor.errors import ConfigError

    with pytest.raises(ConfigError, match=r"web\.listen"):
        WebServer(create_app(database, now=lambda: NOW), "127.0.0.1", server.port)


def told(fan: str, body: str) -> live.Event:
    return live.Event(live.FAN, "meadow", fan, fan, api=json.dumps({"n": body}))


def test_the_newest_of_each_fan_waits_for_a_slow_browser() -> None:
    listener = live._Listener(at_this_computer(), live.Program())
    listener.take(live.News((1, 0), (told("a", "1"), told("b", "1"))))
    listener.take(live.News((2, 0), (told("a", "2"),)))
    listener.take(live.News((1, 5), (live.Event(live.FAN, "meadow", "b", "b"),)))  # written for nobody
    assert [(key, event.api) for (_, _, key), event in listener.waiting.items()] == [
        ("b", '{"n": "1"}'),
        ("a", '{"n": "2"}'),
    ]
    assert listener.mark == (2, 5)


def test_what_is_committed_between_a_first_look_and_the_next_one_is_not_lost() -> None:
    """The poller has gone on without the new listener, and did not look for what nobody wanted."""
    asked: list[tuple[live.Mark | None, live.Wanted]] = []

    def look(mark: live.Mark | None, wanted: live.Wanted) -> live.News:
        asked.append((mark, wanted))
        if mark is None:
            return live.News((5 if len(asked) == 1 else 6, 0), ())
        return live.News((9, 0), (told("a", "x"),) if wanted.by_program("meadow", "a") and mark[0] < 7 else ())

    async def listen() -> str | None:
        page = at_once.stream(None, at_this_computer(), live.PageOfFans(frozenset({3})))
        await anext(page)
        await asyncio.sleep(1.5 * live.POLL_SECONDS)  # the poller stands at 9 now
        program = at_once.stream(None, at_this_computer(), live.Program("meadow"))
        await anext(program)  # ... and this one at 6
        event = await asyncio.wait_for(anext(program), PATIENCE_SECONDS)
        at_once.stop()
        await page.aclose()  # type: ignore[attr-defined]
        await program.aclose()  # type: ignore[attr-defined]
        return event.raw_data

    at_once = live.Live(look)
    assert asyncio.run(listen()) == '{"n": "x"}'
    assert (None, live.Wanted(points=frozenset({3}))) in asked


@contextmanager
def listening_page(farm: Farm, server: WebServer, path: str) -> Iterator[tuple[Page, Stream]]:
    """A page of fans as it is opened, and the stream it then listens to."""
    shown = Page(httpx.get(f"{server.address}{path}", trust_env=False).text)
    (address,) = [str(tags["data-stream"]) for _, tags in shown.tags if "data-stream" in tags]
    with stream(server, address) as opened:
        yield shown, opened


def test_a_page_hears_of_the_fans_it_shows_with_the_texts_it_shows(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with listening_page(farm, server, "/?words=bin+3") as (shown, listening):
        assert "meadow/north-4" not in [tags.get("data-fan") for _, tags in shown.tags]
        farm.now += timedelta(seconds=10)
        farm.reading("north-4", (16.1, 15.0, 14.6))
        farm.reading("north-3", (16.1, 15.0, 14.6))
        kind, mark, fans = listening.next()
        assert (kind, [fan["fan"] for fan in fans]) == ("fans", ["north-3"])
        live_texts = {str(tags["data-live"]) for _, tags in shown.tags if "data-live" in tags} | {"tone", "heard_at"}
        assert fans[0]["shown"].keys() == live_texts
        assert (fans[0]["shown"]["load"], fans[0]["now"]) == ("106 %", "2026-10-04T01:46:10Z")
        assert mark
        with pytest.raises(queue.Empty):
            listening.next(within=1.3)


def test_what_a_second_brings_comes_in_one_event(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with listening_page(farm, server, "/") as (_, listening):
        farm.reading("barn", (9.0, 9.0, 9.0), site="hill")
        assert [fan["fan"] for fan in listening.next()[2]] == ["barn"]
        for fan in ("north-3", "north-4", "south-1"):
            farm.reading(fan)
        assert {fan["fan"] for fan in listening.next()[2]} == {"north-3", "north-4", "south-1"}


def test_a_page_hears_of_alarms_of_whatever_its_filter_may_come_to_show(farm: Farm, server: WebServer) -> None:
    whole(farm)
    with listening_page(farm, server, "/?site=meadow&words=bin+3&state=tripped") as (shown, listening):
        assert "No fan matches" in shown.text
        farm.raised("north-4", "overload")  # of another bin
        farm.raised("barn", "overload", site="hill")
        farm.raised("south-2", "tripped", "highest", text="south-2: tripped")
        farm.raised_at_supply("panel-1", "voltage-low")
        alarms: list[Any] = []
        while len(alarms) < 2:
            kind, _, some = listening.next()
            assert kind == "alarms"
            alarms += some
        assert [(one["fan"], one["supply"], one["id"]) for one in alarms] == [
            ("south-2", None, "tripped"),
            (None, "panel-1", "voltage-low"),
        ]
        assert alarms[0]["standing"] is True and alarms[0]["text"] == "south-2: tripped"


@pytest.mark.parametrize("fans", ["x", "1,,2", "-1", "1," * 900])
def test_fans_that_are_none_are_refused(server: WebServer, fans: str) -> None:
    assert httpx.get(f"{server.address}/live", params={"fans": fans}, trust_env=False).status_code == 422

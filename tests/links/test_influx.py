"""Lines as InfluxDB's own client writes them, and what each answer of a server means."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Literal

import numpy as np
import pytest
import urllib3
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client import Point, WritePrecision

from monitor.links import influx
from monitor.links.deadline import left_behind
from monitor.links.influx import Kind, Target, WriteError, Writer, judge
from tests import influx as servers
from tests.influx import Door, Influx, needs_influxd, says
from tests.servers import receiver, until
from tests.servers import says as answers

NOW = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
V2 = Target("http://box:8086", "amps", "farm", secret="s3cret")
V1 = Target("http://box:8086", "amps", api="v1", username="u", secret="s3cret")


# --- lines -----------------------------------------------------------------------------------------------------

names = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=8).filter(lambda t: t.strip() == t)
texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=20)


@given(names, names, texts)
def test_tags_and_texts_are_written_as_influxdb_client_writes_them(site: str, fan: str, text: str) -> None:
    point = Point("alarm").tag("site", site).tag("fan", fan).field("text", text).time(17, WritePrecision.NS)
    ours = f"{influx.head('alarm', {'site': site, 'fan': fan})} text={influx.text_field(text)} 17"
    assert ours == point.to_line_protocol()


@given(st.lists(st.floats(-1e9, 1e9) | st.sampled_from([math.nan, math.inf, 0.0, 1e-7, 12.4]), min_size=3, max_size=3))
def test_numbers_are_written_to_the_last_bit_and_what_is_missing_is_left_out(values: list[float]) -> None:
    columns = {"a": np.array(values[:1]), "b": np.array(values[1:2]), "c": np.array(values[2:]), "n": np.array([7.0])}
    (line,) = influx.lines(["fan,site=home"], [1791076350000], columns, whole=["n"])
    first, fields, at = line.split(" ")
    assert (first, at) == ("fan,site=home", "1791076350000")
    told = dict(field.split("=") for field in fields.split(","))
    assert told.pop("n") == "7i"
    assert {name: float(text) for name, text in told.items()} == {
        name: value for name, value in zip("abc", values, strict=True) if math.isfinite(value)
    }


def test_each_line_has_its_own_fields() -> None:
    columns = {"x": np.array([1.5, math.nan, 2.0]), "n": np.array([1, 2, 3])}
    assert influx.lines(["m", "m", "m"], [1, 2, 3], columns, whole=["n"]) == [
        "m x=1.5,n=1i 1",
        "m n=2i 2",
        "m x=2.0,n=3i 3",
    ]


# --- answers ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("target", "status", "headers", "body", "kind", "words"),
    [
        (V2, 400, {}, '{"code":"invalid","message":"unable to parse \'x\'"}', Kind.LINES, "unable to parse"),
        (V1, 400, {}, '{"error":"partial write: field type conflict: dropped=3"}', Kind.LINES, "field type conflict"),
        (V2, 422, {}, '{"code":"unprocessable entity","message":"data in measurement"}', Kind.LINES, "data in"),
        (V2, 413, {}, '{"code":"request too large","message":"max 50"}', Kind.SIZE, "too much at once"),
        (V2, 401, {}, '{"code":"unauthorized","message":"unauthorized access"}', Kind.SETTINGS, "Put token_file right"),
        (V1, 401, {}, '{"error":"authorization failed"}', Kind.SETTINGS, "Put username and password_file right"),
        (V2, 403, {}, '{"message":"insufficient permissions"}', Kind.SETTINGS, 'write to the bucket "amps"'),
        (V2, 404, {}, '{"message":"bucket \\"amps\\" not found"}', Kind.SETTINGS, 'of the organization "farm"'),
        (V1, 404, {}, '{"error":"database not found: \\"amps\\""}', Kind.SETTINGS, 'has not the database "amps"'),
        (V2, 404, {}, "404 page not found", Kind.SETTINGS, 'api = "v1" is for servers before 1.8'),
        (V1, 404, {}, "Not Found", Kind.SETTINGS, 'api = "v2" is for servers from 1.8 on'),
        (V2, 405, {}, "", Kind.SETTINGS, "HTTP 405"),
        (V2, 500, {}, '{"message":"engine closed"}', Kind.WAIT, "HTTP 500: engine closed"),
        (V2, 502, {"content-type": "text/plain"}, "bad gateway", Kind.WAIT, "bad gateway"),
        (V2, 302, {"location": "https://x/login"}, "", Kind.SETTINGS, "points to https://x/login"),
        (V2, 200, {"content-type": "text/html"}, "<html>hello", Kind.SETTINGS, "as no InfluxDB does"),
        (V2, 200, {}, "  <!DOCTYPE html>", Kind.SETTINGS, "as no InfluxDB does"),
        (V2, 200, {}, "ok", Kind.SETTINGS, "where InfluxDB says 204"),
        (V2, 404, {"content-type": "text/html; charset=x"}, "<h1>bucket", Kind.SETTINGS, "as no InfluxDB does"),
    ],
)  # fmt: skip
def test_what_an_answer_means(
    target: Target, status: int, headers: dict[str, str], body: str, kind: Kind, words: str
) -> None:  # fmt: skip
    error = judge(target, status, headers, body, lambda: NOW)
    assert error is not None and error.kind is kind and words in str(error)
    assert "s3cret" not in str(error) and "s3cret" not in repr(target)


def test_only_204_is_stored() -> None:
    assert judge(V2, 204, {}, "", lambda: NOW) is None


@pytest.mark.parametrize(
    ("status", "after", "seconds"),
    [(429, "7", 7.0), (503, "Sun, 04 Oct 2026 01:00:30 GMT", 30.0), (503, "soon", None), (429, None, None)],
)
def test_when_to_come_again(status: int, after: str | None, seconds: float | None) -> None:
    error = judge(V2, status, {"retry-after": after} if after else {}, "", lambda: NOW)
    assert error is not None and (error.kind, error.retry_after_seconds) == (Kind.WAIT, seconds)


@pytest.mark.parametrize(
    "answer",
    [
        b"HTTP/1.1 301 X\r\nLocation: http://[::1/\r\nContent-Length: 0\r\n\r\n",
        b"HTTP/1.1 400 X\r\nContent-Length: 2\r\n\r\n\xff\xfe",
        b'HTTP/1.1 503 X\r\nContent-Length: 20\r\n\r\n{"message":"\\ud800!"}',
    ],
)
@pytest.mark.parametrize("api", ["v1", "v2"])
def test_whatever_is_answered_can_be_told_and_stored(answer: bytes, api: Literal["v1", "v2"]) -> None:
    with receiver(answers(answer)) as port:
        error = refused(Target(f"http://127.0.0.1:{port}", "b", "o", api), ["fan x=1 1"])
    assert str(error).encode()


@pytest.mark.parametrize(
    ("body", "dropped", "named"),
    [
        ('{"error":"partial write: field type conflict: input field \\"x\\" dropped=12"}', 12, True),
        ("partial write: unable to parse 'a b c':\n invalid dropped=0", 0, True),
        ("partial write: points beyond retention policy dropped=5000", 5000, True),
        ("retention policy not found: autogen", None, False),  # somebody must make it: no line is lost for it
        ('{"message":"unable to parse \'a\'"}', None, True),
        ('{"message":"something new"}', None, False),
    ],
)
def test_what_is_known_of_the_other_lines(body: str, dropped: int | None, named: bool) -> None:
    error = judge(V2, 400, {}, body, lambda: NOW)
    assert error is not None and (error.dropped, error.named) == (dropped, named)


def test_a_server_that_lists_its_lines_is_quoted() -> None:
    """The form of InfluxDB 3, from its documentation: it was not run here."""
    body = '{"error":"partial write of line protocol occurred","data":[{"line_number":2,"error_message":"bad"}]}'
    error = judge(V2, 400, {}, body, lambda: NOW)
    assert error is not None and '"error_message": "bad"' in str(error) and len(str(error)) <= influx.WORDS_LETTERS


def classes(base: type[BaseException]) -> set[type[BaseException]]:
    return {base, *(one for child in base.__subclasses__() for one in classes(child))}


@pytest.mark.parametrize("error", sorted(classes(urllib3.exceptions.HTTPError), key=str), ids=lambda one: one.__name__)
@pytest.mark.parametrize("target", [V1, V2], ids=["v1", "v2"])
def test_no_error_of_the_library_comes_through(
    target: Target, error: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    raised = error.__new__(error)  # each class has its own arguments
    Exception.__init__(raised, "invented")
    vars(raised).update(partial=1, expected=2, length=b"", response=SimpleNamespace(tell=int))  # what some words need

    def fail(*_: Any, **__: Any) -> None:
        raise raised

    monkeypatch.setattr(urllib3.PoolManager, "request", fail)
    with pytest.raises(WriteError) as caught:
        Writer(target).write(["m x=1 1"], "ms")
    assert caught.value.kind in (Kind.WAIT, Kind.SETTINGS)
    assert (caught.value.kind is Kind.SETTINGS) == issubclass(error, urllib3.exceptions.SSLError)


# --- real servers ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    server = Influx(tmp_path_factory.mktemp("influx"))
    server.start()
    server.make("amps")
    yield server
    server.kill()


@pytest.fixture
def door(server: Influx) -> Iterator[Door]:
    door = Door(server)
    yield door
    door.close()


@pytest.fixture(params=["v1", "v2"])
def target(request: pytest.FixtureRequest, server: Influx, door: Door) -> Target:
    return Target(door.url, "amps", api=request.param, timeout_seconds=60.0)


def refused(target: Target, lines: list[str]) -> WriteError:
    with pytest.raises(WriteError) as caught:
        Writer(target).write(lines, "ms")
    return caught.value


@needs_influxd
def test_lines_reach_a_real_server_in_both_units(target: Target, server: Influx) -> None:
    writer = Writer(target)
    writer.write([f"both{target.api},site=a x=1.5,number=1i 1000"], "ms")
    writer.write([f"both{target.api},site=a x=2.5,number=2i 2000000001"], "ns")
    writer.close()
    found = server.rows(f"both{target.api}", "amps")
    assert [(row["time"], row["x"], row["number"], row["site"]) for row in found] == [
        (1_000_000_000, 1.5, 1, "a"), (2_000_000_001, 2.5, 2, "a"),
    ]  # fmt: skip


@needs_influxd
def test_a_real_server_keeps_the_good_lines_and_says_how_many_it_left_out(target: Target, server: Influx) -> None:
    name = f"mixed{target.api}"
    Writer(target).write([f"{name},site=a x=1,number=1i 1000"], "ms")
    error = refused(
        target, [f"{name} x=2,number=2i 2000", f'{name} x="3",number=3i 3000', f"{name} x=4,number=4i 4000"]
    )
    assert (error.kind, error.dropped) == (Kind.LINES, 1) and "type conflict" in str(error)
    assert [row["number"] for row in server.rows(name, "amps")] == [1, 2, 4]
    error = refused(target, [f"{name} x=5,number=5i 5000", f"{name} x=,number=6i 6000"])
    assert (error.kind, error.dropped) == (Kind.LINES, 0) and "unable to parse" in str(error)


@needs_influxd
def test_check_knocks_without_writing(target: Target, server: Influx) -> None:
    before = server.ask("SHOW MEASUREMENTS", "amps")
    words = Writer(target).look()
    assert "answers (InfluxDB 1.6" in words and "nothing was written" in words
    assert server.ask("SHOW MEASUREMENTS", "amps") == before
    missing = Target(target.url, "elsewhere", api=target.api)
    with pytest.raises(WriteError, match='"elsewhere"'):
        Writer(missing).look()
    with pytest.raises(WriteError, match="no address /api/v2/write"):
        Writer(Target(server.url, "amps")).look()


@needs_influxd
def test_a_user_that_is_not_known_and_one_that_may_not(tmp_path: Path) -> None:
    server = Influx(tmp_path / "closed", auth=True)
    server.start()
    door = Door(server)
    try:
        server.ask("CREATE USER root WITH PASSWORD 'r' WITH ALL PRIVILEGES")
        for query in ("CREATE DATABASE amps", "CREATE USER us WITH PASSWORD 'p'", "CREATE USER other WITH PASSWORD 'o'",
                      "GRANT WRITE ON amps TO us"):  # fmt: skip
            server.ask(query, user="root:r")
        for api in ("v1", "v2"):
            for user, password, wanted in (("us", "p", None), ("us", "wrong", 401), ("other", "o", 403)):
                secret = password if api == "v1" else f"{user}:{password}"
                writer = Writer(Target(door.url, "amps", api=api, username=user, secret=secret))  # type: ignore[arg-type]
                for attempt in (lambda writer=writer: writer.write(["m x=1 1"], "ms"), writer.look):
                    if wanted is None:
                        attempt()
                        continue
                    with pytest.raises(WriteError) as caught:
                        attempt()
                    assert caught.value.kind is Kind.SETTINGS and password not in str(caught.value).split()
                    said = "does not know us" if wanted == 401 else "lets us not write"
                    assert said in str(caught.value)
    finally:
        door.close()
        server.kill()


@needs_influxd
@pytest.mark.parametrize("fault", [servers.hangs, servers.trickles], ids=["hangs", "trickles"])
def test_a_write_ends_at_its_deadline(target: Target, door: Door, fault: servers.Fault) -> None:
    door.fault = fault
    quick = Target(target.url, "amps", api=target.api, timeout_seconds=0.5)
    writer = Writer(quick)
    with pytest.raises(WriteError, match=r"does not answer within 0\.5 s") as caught:
        writer.write(["slow x=1 1"], "ms")
    assert caught.value.kind is Kind.WAIT
    door.fault = None
    until(lambda: not left_behind(f"influx {quick.identity}"), what="the end of the one that hangs")

    def taken() -> bool:
        with suppress(WriteError):  # a server that is slow for once
            writer.write(["slow x=1 1"], "ms")
            return True
        return False

    until(taken, what="a write on another connection")


@needs_influxd
def test_a_connection_that_breaks_or_is_refused_is_waited_for(target: Target, door: Door) -> None:
    door.fault = servers.hangs_up
    assert refused(target, ["m x=1 1"]).kind is Kind.WAIT
    away = Target("http://127.0.0.1:1", "amps", api=target.api)
    error = refused(away, ["m x=1 1"])
    assert error.kind is Kind.WAIT and "Connection refused" in str(error)
    plain = Target(door.url.replace("http:", "https:"), "amps", api=target.api)
    error = refused(plain, ["m x=1 1"])
    assert error.kind is Kind.SETTINGS and "no trusted connection" in str(error)


@needs_influxd
def test_answers_of_a_wrong_server_are_told_as_such(target: Target, door: Door) -> None:
    for fault, said in (
        (says(307, {"location": "http://elsewhere/"}), "points to http://elsewhere/"),
        (says(200, {"content-type": "text/html"}, b"<html>welcome"), "as no InfluxDB does"),
        (
            says(200, {"content-type": "text/plain"}, b"\xff\xfe"),
            "InfluxDB says 204" if target.api == "v1" else "no text",
        ),
        (says(400, {"content-type": "text/html"}, b"<html>bad request"), "as no InfluxDB does"),
    ):
        door.fault = fault
        error = refused(target, ["m x=1 1"])
        assert error.kind is Kind.SETTINGS and said in str(error)
        with pytest.raises(WriteError):
            Writer(target).look()

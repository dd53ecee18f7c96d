"""A computer without a battery clock wakes up in the past: no readings are taken until the time is put right."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor import settings
from monitor.service.shell import Service
from tests.servers import free_port, until

Begin = Callable[[float], Service]


@pytest.fixture
def newest(bench: Any) -> float:
    """A fan's reading is stored; when it was measured [Unix s]."""
    bench.register("north")
    bench.begin().round()
    bench.send("north", 10.0, 30.0)
    bench.worker.stop()
    return float((bench.wall - timedelta(seconds=1.5)).timestamp())


class Clock:
    """Shows the time it is set to."""

    def __init__(self) -> None:
        self.shows = 0.0
        self.asked = 0

    def __call__(self) -> float:
        self.asked += 1
        return self.shows


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def begin(tmp_path: Path, newest: float, clock: Clock) -> Iterator[Begin]:
    """Starts a service on what is stored, its clock so many seconds from the newest reading."""
    file = tmp_path / "monitor.toml"
    file.write_text(
        f'data = "{tmp_path}"\n[mqtt]\nport = {free_port()}\n[web]\nlisten = "127.0.0.1:{free_port()}"\n'
        '[sites.home]\ntime_zone = "America/Chicago"\n'
    )
    started: list[Service] = []

    def make(seconds: float) -> Service:
        clock.shows = newest + seconds
        service = Service(settings.load(file), print_line=lambda line: None, clock=clock)
        started.append(service)
        service.start()
        return service

    yield make
    for service in started:
        service.stop()


def waiting(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [said for record in caplog.records if "waiting for the clock" in (said := record.getMessage())]


def test_a_clock_in_the_past_is_waited_for_and_told_once(
    begin: Begin, clock: Clock, newest: float, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR, "monitor"):
        service = begin(-121.0)
        until(lambda: waiting(caplog), what="a word about the clock")
        looked = clock.asked
        until(lambda: clock.asked >= looked + 2, what="another look at the clock")
        assert not service.broker.alive  # so no reading is taken, and judged by a wrong time
        (said,) = waiting(caplog)
        assert said == (
            "the clock says 2026-10-04T00:58:29+00:00, but readings up to 2026-10-04T01:00:30+00:00 are stored: "
            "waiting for the clock to be put right"
        )
        clock.shows = newest
        until(lambda: service.broker.alive, what="the link to the broker")
        assert len(waiting(caplog)) == 1


@pytest.mark.parametrize("seconds", [-119.0, 0.0, 86_400.0])
def test_a_clock_that_lags_a_little_or_is_ahead_is_not_waited_for(
    begin: Begin, caplog: pytest.LogCaptureFixture, seconds: float
) -> None:
    service = begin(seconds)
    until(lambda: service.broker.alive, what="the link to the broker")
    assert waiting(caplog) == []


def test_a_service_that_waits_for_the_clock_can_be_stopped(begin: Begin, caplog: pytest.LogCaptureFixture) -> None:
    service = begin(-3600.0)
    until(lambda: waiting(caplog), what="a word about the clock")
    began = time.monotonic()
    service.stop()
    assert time.monotonic() - began < 29  # the worker itself is waited for up to 30 s
    assert not service.broker.alive

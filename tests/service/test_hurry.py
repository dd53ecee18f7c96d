"""A broker that holds back is noticed within two windows; one that does not is never hurried."""

from __future__ import annotations

import pytest

from monitor.links.mqtt import Message
from monitor.service.hurry import Hurry


def came(count: int, at_ms: float) -> list[Message]:
    return [Message(1, number + 1, "t", b"", False, at_ms, 1) for number in range(count)]


@pytest.mark.parametrize("window", [10, 20, 100, 500])
def test_a_window_that_fills_again_at_once_is_a_backlog(window: int) -> None:
    hurry = Hurry()
    hurry.acknowledged(window, 1_000.0)
    assert not hurry.now
    hurry.taken(came(window, 1_004.0))
    assert hurry.now
    hurry.acknowledged(window, 1_010.0)
    assert not hurry.now  # nothing has come since: it must show again
    hurry.taken(came(window, 1_014.0))
    assert hurry.now


def test_it_ends_with_the_backlog() -> None:
    hurry = Hurry()
    hurry.acknowledged(20, 1_000.0)
    hurry.taken(came(20, 1_004.0))
    hurry.acknowledged(20, 1_010.0)
    hurry.taken(came(7, 1_014.0))
    assert not hurry.now


def test_an_ordinary_stream_is_not_hurried() -> None:
    """200 messages a second, spread over it: some fall into the moment after the acknowledgement, not a window."""
    hurry = Hurry()
    for second in range(1, 100):
        hurry.acknowledged(200, 1_000.0 * second)
        for tenth in range(10):
            hurry.taken(came(20, 1_000.0 * second + 100.0 * tenth))
            assert not hurry.now


def test_all_loggers_at_the_same_second_are_no_backlog() -> None:
    hurry = Hurry()
    for second in range(10, 100, 10):
        hurry.taken(came(50, 1_000.0 * second))
        hurry.acknowledged(50, 1_000.0 * second + 1_000.0)
        assert not hurry.now

"""Readings whose channels come in messages of their own: whole, in order, and acknowledged with what they became."""

from __future__ import annotations

import itertools
import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.links import assembly as assembly_module
from monitor.links.assembly import Assembly, parts_of
from monitor.links.forms import Forms
from monitor.links.inbox import Inbox
from monitor.links.message import Message
from monitor.settings import FormSettings

NOW = 1_791_076_350.0
PLAIN = {
    "name": "numbers", "topic": "n/{site}/{fan}/{channel}", "channels": {"a": "l1", "b": "l2", "c": "l3"},
    "assemble_seconds": 2.0,
}  # fmt: skip
TIMED = {
    "name": "timed", "topic": "t/{site}/{fan}/{channel}", "channels": {"a": "l1", "b": "l2", "c": "l3"}, "value": "v",
    "time": "t", "time_format": "seconds", "assemble_seconds": 2.0,
}  # fmt: skip


class Hands:
    """An assembly, and hands on its clock."""

    def __init__(self, *tables: dict[str, Any]) -> None:
        self.at = 0.0
        self.mid = 0
        forms = Forms([FormSettings.model_validate(one) for one in tables], "amps/v1")
        self.assembly = Assembly(forms, steady=lambda: self.at)

    def message(self, topic: str, payload: Any, *, qos: int = 1, retain: bool = False) -> Message:
        self.mid += 1
        return Message(1, self.mid, topic, json.dumps(payload).encode(), retain, (NOW + self.at) * 1000.0, qos)

    def plain(self, channel: str, value: Any, fan: str = "bin-1") -> list[Any]:
        return self.out(self.message(f"n/home/{fan}/{channel}", value))

    def timed(self, channel: str, t: float, value: Any, fan: str = "bin-1") -> list[Any]:
        return self.out(self.message(f"t/home/{fan}/{channel}", {"t": NOW + t, "v": value}))

    def out(self, *messages: Message, all_seen: bool = True) -> list[Any]:
        """Readings as (t, amps), faults as (reason, detail)."""
        found: list[Any] = []
        for one in self.assembly.pass_on(messages, all_seen):
            found += one.faults
            if one.payload:
                table = json.loads(one.payload)
                t = table.get("t")
                found.append((None if t is None else t - NOW, table["amps"]))
        return found

    def wait(self, seconds: float) -> list[Any]:
        self.at += seconds
        return self.out()


def test_a_whole_reading_goes_on_at_once_and_carries_its_parts() -> None:
    hands = Hands(PLAIN)
    parts = [hands.message(f"n/home/bin-1/{channel}", value) for channel, value in (("b", 2), ("a", 1), ("c", 3))]
    hands.at = 0.5
    (message,) = hands.assembly.pass_on(parts, True)
    assert json.loads(message.payload) == {"amps": [1, 2, 3]}
    assert message.topic == "amps/v1/home/bin-1/readings" and message.received_ms == NOW * 1000.0
    assert list(parts_of([message])) == parts


def test_what_is_missing_is_waited_for_so_long_and_no_longer() -> None:
    hands = Hands(PLAIN)
    assert hands.plain("a", 1) == [] and hands.plain("c", 3) == []
    assert hands.wait(1.9) == [] and hands.wait(0.2) == [(None, [1, None, 3])]
    assert hands.wait(10) == []


def test_a_wait_is_not_over_while_something_that_came_is_not_looked_at() -> None:
    """The worker may have been held up: what came in time is in the queue behind."""
    hands = Hands(PLAIN)
    parts = [hands.message("n/home/bin-1/a", 1), hands.message("n/home/bin-1/b", 2), hands.message("n/home/bin-1/c", 3)]
    assert hands.out(parts[0], all_seen=False) == []
    hands.at = 60.0
    assert hands.out(all_seen=False) == []
    assert hands.out(*parts[1:]) == [(None, [1, 2, 3])]


def test_of_two_for_one_channel_without_a_time_the_second_begins_the_next_reading() -> None:
    hands = Hands(PLAIN)
    assert hands.plain("a", 1) == [] and hands.plain("b", 2) == []
    hands.at = 1.0
    assert hands.plain("a", 1) == [(None, [1, 2, None])]
    assert hands.plain("b", 5) == [] and hands.plain("c", 6) == [(None, [1, 5, 6])]


def test_what_comes_too_late_for_a_reading_without_a_time_begins_the_next() -> None:
    hands = Hands(PLAIN)
    parts = [hands.message("n/home/bin-1/a", 1)]
    hands.at = 2.5
    parts.append(hands.message("n/home/bin-1/b", 2))
    assert hands.out(*parts) == [(None, [1])]  # by their times of receipt, though both are looked at together
    assert hands.wait(2.5) == [(None, [None, 2, None])]


def test_fans_do_not_mix() -> None:
    hands = Hands(PLAIN)
    for channel in "ab":
        assert hands.plain(channel, 1, "bin-1") == [] and hands.plain(channel, 2, "bin-2") == []
    assert hands.plain("c", 1, "bin-1") == [(None, [1, 1, 1])]
    assert hands.plain("c", 2, "bin-2") == [(None, [2, 2, 2])]


def test_readings_of_a_time_find_together_and_go_on_in_order_of_time() -> None:
    hands = Hands(TIMED)
    assert hands.timed("a", -20, 1) == [] and hands.timed("b", -20, 2) == []
    for channel in "abc":  # whole, but the one before it is still waited for
        assert hands.timed(channel, -10, 9) == []
    assert hands.timed("c", -20, 3) == [(-20, [1, 2, 3]), (-10, [9, 9, 9])]


def test_one_that_stays_incomplete_holds_the_next_no_longer_than_its_wait() -> None:
    hands = Hands(TIMED)
    hands.timed("a", -20, 1)
    hands.at = 1.0
    for channel in "abc":
        assert hands.timed(channel, -10, 9) == []
    assert hands.wait(1.5) == [(-20, [1]), (-10, [9, 9, 9])]


def test_the_same_part_again_is_no_fault_and_another_value_is() -> None:
    hands = Hands(TIMED)
    assert hands.timed("a", -20, 1) == [] and hands.timed("a", -20, 1) == []
    ((reason, detail),) = hands.timed("a", -20, 5)
    assert reason == "two messages for one time" and "l1: another value" in detail
    hands.timed("b", -20, 2)
    assert hands.timed("c", -20, 3) == [(-20, [1, 2, 3])]


def test_a_part_for_a_reading_that_is_waiting_its_turn_came_too_late() -> None:
    hands = Hands(TIMED)
    hands.timed("a", -10, 9)
    hands.at = 1.5
    hands.timed("a", -20, 1)
    hands.at = 3.0  # -10 is over, -20 before it is not
    ((reason, detail),) = hands.timed("b", -10, 9)
    assert reason == "two messages for one time" and "raise assemble_seconds" in detail
    assert hands.wait(1.0) == [(-20, [1]), (-10, [9])]


def test_a_reading_without_a_time_is_none_of_those_with_one() -> None:
    hands = Hands(PLAIN, TIMED)
    assert hands.timed("a", 0, 1) == [] and hands.plain("b", 2) == [] and hands.timed("c", 0, 3) == []
    assert hands.timed("b", 0, 4) == [(0, [1, 4, 3])]
    hands.plain("a", 5)
    hands.at = 0.0005  # the very time under which the one before stood
    assert hands.plain("c", 6) == [(None, [5, 2, 6])]
    assert hands.timed("a", 0, 1) == [] and hands.plain("a", 7) == []
    assert hands.wait(2.5) == [(0, [1]), (None, [7])]


def test_two_forms_make_one_reading() -> None:
    amps = {"name": "amps", "topic": "p/{site}/{fan}/amps", "amps": "i", "assemble_seconds": 2.0}
    volts = {"name": "volts", "topic": "p/{site}/{fan}/volts", "volts": ["u.0", "u.1", "u.2"], "assemble_seconds": 2.0}
    single = {"name": "called", "topic": "p/{site}/{fan}/run", "channel": "called", "assemble_seconds": 2.0}
    hands = Hands(amps, volts, single)
    out = hands.assembly.pass_on(
        [hands.message("p/home/bin-1/amps", {"i": 5}), hands.message("p/home/bin-1/run", 1),
         hands.message("p/home/bin-1/volts", {"u": [460, 461, 462]})], True,
    )  # fmt: skip
    assert [json.loads(one.payload) for one in out] == [{"amps": [5], "volts": [460, 461, 462], "called": 1}]


def test_what_is_held_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(assembly_module, "MOST_HELD", 10)
    hands = Hands(TIMED)
    found = [one for n in range(15) for one in hands.timed("a", -100 + n, n)]
    assert found == [(-100 + n, [n]) for n in range(5)]


def test_a_fault_of_ours_costs_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    hands = Hands(PLAIN)
    monkeypatch.setattr(Forms, "_read", lambda *_: 1 / 0)
    ((reason, detail),) = hands.plain("a", 1)
    assert reason == "a fault of the monitor" and "ZeroDivisionError" in detail


# ---------------------------------------------------------------------- in the inbox


def test_the_inbox_gives_whole_readings_and_sets_parts_aside_with_the_rest() -> None:
    hands = Hands(PLAIN)
    inbox = Inbox(assembly=hands.assembly)
    parts = [hands.message(f"n/home/bin-1/{channel}", 5) for channel in "abc"]
    sometimes = hands.message("n/home/bin-2/a", 7, qos=0)
    for one in (*parts[:2], sometimes):
        inbox.put(one)
    assert inbox.take(100) == [] and inbox.bytes == 0
    inbox.set_aside()  # the connection broke: the broker will send the two again, the third never
    assert inbox.aside == 2 and len(inbox) == 1
    for one in parts[:2]:
        inbox.put(one)
    assert inbox.aside == 0
    assert inbox.take(100) == []
    inbox.put(parts[2])
    (whole,) = inbox.take(100)
    assert whole.parts == tuple(parts)
    hands.at += 3.0
    (late,) = inbox.take(100)
    assert late.parts == (sometimes,) and inbox.bytes == 0


def test_the_inbox_ends_no_wait_while_messages_are_queued() -> None:
    hands = Hands(PLAIN)
    inbox = Inbox(assembly=hands.assembly)
    for channel in "abc":
        inbox.put(hands.message(f"n/home/bin-1/{channel}", 5))
    assert inbox.take(1) == []
    hands.at = 60.0  # the worker was held up
    assert inbox.take(1) == []
    (whole,) = inbox.take(1)
    assert json.loads(whole.payload) == {"amps": [5, 5, 5]}


def test_parts_that_the_broker_lost_are_given_back() -> None:
    hands = Hands(PLAIN)
    inbox = Inbox(assembly=hands.assembly)
    for channel in "abc":
        inbox.put(hands.message(f"n/home/bin-1/{channel}", 5))
        if channel == "b":
            inbox.take(100)
            inbox.set_aside()
    assert inbox.give_back() == 2
    (whole,) = inbox.take(100)
    assert json.loads(whole.payload) == {"amps": [5, 5, 5]}


# ---------------------------------------------------------------------- properties

calm = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
STEPS = st.lists(
    st.tuples(
        st.sampled_from("abc"), st.sampled_from([None, -30, -20, -10]), st.integers(1, 3),
        st.sampled_from(["bin-1", "bin-2"]), st.sampled_from([0.0, 0.3, 1.1, 2.2]),
    ), max_size=30,
)  # fmt: skip


def stream(steps: list[Any], hands: Hands) -> list[Message]:
    messages = []
    for channel, t, value, fan, pause in steps:
        hands.at += pause
        if t is None:
            messages.append(hands.message(f"n/home/{fan}/{channel}", value))
        else:
            messages.append(hands.message(f"t/home/{fan}/{channel}", {"t": NOW + t, "v": value}))
    return messages


@calm
@given(STEPS)
def test_every_part_is_in_one_reading_or_told(steps: list[Any]) -> None:
    hands = Hands(PLAIN, TIMED)
    messages = stream(steps, hands)
    out = hands.assembly.pass_on(messages, True)
    hands.at += 60.0
    out += hands.assembly.pass_on([], True)
    assert sorted(one.mid for one in parts_of(out)) == [one.mid for one in messages]
    assert all(bool(one.payload) != bool(one.faults) for one in out)


@calm
@given(STEPS, st.lists(st.integers(0, 30), max_size=4))
def test_any_cutting_gives_the_same_readings(steps: list[Any], cuts: list[int]) -> None:
    whole, cut = Hands(PLAIN, TIMED), Hands(PLAIN, TIMED)
    messages = stream(steps, whole)
    at = sorted({0, len(messages), *(min(one, len(messages)) for one in cuts)})
    out = whole.assembly.pass_on(messages, False)
    pieces = [one for a, b in itertools.pairwise(at) for one in cut.assembly.pass_on(messages[a:b], False)]
    assert pieces == out

"""Other loggers' messages, read by forms: what comes out is our own form, or a fault in words; nothing vanishes."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.links.forms import Forms, Part
from monitor.links.message import Message
from monitor.links.payload import decode
from monitor.settings import FormSettings

NOW = 1_791_076_350.0
WHOLE: dict[str, Any] = {
    "name": "yard", "topic": "yard/{site}/fans/{fan}/data", "time": "head.at", "time_format": "milliseconds",
    "amps": ["i.a", "i.b", "i.c"], "amps_factor": 0.001, "volts": "u", "volts_factor": 1000.0,
    "ambient_f": "air.0", "called": "run",
}  # fmt: skip
NUMBERS: dict[str, Any] = {
    "name": "numbers", "topic": "elevator/{fan}/{channel}", "site": "home", "fans": {"FAN_7": "bin-7"},
    "channels": {"Ia": "l1", "Ib": "l2", "Ic": "l3", "T": "ambient_f"}, "assemble_seconds": 2.0,
}  # fmt: skip


def forms(*tables: dict[str, Any]) -> Forms:
    return Forms([FormSettings.model_validate(table) for table in tables], "amps/v1")


def came(topic: str, payload: Any, *, retain: bool = False, received: float = NOW, mid: int = 1) -> Message:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Message(1, mid, topic, body, retain, received * 1000.0)


def only(read: list[Message] | Part) -> Message:
    assert isinstance(read, list)
    (message,) = read
    return message


def said(message: Message) -> Any:
    assert message.faults == ()
    return json.loads(message.payload)


FINE = {
    "head": {"at": 1_791_076_340_250, "id": "x"}, "i": {"a": 12_200, "b": "12900", "c": 12_600.0},
    "u": [0.461, 0.4584, 0.4602], "air": [38.3], "run": 1,
}  # fmt: skip


def test_paths_factors_and_time() -> None:
    original = came("yard/home/fans/bin-1/data", FINE)
    message = only(forms(WHOLE).read(original))
    assert message.topic == "amps/v1/home/bin-1/readings" and message.parts == (original,)
    reading = said(message)
    assert reading["t"] == 1_791_076_340.25 and reading["called"] == 1
    assert reading["amps"] == pytest.approx([12.2, 12.9, 12.6]) and reading["volts"] == pytest.approx(
        [461, 458.4, 460.2]
    )
    assert reading["ambient_c"] == pytest.approx(3.5)
    decoded = decode(message.payload, NOW * 1000)
    assert decoded.rejects == [] and decoded.t_ms.tolist() == [1_791_076_340_250]


def test_our_own_topics_are_left_alone() -> None:
    message = came("amps/v1/home/bin-1/readings", {"amps": 5})
    assert forms(WHOLE).read(message) == [message]


@pytest.mark.parametrize(
    ("form", "at", "t"),
    [
        ("seconds", 1_791_076_340.25, 1_791_076_340.25), ("seconds", "1791076340.25", 1_791_076_340.25),
        ("milliseconds", 1_791_076_340_250, 1_791_076_340.25), ("rfc3339", "2026-10-04T01:12:20.25Z", None),
    ],
)  # fmt: skip
def test_time_formats(form: str, at: Any, t: float | None) -> None:
    table = {"name": "a", "topic": "a/{site}/{fan}", "amps": "i", "time": "at", "time_format": form}
    message = only(forms(table).read(came("a/home/bin-1", {"i": 5, "at": at})))
    assert said(message)["t"] == (at if t is None else t)
    assert decode(message.payload, NOW * 1000).t_ms.tolist() == [1_791_076_340_250]


def test_without_a_time_path_the_time_of_receipt_counts() -> None:
    table = {"name": "a", "topic": "a/{fan}", "site": "home", "amps": ["i.0", "i.1", "i.2"]}
    assert said(only(forms(table).read(came("a/bin-1", {"i": [1, None, 3], "at": 5})))) == {"amps": [1, None, 3]}


@pytest.mark.parametrize(
    ("item", "amps"),
    [
        ({"i": [1, 2, 3]}, [1, 2, 3]), ({"i": [1]}, [1]), ({"i": 4}, [4]), ({"i": "4.5e1"}, [45]),
        ({"i": [-9999, "NaN", ""]}, [None, None, None]), ({"i": ["x", 2, 3]}, ["x", 2, 3]),
        ({"i": [1e308, 2, 3]}, ["a number with very many digits", 2000, 3000]),
        ({"i": [{}, [], True]}, ["an object", "a list", True]),
    ],
)  # fmt: skip
def test_one_path_may_lead_to_a_list_and_odd_values_are_handed_on(item: Any, amps: list[Any]) -> None:
    factor = 1000.0 if "1e+308" in json.dumps(item) else 1.0
    table = {"name": "a", "topic": "a/{site}/{fan}", "amps": "i", "amps_factor": factor}
    assert said(only(forms(table).read(came("a/home/bin-1", item))))["amps"] == amps


def test_codes_of_a_missing_value_are_not_multiplied() -> None:
    table = {"name": "a", "topic": "a/{site}/{fan}", "amps": ["i"], "amps_factor": 0.001, "ambient_f": "t"}
    assert said(only(forms(table).read(came("a/home/bin-1", {"i": -9999, "t": -999})))) == {
        "amps": [None],
        "ambient_c": None,
    }


@pytest.mark.parametrize(
    ("topic", "payload", "reason", "words"),
    [
        ("yard/home/fans/bin-1/data", b"{", "not JSON", 'form "yard"'),
        ("yard/home/fans/bin-1/data", b"", "not JSON", "an empty payload"),
        ("yard/home/fans/bin-1/data", b"[" * 100_000, "not JSON", ""),
        ("yard/home/fans/bin-1/data", b"[]", "no readings found", "an empty list"),
        ("yard/home/fans/bin-1/data", {"head": {"at": 5}}, "no channel found", "at i.a, i.b, i.c, u, air.0, run"),
        ("yard/home/fans/bin-1/data", {**FINE, "head": {}}, "no time found", "nothing stands at head.at"),
        ("yard/home/fans/bin-1/data", {**FINE, "head": {"at": None}}, "no time found", ""),
        ("yard/home/fans/bin-1/data", {**FINE, "u": [1, 2]}, "wrong number of legs", "1 or 3 values at u, found 2"),
        ("yard/home/fans/bin-1/data", 5, "no channel found", ""),
        ("yard/home/fans/bin-1/data", b" " * 262_145, "too large", ""),
        ("yard/home/fans/bin-1/data", [FINE] * 10_001, "too large", ""),
        ("yard/home/fans/bin-1/data", [1] * 10_001, "too many readings", "10001 readings"),
        ("yard/home/fans/Bin 1/data", FINE, "unusable name", '"Bin 1" cannot be the name of a fan; name it under fans'),
        ("yard//fans/bin-1/data", FINE, "unusable name", "name of a site"),
        ("yard/home/fans/bin-1", FINE, "no form for this topic", "client_id"),
        ("yard/home/fans/bin-1/data/x", FINE, "no form for this topic", ""),
        ("elevator/bin-1/Id", b"5", "unknown channel", 'expected Ia, Ib, Ic, T in the topic, found "Id"'),
        ("elevator/bin-1/Ia", b"", "no channel found", "an empty payload"),
        ("elevator/bin-1/Ia", b'{"v": 5}', "no channel found", "expected a number, found an object; say where"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said(topic: str, payload: Any, reason: str, words: str) -> None:
    message = only(forms(WHOLE, NUMBERS).read(came(topic, payload)))
    assert message.payload == b"" and message.parts[0].topic == topic
    ((found, detail),) = message.faults
    assert found == reason and words in detail


def test_a_list_of_readings_and_one_bad_among_them() -> None:
    table = {**WHOLE, "readings": "log.samples"}
    bad = {**FINE, "head": {}}
    message = only(forms(table).read(came("yard/home/fans/bin-1/data", {"log": {"samples": [FINE, bad, FINE]}})))
    assert len(json.loads(message.payload)) == 2
    assert [reason for reason, _ in message.faults] == ["no time found"]
    assert only(forms(table).read(came("yard/home/fans/bin-1/data", {"log": 5}))).faults[0][0] == "no readings found"
    assert len(said(only(forms(WHOLE).read(came("yard/home/fans/bin-1/data", [FINE, FINE]))))) == 2


def test_a_long_list_becomes_messages_that_are_taken_and_is_acknowledged_once() -> None:
    table = {"name": "a", "topic": "a/{site}/{fan}", "amps": "i", "time": "t", "time_format": "seconds"}
    readings = [{"i": [1, 2, 3], "t": NOW - 20_000 + n} for n in range(6_000)]
    made = forms(table).read(came("a/home/bin-1", json.dumps(readings, separators=(",", ":")).encode()))
    assert isinstance(made, list)
    assert sum(len(decode(one.payload, NOW * 1000).t_ms) for one in made) == 6_000
    assert [one.parts[0].qos for one in made] == [0, 0, 0, 0, 0, 1]


def test_plain_numbers_are_parts_of_a_reading() -> None:
    read = forms(NUMBERS).read(came("elevator/FAN_7/Ib", b" 12.9\n"))
    assert isinstance(read, Part)
    assert (read.site, read.fan, read.t, dict(read.values)) == ("home", "bin-7", None, {"l2": 12.9})
    read = forms(NUMBERS).read(came("elevator/FAN_7/T", b"38.3"))
    assert isinstance(read, Part) and read.values["ambient"] == pytest.approx(3.5)
    # What the broker kept has an unknown age: it is no part of a reading of now.
    old = only(forms(NUMBERS).read(came("elevator/FAN_7/Ib", b"12.9", retain=True)))
    assert old.retain and said(old) == {"amps": [None, 12.9, None]}


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (b"1", 1),
        (b"1.0", 1),
        (b"true", True),
        (b'"0"', 0),
        (b"+1", 1),
        (b"nan", None),
        (b"null", None),
        (b"yes", "yes"),
    ],
)
def test_a_number_may_be_called(raw: bytes, value: Any) -> None:
    table = {"name": "a", "topic": "a/{site}/{fan}/run", "channel": "called"}
    message = only(forms(table).read(came("a/home/bin-1/run", raw)))
    assert said(message) == {"called": value} and isinstance(said(message)["called"], type(value))


def test_a_channel_whose_value_stands_in_json() -> None:
    table = {
        "name": "a", "topic": "a/{site}/{fan}/{channel}", "channels": {"one": "l1", "two": "l2"}, "value": "v",
        "time": "t", "assemble_seconds": 1.0,
    }  # fmt: skip
    read = forms(table).read(came("a/home/bin-1/two", {"v": 5, "t": "2026-10-04T01:12:20.25Z"}))
    assert isinstance(read, Part)
    assert (read.t_ms, dict(read.values)) == (1_791_076_340_250, {"l2": 5})
    # A time that is none goes on alone; the decoder finds the words.
    odd = only(forms(table).read(came("a/home/bin-1/two", {"v": 5, "t": "noon"})))
    assert "RFC 3339" in decode(odd.payload, NOW * 1000).rejects[0].detail


def test_the_first_form_that_fits_reads_and_wildcards_are_the_brokers() -> None:
    first = {"name": "a", "topic": "x/{site}/{fan}/#", "amps": "i"}
    second = {"name": "b", "topic": "x/+/{fan}", "site": "home", "amps": "j"}
    both = forms(second, first)
    assert both.filters == ["x/+/+", "x/+/+/#"]
    assert said(only(both.read(came("x/away/bin-1", {"i": 1, "j": 2})))) == {"amps": [2]}
    assert said(only(both.read(came("x/away/bin-1/deep/down", {"i": 1})))) == {"amps": [1]}
    assert said(only(forms(first).read(came("x/away/bin-1", {"i": 1})))) == {"amps": [1]}  # "#" also means none
    everything = forms({"name": "c", "topic": "#", "site": "home", "fan": "bin-1", "amps": "i"})
    assert everything.read(came("a/b", {"i": 1}))[0].topic == "amps/v1/home/bin-1/readings"  # type: ignore[index]


calm = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
FLOATS = st.floats(allow_nan=False, allow_infinity=False)
KEYS = st.sampled_from([*"iuabc", "head", "at", "air"])
JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), FLOATS, st.text(max_size=5)),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(KEYS, inner)),
    max_leaves=12,
)


@calm
@given(
    st.one_of(JSON, st.binary(max_size=30)),
    st.sampled_from(["yard/home/fans/bin-1/data", "elevator/FAN_7/Ia", "z", "é/\0"]),
)
def test_whatever_comes_is_a_reading_a_part_or_told(payload: Any, topic: str) -> None:
    original = came(topic, payload)
    read = forms(WHOLE, NUMBERS).read(original)
    messages = [forms().made("home", "x", [{}], (read.message,))] if isinstance(read, Part) else read
    assert messages
    for message in messages:
        assert message.parts == (original,)
        decoded = decode(message.payload, NOW * 1000) if message.payload else None
        assert message.faults or (decoded is not None and len(decoded.t_ms) + len(decoded.rejects) > 0)

"""Bytes to columns. Nothing that comes from outside may raise, and nothing may vanish without a reason."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.links import payload as p

NOW_MS = 1_791_076_350_000.0  # 2026-10-04T01:12:30Z
GOOD = {"t": "2026-10-04T01:12:30Z", "amps": [12.2, 12.9, 12.6], "volts": [461.0, 458.4, 460.2], "ambient_c": 3.5}


def decode(what: Any) -> p.Decoded:
    return p.decode(what if isinstance(what, bytes) else json.dumps(what).encode(), NOW_MS)


def only_reject(what: Any) -> tuple[str, str]:
    decoded = decode(what)
    assert len(decoded.t_ms) == 0
    (reject,) = decoded.rejects
    assert (reject.message, reject.index) == (0, 0)
    return reject.reason, reject.detail


def test_the_reading_of_the_documents_becomes_columns() -> None:
    decoded = decode(GOOD)
    assert decoded.t_ms.tolist() == [NOW_MS]
    assert decoded.amps.tolist() == [[12.2, 12.9, 12.6]]
    assert decoded.volts.tolist() == [[461.0, 458.4, 460.2]]
    assert decoded.ambient_c.tolist() == [3.5]
    assert np.isnan(decoded.called).all()
    assert decoded.legs.tolist() == [3]
    assert decoded.has_t.tolist() == [True]
    assert decoded.rejects == []
    assert decoded.unknown_keys == {}


@pytest.mark.parametrize(
    ("reading", "legs", "amps", "volts", "ambient"),
    [
        ({"amps": 62.1, "volts": 236}, 1, [62.1, None, None], [236, None, None], None),
        ({"amps": [62.1], "volts": [236.0]}, 1, [62.1, None, None], [236, None, None], None),
        ({"amps": [12, None, 13]}, 3, [12, None, 13], [None] * 3, None),
        ({"amps": [None, None, None]}, 3, [None] * 3, [None] * 3, None),
        ({"amps": [None]}, 1, [None] * 3, [None] * 3, None),
        ({"volts": [461, 458, 460]}, 0, [None] * 3, [461, 458, 460], None),
        ({"ambient_c": -12.5}, 0, [None] * 3, [None] * 3, -12.5),
        ({"amps": [0, 0, 0]}, 3, [0, 0, 0], [None] * 3, None),
        ({"amps": [2000, 0, 2000], "volts": [1000, 0, 1000]}, 3, [2000, 0, 2000], [1000, 0, 1000], None),
        ({"amps": [-9999, 12, -999.0], "volts": [-9999, -9999, -9999]}, 3, [None, 12, None], [None] * 3, None),
    ],
)
def test_forms_of_a_reading(
    reading: dict[str, Any], legs: int, amps: list[Any], volts: list[Any], ambient: float | None
) -> None:
    decoded = decode(reading)
    assert decoded.rejects == []
    assert decoded.legs.tolist() == [legs]
    np.testing.assert_array_equal(decoded.amps, np.array([amps], float))
    np.testing.assert_array_equal(decoded.volts, np.array([volts], float))
    np.testing.assert_array_equal(decoded.ambient_c, np.array([ambient], float))
    assert decoded.has_t.tolist() == [False]


@pytest.mark.parametrize(
    ("t", "seconds"),
    [
        ("2026-10-04T01:12:30Z", 0.0),
        ("2026-10-04t01:12:30z", 0.0),
        ("2026-10-04 01:12:30Z", 0.0),
        ("2026-10-03T20:12:30-05:00", 0.0),
        ("2026-10-04T06:42:30.25+05:30", 0.25),
        (1_791_076_350, 0.0),
        (1_791_076_350.25, 0.25),
        (1_791_076_350.0004, 0.0),
        (1_791_076_350.0006, 0.001),
        (1_791_076_469, 119.0),
        (1_791_076_470, 120.0),
        (1_791_076_350 - 400 * 86_400, -400 * 86_400.0),
    ],
)
def test_times(t: str | float, seconds: float) -> None:
    decoded = decode({**GOOD, "t": t})
    assert decoded.rejects == []
    assert decoded.t_ms.tolist() == [NOW_MS + seconds * 1000]


@pytest.mark.parametrize(
    ("t", "reason", "hint"),
    [
        (1_791_076_470.001, "time in the future", "set the logger's clock"),
        (1_791_076_350_000, "time in the future", "milliseconds; Unix time is given in seconds"),
        (1_791_076_350_000_000, "time in the future", "microseconds"),
        (1_791_076_350_000_000_000, "time in the future", "nanoseconds"),
        (1e308, "time in the future", "ahead"),
        (1_791_076_350 - 400 * 86_400 - 0.001, "time too old", "400 days old"),
        (4711, "time too old", "without a clock sends no t"),
        (-1e308, "time too old", "days old"),
        (0, "time too old", "no recent Unix time"),
        ("0001-01-01T00:00:00+14:00", "time too old", "days old"),
        ("9999-12-31T23:59:59-14:00", "time in the future", "ahead"),
        ("1791076350", "wrong type", "without quotes"),
        ("2026-10-04T01:12:30", "wrong type", "the time zone is missing"),
        ("2026-10-04", "wrong type", "RFC 3339"),
        ("yesterday", "wrong type", '"yesterday"'),
        ("", "wrong type", "RFC 3339"),
        (True, "wrong type", "found true"),
        ([1], "wrong type", "found a list"),
        ({"a": 1}, "wrong type", "found an object"),
    ],
)
def test_odd_times(t: Any, reason: str, hint: str) -> None:
    found, detail = only_reject({**GOOD, "t": t})
    assert found == reason
    assert hint in detail


@pytest.mark.parametrize(
    ("reading", "reason", "words"),
    [
        ({"amps": [12, -0.1, 12]}, "amps out of range", "amps: expected 0 to 2000, found -0.1"),
        ({"amps": [12, 2000.1, 12]}, "amps out of range", "found 2000.1"),
        ({"amps": [12, 12, 12], "volts": [460, 460, 1000.5]}, "volts out of range", "volts: expected 0 to 1000"),
        ({"amps": [12, "12.5", 12]}, "wrong type", 'amps: expected a number or null, found "12.5"'),
        ({"amps": [12, True, 12]}, "wrong type", "found true"),
        ({"amps": "12.5"}, "wrong type", 'found "12.5"'),
        ({"amps": {"l1": 12}}, "wrong type", "found an object"),
        ({"amps": [[12, 12, 12]]}, "wrong type", "found a list"),
        ({"amps": None, "volts": [460, 460, 460]}, "wrong type", "null for each line"),
        ({"amps": []}, "wrong number of legs", "found 0"),
        ({"amps": [12, 12]}, "wrong number of legs", "found 2"),
        ({"amps": [12, 12, 12, 12]}, "wrong number of legs", "found 4"),
        ({"amps": [12, 12, 12], "volts": [460, 460]}, "wrong number of volts", "found 2"),
        ({"amps": [12, 12, 12], "volts": []}, "wrong number of volts", "found 0"),
        ({"amps": [12, 12, 12], "called": 2}, "wrong type", "called: expected 0 or 1, found 2"),
        ({"amps": [12, 12, 12], "called": "yes"}, "wrong type", "called"),
        ({"amps": [12, 12, 12], "ambient_c": "3"}, "wrong type", "ambient_c"),
        ({"ambient_c": 95}, "ambient out of range", "expected -60 to 80, found 95"),
        ({}, "wrong type", "found nothing in it"),
        ({"t": 1_791_076_350}, "wrong type", "found nothing in it"),
        ({"temperature": 3}, "wrong type", "expected an object with t, amps, volts, found only other keys"),
        (7, "wrong type", "expected an object with t, amps, volts, found 7"),
        (None, "wrong type", "found null"),
        ("amps", "wrong type", 'found "amps"'),
        ([], "wrong type", "an empty list"),
    ],
)
def test_what_is_wrong_is_said(reading: Any, reason: str, words: str) -> None:
    found, detail = only_reject(reading)
    assert found == reason
    assert words in detail


@pytest.mark.parametrize(
    ("raw", "reason", "words"),
    [
        (b"", "not JSON", "an empty payload"),
        (b" ", "not JSON", ""),
        (b"\xff\xfe", "not JSON", ""),
        (b'{"amps": [1, NaN, 1]}', "not JSON", "invalid character"),
        (b'{"amps": [1, Infinity, 1]}', "not JSON", "invalid character"),
        (b'{"amps": [1, 2, 3]', "not JSON", "truncated"),
        (b'{"amps": [1, 2, 3]} x', "not JSON", "trailing"),
        (b'{"amps": [1, 2, 3]},{"amps": [1, 2, 3]}', "not JSON", "trailing"),
        (b"[{},", "not JSON", ""),
        (b'{"\xff": 1}', "not JSON", "not UTF-8 text"),
        (b'{"t": "\\ud800", "amps": [1, 2, 3]}', "not JSON", ""),
        (b'{"amps": [1e400, 2, 3]}', "number out of range", "too large"),
        (b'{"amps": [1' + b"0" * 400 + b", 2, 3]}", "amps out of range", "found 1"),
        (b'{"t": 1' + b"0" * 400 + b', "amps": [1, 2, 3]}', "number out of range", "very many digits"),
        (b'{"amps": [1' + b"0" * 5000 + b", 2, 3]}", "number out of range", "too large"),
        (b'{"x": ' + b"[" * 100_000 + b"]" * 100_000 + b', "amps": [1, 2, 3]}', "not JSON", "nested too deeply"),
        (b"[" * 100_000, "not JSON", ""),
        (b'{"amps": [1, 2, 3]}' + b" " * 262_144, "too large", "more than 262144 bytes"),
    ],
)
def test_bytes_that_are_no_reading(raw: bytes, reason: str, words: str) -> None:
    found, detail = only_reject(raw)
    assert found == reason
    assert words in detail


def test_the_largest_payload_is_taken() -> None:
    raw = b'{"amps": [1, 2, 3]}'
    assert decode(raw + b" " * (262_144 - len(raw))).rejects == []


def test_of_a_key_that_stands_twice_the_last_one_counts() -> None:
    assert decode(b'{"amps": [1, 1, 1], "amps": [2, 2, 2]}').amps.tolist() == [[2, 2, 2]]


def test_unknown_keys_are_counted_and_left_alone() -> None:
    raws = [json.dumps({**GOOD, "seq": 1, "battery": None}), json.dumps(GOOD), json.dumps([{**GOOD, "seq": 2}, GOOD])]
    decoded = p.decode_many([(raw.encode(), NOW_MS) for raw in raws])
    assert decoded.unknown_keys == {0: 2, 2: 1}
    assert decoded.message.tolist() == [0, 1, 2, 2]
    assert decoded.rejects == []


@pytest.mark.parametrize(("value", "number"), [(0, 0.0), (1, 1.0), (False, 0.0), (True, 1.0)])
def test_called(value: Any, number: float) -> None:
    assert decode({**GOOD, "called": value}).called.tolist() == [number]


def test_a_broken_thermometer_costs_no_amps_and_is_not_silent() -> None:
    decoded = decode([GOOD, {**GOOD, "ambient_c": -127}])
    assert decoded.amps.tolist() == [[12.2, 12.9, 12.6]] * 2
    assert math.isnan(decoded.ambient_c[1])
    (reject,) = decoded.rejects
    assert (reject.reason, reject.index) == ("ambient out of range", 1)
    assert "taken without it" in reject.detail


def test_one_bad_reading_does_not_lose_its_neighbours() -> None:
    bad: list[Any] = [
        {**GOOD, "amps": [1, "x", 1]}, 5, {**GOOD, "t": 5}, {**GOOD, "volts": [1, 2]}, {}, {**GOOD, "amps": [9e9]},
    ]  # fmt: skip
    mixed = [GOOD]
    for one in bad:
        mixed += [one, GOOD]
    raw = json.dumps(mixed).replace("9000000000.0", "9e999")  # a number beyond any float
    decoded = decode(raw.encode())
    assert len(decoded.t_ms) == 7
    assert [(r.index, r.reason) for r in decoded.rejects] == [
        (1, "wrong type"),
        (3, "wrong type"),
        (5, "time too old"),
        (7, "wrong number of volts"),
        (9, "wrong type"),
        (11, "number out of range"),
    ]


def test_ten_thousand_readings_are_taken_and_one_more_is_not() -> None:
    one = b'{"amps":[1,2,3]}'
    many = b"[" + b",".join([one] * 10_000) + b"]"
    assert len(decode(many).t_ms) == 10_000
    reason, detail = only_reject(many[:-1] + b"," + one + b"]")
    assert (reason, detail) == ("too many readings", "10001 readings, at most 10000 are taken")
    # The same where the strict decoder does not get through.
    reason, _ = only_reject(b"[" + b",".join([b'{"amps":[1,2,3],"x":1}'[:22]] * 10_001) + b"]")
    assert reason == "too many readings"


def test_messages_do_not_mix() -> None:
    raws = [b'{"amps": [1, 2, 3]},', b'{"amps": [4, 5, 6]}', b"[", b'[{"amps": [7, 8, 9]}, {"amps": 1}]']
    decoded = p.decode_many([(raw, NOW_MS) for raw in raws])
    assert decoded.message.tolist() == [1, 3, 3]
    assert decoded.legs.tolist() == [3, 3, 1]
    assert [r.message for r in decoded.rejects] == [0, 2]


def test_nothing_becomes_empty_columns() -> None:
    decoded = p.decode_many([])
    assert decoded.amps.shape == decoded.volts.shape == (0, 3)
    assert len(decoded.t_ms) == len(decoded.message) == 0


# ---------------------------------------------------------------------- properties

patient_machine = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
KEYS = ["t", "amps", "volts", "ambient_c", "called", "x"]
NUMBERS = st.one_of(st.none(), st.integers(), st.floats(), st.booleans(), st.sampled_from([12.5, 0, -9999, 460, 1, 3]))
VALUES = st.one_of(
    NUMBERS,
    st.text("aTZ0-:.€", max_size=5),
    st.lists(NUMBERS, max_size=4),
    st.lists(st.floats(0, 2500), min_size=3, max_size=3),
    st.just(1_791_076_350),
    st.datetimes().map(lambda moment: moment.isoformat() + "Z"),
)
READINGS = st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=6)


def _count(decoded: p.Decoded) -> int:
    """Readings and rejects; a thermometer's reject stands beside its reading."""
    return len(decoded.t_ms) + sum("taken without it" not in reject.detail for reject in decoded.rejects)


@patient_machine
@given(st.lists(st.binary(max_size=60), max_size=4))
def test_arbitrary_bytes_become_readings_or_rejects(raws: list[bytes]) -> None:
    decoded = p.decode_many([(raw, NOW_MS) for raw in raws])
    assert {*decoded.message.tolist(), *(r.message for r in decoded.rejects)} == set(range(len(raws)))


@patient_machine
@given(st.lists(READINGS, min_size=1, max_size=5))
def test_each_reading_is_taken_or_refused_alone_or_in_company(readings: list[dict[str, Any]]) -> None:
    raws = [json.dumps(reading, allow_nan=True).encode() for reading in readings]
    readable = [raw for raw in raws if b"NaN" not in raw and b"Infinity" not in raw]
    alone = p.decode_many([(raw, NOW_MS) for raw in readable])
    together = p.decode(b"[" + b",".join(readable) + b"]", NOW_MS)
    assert _count(alone) == len(readable)
    if readable:
        for name in ("t_ms", "amps", "volts", "ambient_c", "called", "legs"):
            np.testing.assert_array_equal(getattr(alone, name), getattr(together, name))
        assert [(r.message, r.reason) for r in alone.rejects] == [(r.index, r.reason) for r in together.rejects]


@patient_machine
@given(READINGS)
def test_the_strict_and_the_patient_way_agree(reading: dict[str, Any]) -> None:
    raw = json.dumps(reading)
    if "NaN" in raw or "Infinity" in raw or not reading.keys() - {"x"}:
        return
    as_it_is = decode(raw.encode())
    reading["another"] = 1  # the strict way takes no unknown key
    patient = decode(json.dumps(reading).encode())
    for name in ("t_ms", "amps", "volts", "ambient_c", "called", "legs"):
        np.testing.assert_array_equal(getattr(as_it_is, name), getattr(patient, name))
    assert [r.reason for r in as_it_is.rejects] == [r.reason for r in patient.rejects]


@patient_machine
@given(READINGS)
def test_what_is_taken_is_within_the_limits(reading: dict[str, Any]) -> None:
    raw = json.dumps(reading).encode()
    decoded = decode(raw)
    with np.errstate(invalid="ignore"):
        assert not ((decoded.amps < 0) | (decoded.amps > 2000)).any()
        assert not ((decoded.volts < 0) | (decoded.volts > 1000)).any()
        assert not ((decoded.t_ms > NOW_MS + 120_000) | (decoded.t_ms < NOW_MS - 400 * 86_400_000)).any()
    assert np.isin(decoded.legs, (0, 1, 3)).all()
    assert (decoded.t_ms[decoded.has_t] % 1 == 0).all()

"""SenML packs: resolved as RFC 8428 has it, joined into readings, and nothing of them lost without a reason."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.links import payload as p
from monitor.links import senml
from monitor.links.payload import MISSING_CODES

NOW = 1_791_076_350.0  # 2026-10-04T01:12:30Z
DEVICE = "urn:dev:ow:10e2073a0108006"


def decode(pack: Any) -> p.Decoded:
    return p.decode(pack if isinstance(pack, bytes) else json.dumps(pack).encode(), NOW * 1000.0)


def resolved(pack: list[Any]) -> list[tuple[str, str | None, float, Any]]:
    records, faults = senml.resolve(pack)
    assert faults == []
    return [(one.name, one.unit, one.t, one.value) for one in records]


def rejects(decoded: p.Decoded) -> list[tuple[int, str]]:
    return [(one.index, one.reason) for one in decoded.rejects]


# ---------------------------------------------------------------------- RFC 8428's own examples


def test_single_datapoint() -> None:
    """RFC 8428 5.1.1."""
    pack = [{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}]
    (record,) = senml.resolve(pack)[0]
    assert (record.name, record.unit, record.t, record.relative) == (pack[0]["n"], "Cel", 0.0, True)
    assert record.value == 23.1


def test_two_datapoints_at_an_unspecified_time() -> None:
    """RFC 8428 5.1.2, the first example."""
    pack = [{"bn": f"{DEVICE}3:", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}]
    assert resolved(pack) == [(f"{DEVICE}3:voltage", "V", 0.0, 120.1), (f"{DEVICE}3:current", "A", 0.0, 1.2)]


CURRENT = [
    {"bn": f"{DEVICE}:", "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
    *({"n": "current", "t": t, "v": v} for t, v in ((-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6))),
    {"n": "current", "v": 1.7},
]
"""RFC 8428 5.1.2, the second example: current at 18:01:16.001 UTC on 8 June 2010 and at each of 5 s before."""


def test_the_seconds_before_by_base_time() -> None:
    """[sn-01], published: RFC 8428 5.1.2."""
    found = resolved(CURRENT)
    assert [one[0].removeprefix(f"{DEVICE}:") for one in found] == [*["current"] * 5, "voltage", "current"]
    assert [one[1] for one in found] == [*["A"] * 5, "V", "A"]
    times = [1276020071.001, 1276020072.001, 1276020073.001, 1276020074.001, 1276020075.001, *[1276020076.001] * 2]
    assert [one[2] for one in found] == pytest.approx(times, abs=1e-3)
    assert [one[3] for one in found] == [1.2, 1.3, 1.4, 1.5, 1.6, 120.1, 1.7]


def test_multiple_measurements_and_their_resolved_form() -> None:
    """RFC 8428 5.1.3 and 5.1.4: name, time and unit of each record."""
    name, start = "urn:dev:ow:10e2073a01080063", 1.320067464e09
    pack: list[Any] = [
        {"bn": name, "bt": start, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621}, {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3}, {"u": "lon", "t": 60, "v": 24.30622}, {"u": "lat", "t": 60, "v": 60.07965},
        {"t": 120, "v": 20.7}, {"u": "lon", "t": 120, "v": 24.30623}, {"u": "lat", "t": 120, "v": 60.07966},
        {"u": "%EL", "t": 150, "v": 98},
        {"t": 180, "v": 21.2}, {"u": "lon", "t": 180, "v": 24.30628}, {"u": "lat", "t": 180, "v": 60.07967},
    ]  # fmt: skip
    assert resolved(pack) == [
        (name, "%RH", 1.320067464e09, 20), (name, "lon", 1.320067464e09, 24.30621),
        (name, "lat", 1.320067464e09, 60.07965), (name, "%RH", 1.320067524e09, 20.3),
        (name, "lon", 1.320067524e09, 24.30622), (name, "lat", 1.320067524e09, 60.07965),
        (name, "%RH", 1.320067584e09, 20.7), (name, "lon", 1.320067584e09, 24.30623),
        (name, "lat", 1.320067584e09, 60.07966), (name, "%EL", 1.320067614e09, 98),
        (name, "%RH", 1.320067644e09, 21.2), (name, "lon", 1.320067644e09, 24.30628),
        (name, "lat", 1.320067644e09, 60.07967),
    ]  # fmt: skip
    # Nothing of it is a fan's: counted, and said.
    decoded = decode(pack)
    assert rejects(decoded) == [(0, "no known name")] and decoded.unknown_keys == {0: 13}


def test_multiple_data_types() -> None:
    """RFC 8428 5.1.5: number, text, truth and bytes."""
    pack: list[Any] = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"}, {"n": "open", "vb": False}, {"n": "nfc-reader", "vd": "aGkgCg"},
    ]  # fmt: skip
    assert [one[3] for one in resolved(pack)] == [23.1, "Machine Room", False, "aGkgCg"]


def test_time_is_relative_below_two_to_the_28() -> None:
    """[sn-03], published rule: RFC 8428 4.5.3."""
    now = 1_760_000_000.0
    packs = [[{"n": "l1", "t": t, "v": 1}] for t in (0, -30, 268_435_455, 268_435_456)]
    records = [senml.resolve(pack)[0][0] for pack in packs]
    assert [one.relative for one in records] == [True, True, True, False]
    tables = [senml.readings_of(pack, now, MISSING_CODES.__contains__).readings[0][2] for pack in packs]
    assert "t" not in tables[0]  # just now: the time of receipt, as of any reading without a time
    assert [table["t"] for table in tables[1:]] == [1_759_999_970, 2_028_435_455, 268_435_456]


def test_secondary_units() -> None:
    """[sn-05], published table: RFC 8798; 250 mA are 0.25 A."""
    decoded = decode([{"bver": 26, "n": "l1", "u": "mA", "v": 250}, {"n": "v12", "u": "mV", "v": 460_000}])
    assert decoded.amps[0, 0] == pytest.approx(0.25, rel=1e-9) and decoded.volts[0, 0] == pytest.approx(460, rel=1e-9)


# ---------------------------------------------------------------------- packs of a fan

PACK: list[Any] = [
    {"bn": "urn:dev:mac:00a0c9fffe000001:", "bt": NOW - 20, "bu": "A", "n": "l1", "v": 12.2},
    {"n": "l2", "v": 12.9}, {"n": "l3", "v": 12.6},
    {"n": "v12", "u": "V", "v": 461.0}, {"n": "v23", "u": "V", "v": 458.4}, {"n": "v31", "u": "V", "v": 460.2},
    {"n": "ambient", "u": "Cel", "v": 3.5}, {"n": "called", "vb": True},
    {"n": "l1", "t": 10, "v": 12.3}, {"n": "l2", "t": 10, "v": 13.0}, {"n": "l3", "t": 10, "v": 12.7},
]  # fmt: skip


def test_records_of_one_time_are_one_reading() -> None:
    decoded = decode(PACK)
    assert decoded.rejects == [] and decoded.unknown_keys == {}
    assert decoded.t_ms.tolist() == [(NOW - 20) * 1000, (NOW - 10) * 1000]
    assert decoded.amps.tolist() == [[12.2, 12.9, 12.6], [12.3, 13.0, 12.7]]
    np.testing.assert_array_equal(decoded.volts, [[461.0, 458.4, 460.2], [math.nan] * 3])
    np.testing.assert_array_equal(decoded.ambient_c, [3.5, math.nan])
    np.testing.assert_array_equal(decoded.called, [1, math.nan])
    assert decoded.legs.tolist() == [3, 3] and not decoded.from_receipt.any()


def test_the_same_as_the_plain_form() -> None:
    plain = decode([
        {"t": NOW - 20, "amps": [12.2, 12.9, 12.6], "volts": [461.0, 458.4, 460.2], "ambient_c": 3.5, "called": 1},
        {"t": NOW - 10, "amps": [12.3, 13.0, 12.7]},
    ])  # fmt: skip
    pack = decode(PACK)
    for name in ("message", "t_ms", "amps", "volts", "ambient_c", "called", "legs"):
        np.testing.assert_array_equal(getattr(pack, name), getattr(plain, name))


def test_base_value_and_a_base_field_given_again() -> None:
    decoded = decode([
        {"bn": "a/", "bt": NOW - 30, "bu": "A", "bv": 12}, {"n": "l1", "v": 0.5}, {"n": "l2", "v": 0.6},
        {"n": "l3", "v": -0.1}, {"bn": "b/", "bt": NOW - 20, "bv": 0, "n": "l1", "v": 9}, {"n": "l2", "v": 8},
        {"n": "l3", "v": 7},
    ])  # fmt: skip
    assert decoded.rejects == []
    assert decoded.t_ms.tolist() == [(NOW - 30) * 1000, (NOW - 20) * 1000]
    np.testing.assert_allclose(decoded.amps, [[12.5, 12.6, 11.9], [9, 8, 7]])


def test_relative_times_are_counted_from_receipt_and_marked() -> None:
    decoded = decode([{"bu": "A", "n": "l1", "t": -20, "v": 9}, {"n": "l1", "t": -10, "v": 8}, {"n": "l1", "v": 7}])
    np.testing.assert_array_equal(decoded.t_ms, [(NOW - 20) * 1000, (NOW - 10) * 1000, math.nan])
    assert decoded.from_receipt.tolist() == [True, True, False]
    assert decoded.has_t.tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("name", "known"),
    [
        ("l1", True), ("bin-1/l1", True), ("urn:dev:ow:10e2073a01080063_l1", True), ("a.l1", True), ("a:l1", True),
        ("xl1", False), ("l1x", False), ("L1", False), ("l4", False), ("l1/", False),
    ],
)  # fmt: skip
def test_the_last_part_of_a_name_counts(name: str, known: bool) -> None:
    decoded = decode([{"n": name, "u": "A", "v": 5}, {"n": "x/l2", "u": "A", "v": 6}, {"n": "l3", "v": 7}])
    np.testing.assert_array_equal(decoded.amps, [[5 if known else math.nan, 6, 7]])
    assert decoded.unknown_keys == ({} if known else {0: 1}) and decoded.rejects == []


def test_a_value_that_is_not_there() -> None:
    decoded = decode([{"bu": "A", "n": "l1", "v": -9999}, {"n": "l2", "u": "mA", "v": -999}, {"n": "l3", "v": None}])
    assert decoded.rejects == [] and decoded.legs.tolist() == [3] and np.isnan(decoded.amps).all()


FINE: list[Any] = [{"n": "l2", "u": "A", "v": 6}, {"n": "l3", "u": "A", "v": 7}]


@pytest.mark.parametrize(
    ("record", "reason", "words"),
    [
        ({"n": "l1", "u": "V", "v": 5}, "wrong unit", 'l1: expected A or mA, found "V"'),
        ({"n": "v12", "u": "kV", "v": 0.46}, "wrong unit", 'v12: expected V or mV, found "kV"'),
        ({"n": "ambient", "u": "K", "v": 280}, "wrong unit", 'ambient: expected Cel, found "K"'),
        ({"n": "l1", "u": "A"}, "no value", "expected a number in v, found nothing"),
        ({"n": "l1", "u": "A", "s": 5}, "no value", "found a sum"),
        ({"n": "l1", "u": "A", "vs": "5"}, "no value", 'found "5"'),
        ({"n": "l1", "u": "A", "vb": True}, "no value", "found true"),
        ({"n": "l1", "u": "A", "v": "5"}, "wrong type", 'v: expected a number, found "5"'),
        ({"n": "l1", "u": "A", "v": True}, "wrong type", "found true"),
        ({"n": "l1", "u": "A", "v": 5, "vs": "5"}, "wrong type", "expected one value, found v and vs"),
        ({"n": "l1", "u": "A", "v": 5, "t": "now"}, "wrong type", "t: expected a number"),
        ({"n": 1, "v": 5}, "wrong type", "n: expected text, found 1"),
        ({"n": "_l1", "v": 5}, "wrong SenML name", 'found "_l1"'),
        ({"n": "bin 1/l1", "v": 5}, "wrong SenML name", ""),
        ({"v": 5}, "wrong SenML name", 'found ""'),
        ({"n": "l1", "u": "A", "v": 5, "scale_": 2}, "SenML field not understood", '"scale_" must be understood'),
        ({"n": "l2", "u": "A", "v": 6}, "two values for one time", "l2: another one for the same time"),
        (7, "wrong type", "expected a SenML record"),
        ({"amps": [1, 2, 3]}, "wrong SenML name", ""),
    ],
)
def test_a_record_that_cannot_be_taken_is_said_and_costs_no_other(record: Any, reason: str, words: str) -> None:
    decoded = decode([*FINE, record])
    assert rejects(decoded) == [(2, reason)]
    assert words in decoded.rejects[0].detail
    np.testing.assert_array_equal(decoded.amps, [[math.nan, 6, 7]])


def test_a_leg_out_of_range_costs_its_reading_as_in_the_plain_form() -> None:
    decoded = decode([*FINE, {"n": "l1", "u": "A", "v": 2001}, {"bt": NOW, "n": "l1", "v": 5}])
    assert rejects(decoded) == [(0, "amps out of range")]
    assert decoded.amps[:, 0].tolist() == [5]


def test_a_base_field_that_must_be_understood_refuses_all_that_follows() -> None:
    """RFC 8428 4.4 with 4.1: a base field holds for its record and all after it."""
    decoded = decode([*FINE, {"bscale_": 10, "n": "l1", "v": 5}, {"n": "ambient", "u": "Cel", "v": 5}])
    assert rejects(decoded) == [(2, "SenML field not understood"), (3, "SenML field not understood")]
    np.testing.assert_array_equal(decoded.amps, [[math.nan, 6, 7]])


def test_a_base_field_of_a_wrong_type_holds_up_what_follows_until_it_comes_right() -> None:
    decoded = decode([
        {"n": "l1", "bt": "noon", "v": 5}, {"n": "l2", "v": 6}, {"bt": NOW - 5, "n": "l1", "v": 7}, {"n": "l2", "v": 8}
    ])  # fmt: skip
    assert rejects(decoded) == [(0, "wrong type"), (1, "wrong type")]
    assert decoded.t_ms.tolist() == [(NOW - 5) * 1000] and decoded.amps[0, :2].tolist() == [7, 8]


@pytest.mark.parametrize(
    ("version", "taken"), [(1, 1), (5, 1), (10, 1), (10.0, 1), (26, 1), (11, 0), (0, 0), ("10", 0)]
)
def test_a_version_that_is_not_understood_refuses_the_pack(version: Any, taken: int) -> None:
    decoded = decode([*FINE, {"bver": version, "n": "l1", "u": "A", "v": 5}])
    assert len(decoded.t_ms) == taken
    assert rejects(decoded) == ([] if taken else [(2, "SenML version not understood")])


def test_fields_that_are_not_known_are_ignored() -> None:
    """RFC 8428 4.4: what does not end in "_" is left alone."""
    decoded = decode([{"n": "l1", "u": "A", "v": 5, "ut": 60, "colour": "red", "bx": 3}])
    assert decoded.rejects == [] and decoded.amps[0, 0] == 5


def test_one_record_that_cannot_be_read_costs_the_pack() -> None:
    decoded = decode(json.dumps([*FINE, {"bt": 1}]).replace("1}", "1e999}").encode())
    assert rejects(decoded) == [(2, "number out of range")] and "the pack was not taken" in decoded.rejects[0].detail


@pytest.mark.parametrize(
    "what",
    [
        {"n": "l1", "u": "A", "v": 5},  # no list: a pack is one
        [{"amps": [1, 2, 3], "n": 5}],
        [{"t": 5, "v": 3}],
    ],
)
def test_what_is_no_pack(what: Any) -> None:
    assert not senml.is_pack(what if isinstance(what, list) else [])
    assert "SenML" not in str(decode(what).rejects)


def test_odd_times_of_a_pack_are_refused_like_others() -> None:
    decoded = decode([{"n": "l1", "bt": NOW, "t": 121, "v": 5}, {"n": "l1", "t": -1e300, "v": 5}, {"n": "l1", "v": 5}])
    assert rejects(decoded) == [(0, "time in the future"), (1, "time too old")]
    assert decoded.t_ms.tolist() == [NOW * 1000]


# ---------------------------------------------------------------------- properties

calm = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
NUMBERS = st.one_of(st.integers(), st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([12, 460, -5]))
ANYTHING = st.one_of(NUMBERS, st.booleans(), st.none(), st.text("l12AV_:é", max_size=4), st.just([1]), st.just({}))
LABELS = ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x", "x_", "bx_"]
WILD = st.dictionaries(st.sampled_from(LABELS), ANYTHING, max_size=6)
TIDY = st.fixed_dictionaries(
    {"n": st.sampled_from([*senml.CHANNELS, "battery"]), "v": st.floats(0, 2500)},
    optional={"t": st.integers(-60, 60), "u": st.sampled_from(["A", "V", "Cel", "/"])},
)


@calm
@given(st.lists(st.one_of(WILD, TIDY, ANYTHING), max_size=8))
def test_whatever_a_pack_holds_nothing_is_raised_and_nothing_vanishes(records: list[Any]) -> None:
    pack = [{"bn": "a:", "n": "l1", "t": -1000, "v": 1.0}, *records]
    decoded = decode(pack)
    assert len(decoded.t_ms) + len(decoded.rejects) > 0
    with np.errstate(invalid="ignore"):
        assert not ((decoded.amps < 0) | (decoded.amps > 2000)).any()
        assert not ((decoded.volts < 0) | (decoded.volts > 1000)).any()


@calm
@given(st.lists(TIDY, min_size=1, max_size=30))
def test_every_record_is_in_a_reading_or_told(records: list[dict[str, Any]]) -> None:
    pack = senml.readings_of(records, NOW, MISSING_CODES.__contains__)
    kept = sum(
        sum(value is not None for value in (one.get("amps") or []) + (one.get("volts") or []))
        + ("ambient_c" in one and one["ambient_c"] is not None)
        + ("called" in one and one["called"] is not None)
        for _, _, one in pack.readings
    )
    faults = sum(fault.reason != senml.NO_KNOWN_NAME for fault in pack.faults)
    assert kept + faults + pack.unknown == len(records)


@calm
@given(st.lists(TIDY, min_size=1, max_size=20))
def test_base_fields_change_nothing_but_the_size(records: list[dict[str, Any]]) -> None:
    long = [{**one, "n": f"a:{one['n']}", "t": one.get("t", 0) + NOW - 100} for one in records]
    short = [{"bn": "a:", "bt": NOW - 100}, *records]
    plain, based = senml.resolve(long)[0], senml.resolve(short)[0]
    assert [(one.name, one.unit, one.t, one.value) for one in plain] == [
        (one.name, one.unit, one.t, one.value) for one in based
    ]

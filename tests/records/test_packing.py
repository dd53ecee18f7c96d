"""What comes out of a packed hour is what went in, bit for bit."""

from __future__ import annotations

import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from monitor.records import packing
from monitor.records.packing import pack, unpack, unpack_air
from monitor.records.rows import FOUND, ReadingRows

WHOLE = ("number", "t_ms", "version", "flags")


def bits(rows: ReadingRows) -> dict[str, bytes]:
    return {name: column.tobytes() for name, column in rows.columns().items()}


int64 = st.integers(-(2**63), 2**63 - 1)
odd = np.array([0.0, -0.0, np.nan, np.inf, -np.inf, 5e-324, 2.0**53, 1e300, 0.1 + 0.2, 12.4])


@st.composite
def any_rows(draw: st.DrawFn) -> ReadingRows:
    n = draw(st.integers(1, 40))

    def measured() -> np.ndarray:
        seeded = np.random.default_rng(draw(st.integers(0, 2**32)))
        kind = draw(st.sampled_from(["any bits", "missing", "odd", "decimals", "decimals with gaps"]))
        if kind == "any bits":
            return np.frombuffer(draw(st.binary(min_size=8 * n, max_size=8 * n))).copy()
        if kind == "missing":
            return np.full(n, np.nan)
        if kind == "odd":
            return seeded.choice(odd, n)
        values = seeded.uniform(-500, 2000, n).round(draw(st.integers(0, 8)))
        if kind == "decimals with gaps":
            values[seeded.random(n) < 0.3] = np.nan
        return values

    whole = {
        name: draw(
            st.one_of(
                hnp.arrays(np.int64, n, elements=int64),
                st.builds(
                    lambda first, step: first + step * np.arange(n), st.integers(0, 2**40), st.integers(-5, 10**7)
                ),
                st.builds(lambda value: np.full(n, value, np.int64), int64),
            )
        )
        for name in WHOLE
    }
    return ReadingRows(
        **whole,
        point_id=np.full(n, 7),
        amps=np.column_stack([measured() for _ in range(3)]),
        volts=np.column_stack([measured() for _ in range(3)]),
        ambient_c=measured(),
        called=measured(),
        limit_amps=measured(),
        **{name: measured() for name in FOUND},
    )


@given(any_rows())
def test_any_columns_come_back_bit_for_bit(rows: ReadingRows) -> None:
    assert bits(unpack(pack(rows), 7)) == bits(rows)


@pytest.mark.parametrize(
    "value",
    [
        0.0,
        -0.0,
        np.nan,
        np.inf,
        -np.inf,
        5e-324,
        2.0**53,
        2.0**53 - 1,
        1e300,
        0.1,
        0.1 + 0.2,
        1 / 3,
        12.4,
        -273.15,
        1e-6,
        1e-7,
    ],
)
def test_a_value_at_the_edge_comes_back(value: float) -> None:
    for others in (12.4, np.nan, value):
        column = np.array([value, others, others])
        assert packing._read_measured(packing._measured(column), 3).tobytes() == column.tobytes()


def test_nan_of_another_kind_keeps_its_bits() -> None:
    column = np.array([0x7FF8000000000001, -1, 0x7FF8000000000000], np.int64).view(np.float64)
    assert packing._read_measured(packing._measured(column), 3).tobytes() == column.tobytes()


@pytest.mark.parametrize(
    "extreme", [-(2**63), 2**63 - 1, -129, -128, 127, 128, -32769, 32767, 32768, 2**31, -(2**31) - 1]
)
def test_whole_numbers_at_the_edge_of_a_width_come_back(extreme: int) -> None:
    for column in ([extreme], [0, extreme, 0, 0], [extreme, extreme, -extreme // 3]):
        values = np.array(column, np.int64)
        assert packing._read_whole(packing._whole(values), len(values)).tobytes() == values.tobytes()


def farm_hour(places: int = 1) -> ReadingRows:
    """An hour at 10 s of a fan among fifty: noise of a clamp, even times, a limit that stands still."""
    seeded = np.random.default_rng(1)
    n = 360
    return ReadingRows(
        number=7 + 50 * np.arange(n) + seeded.integers(0, 5, n),
        point_id=np.ones(n),
        t_ms=1_791_075_600_000 + 10_000 * np.arange(n),
        amps=(12 + seeded.normal(0, 0.05, (n, 3))).round(places),
        volts=(460 + seeded.normal(0, 0.8, (n, 3))).round(1),
        ambient_c=np.full(n, 3.5),
        called=np.full(n, np.nan),
        limit_amps=np.full(n, 14.26),
        version=np.ones(n),
        flags=np.zeros(n),
    )


@pytest.mark.parametrize(("places", "most"), [(1, 5.0), (2, 6.5)])
def test_an_hour_of_a_farm_takes_few_bytes_a_reading(places: int, most: float) -> None:
    """Regression values of our own; as doubles alone it would be 88 bytes a reading."""
    assert len(pack(farm_hour(places))) / 360 < most


def test_bytes_of_another_form_are_refused() -> None:
    packed = pack(farm_hour())
    with pytest.raises(ValueError, match="is not in form 2 or older"):
        unpack(bytes([packing.PACKED_FORMAT + 1]) + packed[1:], 1)
    for short in (b"", b"\x01", packed[:20]):
        with pytest.raises(ValueError, match="packed hour of point 1"):
            unpack(short, 1)


@given(st.integers(1, 10_000), st.integers(1, 255))
def test_damage_is_always_noticed(place: int, change: int) -> None:
    packed = bytearray(pack(farm_hour()))
    packed[5 + place % (len(packed) - 5)] ^= change
    with pytest.raises(ValueError, match="packed hour of point 1 is damaged"):
        unpack(bytes(packed), 1)


def test_a_column_that_does_not_shrink_at_all_comes_back() -> None:
    """Once the compressed bytes were taken where they were just as many as the plain ones, and read as plain."""
    for n in range(1, 200):
        rows = farm_hour().take(slice(0, n))
        assert bits(unpack(pack(rows), 1)) == bits(rows)


def test_hours_packed_before_findings_were_kept_read_as_before() -> None:
    """The first three readings of `farm_hour`, as form 1 had them."""
    older = base64.b85decode(
        "0RsR40P|yJ94G()03-ka03-ka03!eZ05Sjo00IC205Sjo05Sjo05Sjo05|{u05|{u05|{u05|{u0099B000000000o00000000000RaGj#%u(k0"
        "RR9HCjbBd000000096100000009610000004TLD{U8!W000mG00969zybjQ00RI30000Z000000000Z00000000000RjL6000010Fng&0000000"
        "00000000009920{{R30RVRZ0000000031000000003100RI30000C000000000C00000000010RRI400001c>n+a00000cK`qY000000s#O40RR"
        "I400001{t*BG00000{t*BG00000008j;0RRI4000012ND1P00000_YnX9000005C8=M0RRI4000011QGxM00000@eu$300000695Y"
    )
    assert older[0] == 1
    assert bits(unpack(older, 1)) == bits(farm_hour().take(slice(0, 3)))
    t_ms, air = unpack_air(older, 1)
    assert t_ms.tolist() == farm_hour().t_ms[:3].tolist() and air.tolist() == [3.5] * 3

"""The compiled watch and its plain twin say the same, bit for bit."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings

from tests.watch.streams import Stream, by_kernel, by_twin, seeded, streams

LONG = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


def same(stream: Stream) -> None:
    kernel, twin = by_kernel(stream), by_twin(stream)
    for number, (mine, its) in enumerate(zip(kernel.judged, twin.judged, strict=True)):
        assert mine == its, (number, stream.rows[number])
    for fan in kernel.changes:
        assert kernel.changes[fan] == twin.changes[fan]


@LONG
@given(streams())
def test_invented_streams(stream: Stream) -> None:
    same(stream)


@pytest.mark.parametrize("given_period", [True, False], ids=["given", "learned"])
@pytest.mark.parametrize("period", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("phases", [3, 1])
def test_long_seeded_streams(phases: int, period: float, given_period: bool) -> None:
    for seed in range(3):
        same(seeded(seed, phases, period, given_period))


def test_the_seeded_streams_bring_out_everything() -> None:
    # A comparison of two silent watches would prove nothing.
    found: Counter[tuple[str, str | None]] = Counter()
    for period in (1.0, 10.0, 60.0):
        for seed in range(4):
            found.update((change[2], change[3]) for change in by_twin(seeded(seed, 3, period)).changes[0])
    for what in ("raised", "cleared", "superseded"):
        for name in ("overload", "low-margin", "voltage-unbalance-severe", "voltage-unbalance", "stopped"):
            assert found[what, name] >= 1, (what, name, found)
    assert found["run started", None] >= 20
    assert found["run ended", None] >= 20

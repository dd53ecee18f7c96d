"""The compiled watch and its plain twin say the same, bit for bit."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings

from tests.watch.invented import seeded, streams
from tests.watch.streams import TABLE, Stream, by_kernel, by_twin

LONG = settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


def same(stream: Stream) -> None:
    kernel, twin = by_kernel(stream), by_twin(stream)
    for fan in kernel.changes:
        for mine, its in zip(kernel.changes[fan], twin.changes[fan], strict=False):
            assert mine == its, (mine[0], stream.rows[mine[0]])
    for number, (mine, its) in enumerate(zip(kernel.judged, twin.judged, strict=True)):
        assert mine == its, (number, stream.rows[number])
    assert kernel.changes == twin.changes
    assert kernel.kept == twin.kept


@LONG
@given(streams())
def test_invented_streams(stream: Stream) -> None:
    same(stream)


@pytest.mark.parametrize("given_period", [True, False], ids=["given", "learned"])
@pytest.mark.parametrize("period", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("phases", [3, 1])
def test_long_seeded_streams(phases: int, period: float, given_period: bool) -> None:
    for seed in range(6):
        same(seeded(seed, phases, period, given_period))


def test_the_seeded_streams_bring_out_everything() -> None:
    # A comparison of two silent watches would prove nothing.
    found: Counter[tuple[str, str | None]] = Counter()
    endings = []
    proven = 0
    for period in (1.0, 10.0, 60.0):
        for seed in range(6):
            twin = by_twin(seeded(seed, 3, period))
            found.update((change[2], change[3]) for change in twin.changes[0])
            endings += [change[10] for change in twin.changes[0] if change[10] is not None]
            proven += twin.kept[0][1] != "nan"
    for name in TABLE:
        assert found["raised", name] >= 1, (name, found)
        assert found["cleared", name] >= 1, (name, found)
        if name not in ("supply-lost", "many-starts", "logger-suspect"):  # nothing says them more strongly
            assert found["superseded", name] >= 1, (name, found)
    assert found["hotter", "overload"] >= 3
    assert found["run started", None] >= 20
    assert found["run ended", None] >= 20
    # Each figure of an ending is known in some of them, and differs.
    for place in range(12):
        assert len({ending[place] for ending in endings} - {"nan"}) >= 2, place
    assert proven

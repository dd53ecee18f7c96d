"""The compiled watch and its plain twin say the same, bit for bit."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings

from tests.watch.invented import season, seeded, streams
from tests.watch.streams import TABLE, Stream, by_kernel, by_twin

LONG = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
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


def long_streams(phases: int, period: float, given_period: bool) -> list[Stream]:
    return [seeded(seed, phases, period, given_period, stretches=25) for seed in range(3)]


@pytest.mark.parametrize("given_period", [True, False], ids=["given", "learned"])
@pytest.mark.parametrize("period", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("phases", [3, 1])
def test_long_seeded_streams(phases: int, period: float, given_period: bool) -> None:
    for stream in long_streams(phases, period, given_period):
        same(stream)


@pytest.mark.parametrize("seed", range(3))
def test_seasons(seed: int) -> None:
    same(season(seed))


def test_these_streams_bring_out_everything() -> None:
    # A comparison of two silent watches would prove nothing.
    found: Counter[tuple[str, str | None]] = Counter()
    endings, proven = [], []
    compared = [stream for period in (1.0, 10.0, 60.0) for phases in (3, 1) for given_period in (True, False)
                for stream in long_streams(phases, period, given_period)]  # fmt: skip
    for stream in [*(season(seed) for seed in range(3)), *compared]:
        kernel = by_kernel(stream, only_changes=True)
        found.update((change[2], change[3]) for change in kernel.changes[0])
        endings += [change[10] for change in kernel.changes[0] if change[10] is not None]
        proven.append(kernel.kept[0][1])
    for name in TABLE:
        assert found["raised", name] >= 1, (name, found)
        assert found["cleared", name] >= 1, (name, found)
        if name not in ("supply-lost", "phase-lost", "many-starts", "logger-suspect"):  # hardly anything outdoes them
            assert found["superseded", name] >= 1, (name, found)
    assert found["hotter", "overload"] >= 3
    assert found["run started", None] >= 20
    assert found["run ended", None] >= 20
    # Each figure of an ending is known in some of them, and differs (but full-load amps, the last but one).
    for place in range(12):
        assert len({ending[place] for ending in endings} - {"nan"}) >= 2 - (place == 10), place
    assert proven[0] != "nan"

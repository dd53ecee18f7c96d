"""Whatever lines a server refuses, all others are stored, and each refused one is told."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.links.influx import Kind, WriteError
from monitor.service.archive_split import NAMED_A_WRITE, write_all


class Server:
    """Refuses some lines; `partial` ones store all others of a write, the rest store nothing of it."""

    def __init__(
        self, bad: set[str], *, partial: bool, most: int = 10**9, named: bool = True, said: str = "bad"
    ) -> None:
        self.bad, self.partial, self.most, self.named, self.said = bad, partial, most, named, said
        self.stored: set[str] = set()
        self.writes = 0

    def write(self, some: Sequence[str]) -> None:
        self.writes += 1
        assert some, "a write of nothing"
        if len(some) > self.most:
            raise WriteError("too much", Kind.SIZE)
        refused = [line for line in some if line in self.bad]
        if not refused or self.partial:
            self.stored |= set(some) - self.bad
        if refused:
            raise WriteError(
                self.said, Kind.LINES, dropped=len(refused) if self.partial else None, named=self.named
            )  # fmt: skip


@given(
    st.sets(st.integers(0, 120)), st.integers(1, 120), st.booleans(), st.integers(1, 200), st.integers(1, 200)
)  # fmt: skip
def test_all_lines_but_the_bad_ones_are_stored(
    bad: set[int], number: int, partial: bool, most: int, server_most: int
) -> None:
    lines = [str(line) for line in range(number)]
    wanted = {str(line) for line in bad} & set(lines)
    server = Server(wanted, partial=partial, most=server_most)
    outcome = write_all(server.write, lines, most)
    assert server.stored == set(lines) - wanted
    assert outcome.missing == len(wanted)
    if len(wanted) < NAMED_A_WRITE:
        assert sorted(line for line, _ in outcome.refused) == sorted(wanted)
    assert {words for _, words in outcome.refused} == ({"bad"} if wanted else set())
    assert 1 <= outcome.most <= most and (server_most < min(most, number)) == (outcome.most < most)


def test_many_alike_are_counted_and_not_each_looked_for() -> None:
    lines = [str(line) for line in range(5_000)]
    server = Server(set(lines[:-1]), partial=True)
    outcome = write_all(server.write, lines, 5_000)
    assert server.stored == {"4999"} and outcome.missing == 4_999
    assert server.writes < 4 * NAMED_A_WRITE and len(outcome.refused) < 2 * NAMED_A_WRITE
    assert any("of 2500 lines)" in line for line, _ in outcome.refused)


def test_what_a_bucket_no_longer_keeps_is_counted_at_once() -> None:
    lines = [str(line) for line in range(5_000)]
    server = Server(set(lines[:4_000]), partial=True, said="partial write: points beyond retention policy")
    outcome = write_all(server.write, lines, 5_000)
    assert (server.writes, outcome.missing, server.stored) == (1, 4_000, set(lines[4_000:]))


def test_a_server_that_refuses_all_and_speaks_of_no_line_is_waited_for() -> None:
    lines = [str(line) for line in range(8)]
    server = Server(set(lines), partial=False, named=False, said="organization name is required")
    with pytest.raises(WriteError, match="refuses every line: organization name is required") as caught:
        write_all(server.write, lines, 8)
    assert caught.value.kind is Kind.SETTINGS
    server = Server(set(lines[:-1]), partial=False, named=False)  # one is taken: so it is the lines
    assert write_all(server.write, lines, 8).missing == 7


def test_a_line_that_is_too_large_by_itself_is_refused_where_others_are_taken() -> None:
    def write(some: Sequence[str]) -> None:
        if len(some) > 1 or len(some[0]) > 3:
            raise WriteError("too much", Kind.SIZE)

    outcome = write_all(write, ["a", "long", "b"], 10)
    assert (outcome.refused, outcome.missing, outcome.most) == ([("long", "too much")], 1, 1)


def test_a_door_that_takes_no_line_for_its_size_loses_none() -> None:
    """A proxy whose limit is too low answers 413 to everything: each line was left out for good."""
    asked = []

    def write(some: Sequence[str]) -> None:
        asked.append(len(some))
        raise WriteError("too much at once", Kind.SIZE)

    with pytest.raises(WriteError, match="refuses every line: too much at once") as caught:
        write_all(write, [str(line) for line in range(5_000)], 5_000)
    assert caught.value.kind is Kind.SETTINGS
    assert len(asked) < 200


@pytest.mark.parametrize("kind", [Kind.WAIT, Kind.SETTINGS])
def test_trouble_that_is_not_the_lines_ends_it(kind: Kind) -> None:
    writes = []

    def write(some: Sequence[str]) -> None:
        writes.append(list(some))
        if len(writes) == 3:
            raise WriteError("away", kind)
        raise WriteError("bad", Kind.LINES)

    with pytest.raises(WriteError, match="away"):
        write_all(write, ["a", "b", "c", "d"], 10)
    assert writes == [["a", "b", "c", "d"], ["a", "b"], ["a"]]

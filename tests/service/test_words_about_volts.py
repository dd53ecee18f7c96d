"""What a notice says about the voltage its limit was adjusted by, or why it was not."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.records import tables


def told(bench: Any) -> str:
    return str(bench.rows(tables.notices, "created_ms")[-1]["long"])


@pytest.mark.parametrize(
    ("volts", "says"),
    [
        (None, "Note: not adjusted: voltage is not measured."),
        ([450.0], "Note: not adjusted: only one line voltage is measured, so its unbalance is not known."),
        ([470.0, 460.0, 450.0], "Note: unbalance counts twice"),
    ],
)
def test_why_the_limit_was_not_adjusted(bench: Any, volts: list[float] | None, says: str) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 150, amps=12.0, **({} if volts is None else {"volts": volts}))
    assert says in told(bench)
    assert ("Volts:" in told(bench)) == (volts is not None)


def test_volts_of_hours_ago_are_not_told_as_those_of_now(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 60, amps=9.0, volts=[470.0, 460.0, 450.0])
    bench.send("north", 3600, 3750, amps=12.0)
    assert "Volts:" not in told(bench)
    assert "at 2.2 % unbalance, by the last voltages measured)" in told(bench)

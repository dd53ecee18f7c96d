"""Every timeline of scenarios/: what is raised and cleared, when, since when, and nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.watch.streams import TABLE
from tests.watch.timeline import FOLDER, Timeline, read

ALL = [timeline for path in sorted(FOLDER.glob("*.txt")) for timeline in read(path)]


@pytest.mark.parametrize("timeline", ALL, ids=lambda timeline: f"{timeline.name} at {timeline.period} s")
def test_timeline(timeline: Timeline) -> None:
    found = timeline.found()
    # A start that is not written down is not compared; what is told at one moment may be written in any order.
    wanted = {(at, what): since for at, what, since in timeline.expected}
    told = [(at, what, since if wanted.get((at, what)) else None) for at, what, since in found]
    assert sorted(told, key=str) == sorted(timeline.expected, key=str)


@pytest.mark.parametrize("condition", [*TABLE, "logger-overdue"])
def test_each_condition_has_its_timelines(condition: str) -> None:
    # Raised and cleared at each period, and at least one in which it has to stay silent although something is going on.
    for period in (1, 10, 60):
        told = {what for one in ALL if one.period == period for _, what, _ in one.expected}
        assert {f"{condition} raised", f"{condition} cleared"} <= told, period
    silent = [one for one in ALL if one.silent == condition]
    assert silent
    assert not any(what == f"{condition} raised" for one in silent for _, what, _ in one.expected)
    # A timeline in which it is turned off would show nothing.
    assert not any(one.plate.conditions.get(condition, {}).get("off") for one in silent)


def test_a_line_that_is_not_understood_is_named(tmp_path: Path) -> None:
    path = tmp_path / "wrong.txt"
    path.write_text("00:00:00  38 | 460\n00:01:00 fourty | 460\n")
    with pytest.raises(ValueError, match=r"wrong\.txt:2"):
        read(path)
    path.write_text("00:00:00  38 | 460\n00:01:00  end\n")
    with pytest.raises(ValueError, match="nothing else"):
        read(path)

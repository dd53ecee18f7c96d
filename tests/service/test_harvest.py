"""A day of the harvest bench through the worker: no trip goes unreported, and who is healthy is left alone.

The whole season with its figures: `python -m tests.bench.harvest`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.harvest_farm import LOADED, NEAR, STEADY, UNEVEN, harvest
from tests.bench.harvest_play import played
from tests.bench.harvest_score import Score, score

FANS = ("bin-1", "bin-9", "bin-11", "bin-12")
TRULY_AWAY = ("supply-lost", "site-silent", "logger-overdue", "stopped", "broker-away", "found-late")


@pytest.mark.slow
def test_a_day_of_harvest(tmp_path: Path) -> None:
    season = harvest(5, 1.2, 60, FANS)
    tally = Score()
    with played(season, tmp_path) as done:
        score(season, done.farm.truth.ends, done.farm.truth.starts, done.database, tally)
    assert set(tally.months) == {STEADY, NEAR, LOADED, UNEVEN}
    assert tally.trips["all"] >= 2, "a day without a trip proves nothing"
    assert tally.trips["told"] == tally.trips["all"], tally.misses
    leads = tally.leads["ours"]
    assert leads and min(leads) > 5.0, tally.misses  # none is NaN: all were announced
    assert not tally.not_so, tally.misses
    healthy = {key for key in tally.notices if key[0] in (STEADY, NEAR)}
    assert {condition for _, condition, _, _ in healthy} <= set(TRULY_AWAY), healthy

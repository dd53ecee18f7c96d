"""What stands on the service record counts in a review of what is stored."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.blades.belief import USUAL, amps_per_degree
from monitor.motor import lead_rotation
from monitor.motor.current import current_model
from monitor.motor.nameplate import Motor
from monitor.records import service_record
from monitor.records.database import open_database
from monitor.records.rows import to_ms
from monitor.records.service_record import CHECK, LEAD_ROTATION, RE_PITCH, NewEntry
from monitor.review.findings import Findings
from monitor.review.stored import stored
from tests.review.published import as_published
from tests.service.conftest import NOW, Bench

PLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 10.0
[fan]
control = "continuous"
blade_pitch_degrees = 21
available_pitch_degrees = [15, 17, 19, 21]
[logger]
period_seconds = 30
"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A fan with uneven legs, a little over its limit, for an hour; no volts."""
    database = open_database(f"sqlite:///{tmp_path / 'monitor.db'}")
    made = Bench("", database)
    made.register("north", PLATE, since=NOW - timedelta(days=60))
    made.begin().round()
    made.wall = NOW + timedelta(hours=1)
    legs = [[10.7 + 0.01 * (number % 3), 9.7, 9.1] for number in range(120)]
    made.put("north", [made.reading(30.0 * number, amps) for number, amps in enumerate(legs)])
    made.worker.round()
    made.pass_time(30.0)
    made.worker.stop()
    yield made
    database.close()


def look(bench: Bench) -> Findings:
    found = stored(bench.database, "home", "north", NOW - timedelta(hours=1), NOW + timedelta(hours=2))
    as_published(found)
    return found


def enter(bench: Bench, kind: str, days: float, body: dict[str, Any], found: dict[str, Any] | None = None) -> None:
    done = to_ms(NOW + timedelta(days=days))
    entry = NewEntry(bench.point_id("north"), kind, done, done, "someone", body, found or {})
    with bench.database.begin() as connection:
        service_record.write(connection, [entry], {})


def test_nothing_on_record(bench: Bench) -> None:
    found = look(bench)
    assert found.estimate.pitch.provisional and not found.estimate.done
    assert found.causes[0].cause == "leg connection"
    assert not any("rotating the leads" in text for cause in found.causes for text in cause.evidence)


def test_checks_make_it_firm_for_thirty_days(bench: Bench) -> None:
    for check, days in (("supply voltage", -29.0), ("connections", -31.0), ("bearings", -1.0)):
        enter(bench, CHECK, days, {"check": check, "finding": "good"})
    found = look(bench)
    assert found.estimate.done == {"supply voltage", "bearings"} and found.estimate.pitch.provisional
    enter(bench, CHECK, -2.0, {"check": "connections", "finding": "put right"})
    assert not look(bench).estimate.pitch.provisional
    enter(bench, CHECK, 1.0, {"check": "bearings", "finding": "fault found"})
    assert not look(bench).estimate.pitch.provisional  # after these readings


@pytest.mark.parametrize(
    ("after", "main", "says"),
    [
        ((10.7, 9.7, 9.1), "supply unbalance", "stays with the line"),
        ((9.1, 10.7, 9.7), "leg connection", "moves with the lead"),
    ],
)
def test_the_lead_test_decides(bench: Bench, after: tuple[float, ...], main: str, says: str) -> None:
    before = look(bench)
    shown = lead_rotation.judge((10.7, 9.7, 9.1), after, lead_rotation.FORWARD)
    body = {"amps_before": [10.7, 9.7, 9.1], "amps_after": list(after), "way": lead_rotation.FORWARD}
    enter(bench, LEAD_ROTATION, 2.0, body, {"stays_with": shown.stays_with, "words": [shown.words]})
    found = look(bench)
    assert found.causes[0].cause == main
    first = found.causes[0].evidence[0]
    assert first.startswith("rotating the leads on 5 October 2026") and says in first
    total = sum(cause.share_amps for cause in found.causes)
    assert total == pytest.approx(sum(cause.share_amps for cause in before.causes))


def test_a_technician_s_volts_count_where_the_logger_has_none(bench: Bench) -> None:
    assert look(bench).estimate.limit.amps == 10.0
    enter(bench, CHECK, -3.0, {"check": "supply voltage", "finding": "good", "volts": [460.0, 450.0, 470.0]})
    limit = look(bench).estimate.limit
    assert limit.amps < 9.6 and "a technician's reading of 30 September 2026" in limit.factors[-1].source


def test_what_a_re_pitch_taught(bench: Bench) -> None:
    assert look(bench).estimate.pitch.worth.source.startswith("usual")
    enter(bench, RE_PITCH, -10.0, {"from": 23.0, "to": 21.0}, {"before": None, "after": None})
    assert look(bench).estimate.pitch.worth.source.startswith("usual")
    done = to_ms(NOW - timedelta(days=5))
    before, after = (
        {
            "from_ms": done + 3_600_000.0 * hours, "to_ms": done + 3_600_000.0 * (hours + 0.5), "seconds": 1800.0,
            "highest": amps, "mean": amps, "v": 1.0, "ambient_c": 10.0, "power": power, "readings": 60,
        }
        for hours, amps, power in ((-2.0, 11.0, 10.0), (2.0, 10.0, 10.0 * math.exp(-0.20)))
    )  # fmt: skip
    enter(bench, RE_PITCH, -5.0, {"from": 23.0, "to": 21.0}, {"before": before, "after": after})
    worth = look(bench).estimate.pitch.worth
    usual = amps_per_degree(MOTOR, current_model(MOTOR), USUAL).mean
    # s_obs 0.10 with 0.03/2, the belief 0.075 with 0.015: halfway between the two
    assert worth.mean == pytest.approx(usual * 0.0875 / 0.075, rel=1e-6)


MOTOR = Motor(460.0, 3, 10.0, rated_power_hp=10.0)

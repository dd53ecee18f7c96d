"""The review of one log: runs, spells over the limit, gaps, window, and worked fans."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.motor.nameplate import Fan, Logger, Motor, Nameplate, Protection
from monitor.review import watching, what_if
from monitor.review.engine import review
from monitor.review.findings import Findings
from monitor.review.log import Log
from monitor.review.summary import summary
from tests.reference.values import LEDGER, load
from tests.review.logs import clock, invented, plate, steady, told
from tests.review.published import as_published

ENTRIES = {entry["id"]: entry for entry in load("degrees.json")}

TRIP = """
00:00:00  0 | 460
00:05:00  220 | 455
00:05:03  37 | 460
02:00:00  37>48 | 460
03:20:00  0 | 461
04:00:00  end
"""
"""A load that rises through limit and setting until the device opens."""


def ends(found: Findings) -> list[tuple[str, str, str, str]]:
    return [(clock(run.start_ms), clock(run.end_ms), run.end_cause, run.confidence) for run in found.runs]


@pytest.mark.parametrize("period", [1, 10, 60])
def test_a_trip_with_its_spell_and_its_window(period: int) -> None:
    found = review(told(TRIP, period, noise=0.001), plate(period=float(period)))
    (run,) = found.runs
    assert (clock(run.start_ms), run.end_cause, run.confidence) == ("00:05:00", "overload trip", "high")
    assert run.end_ms == found.log.t_ms[found.log.amps[:, 0] > 5].max()
    assert 47.7 < run.peak_amps < 48.4 and run.peak_percent_of_limit == pytest.approx(100.0 * run.peak_amps / 40.0)
    assert run.starts_ok and found.worst == 0
    (spell,) = found.overloads
    # 40 A are reached 21.8 min into the rise; noise of 0.1 % crosses up to some 30 s earlier or later.
    assert abs(spell.start_ms - found.log.t_ms[0] - 1000 * (7200 + 1309)) <= 1000 * (period + 45)
    assert clock(spell.end_ms) == "03:20:00" and spell.seconds <= (spell.end_ms - spell.start_ms) / 1000.0
    assert found.window is not None
    assert found.window.to_ms == run.end_ms and found.window.to_ms - found.window.from_ms == 1_800_000
    assert [cause.cause for cause in found.causes] == ["fan load"]
    raised = {alarm.id: alarm for alarm in found.alarms}
    assert {"overload", "tripped"} <= set(raised) and "stopped" not in raised
    assert raised["overload"].priority == "highest"  # the motor image reached 1
    assert raised["tripped"].cleared_ms is None


def test_a_healthy_log_has_no_causes() -> None:
    found = review(told("00:00:00  36 | 460\n06:00:00  0 | 460\n07:00:00  end", noise=0.002), plate())
    assert ends(found) == [("00:00:00", "05:59:50", "stopped", "high")]
    assert found.causes == () and found.overloads == ()
    assert [one.trips for one in found.what_if if "air" not in one.change] == [False] * (len(found.what_if) - 1)


def test_an_empty_log_and_one_that_never_ran() -> None:
    empty = review(_none(), plate())
    assert (empty.runs, empty.worst, empty.window, empty.causes, empty.what_if) == ((), None, None, (), ())
    assert empty.as_json()["from"] is None
    still = review(told("00:00:00  0 | 460\n01:00:00  end"), plate())
    assert (still.runs, still.worst, still.causes) == ((), None, ())
    assert still.as_json()["limit"]["amps"] == 40.0


def _none() -> Any:
    log = told("00:00:00  0 | 460\n00:01:00  end")
    return dataclasses.replace(
        log, t_ms=log.t_ms[:0], amps=log.amps[:0], volts=log.volts[:0], ambient_c=log.ambient_c[:0],
        called=log.called[:0],
    )  # fmt: skip


def test_gaps() -> None:
    text = "00:00:00  36 | 460\n01:00:00  silent\n01:30:00  36 | 460\n02:00:00  end"
    (gap,) = review(told(text), plate()).gaps
    assert (clock(gap.from_ms), clock(gap.to_ms)) == ("00:59:50", "01:30:00")
    # within the first readings, before the watch has learned the period
    text = "00:00:00  36 | 460\n00:00:04  silent\n00:00:30  36 | 460\n00:10:00  end"
    (gap,) = review(told(text, 1), plate(period=None)).gaps
    assert (clock(gap.from_ms), clock(gap.to_ms)) == ("00:00:03", "00:00:30")


def test_how_a_log_is_cut_alters_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    log = told(TRIP, 10, noise=0.002)
    whole = review(log, plate())
    monkeypatch.setattr(watching, "ROWS_AT_ONCE", 97)
    cut = review(log, plate())
    assert cut.as_json() == whole.as_json()
    for name in ("highest", "limit", "ratio", "motor_heat", "device_heat", "seconds_to_trip", "flags"):
        assert np.array_equal(getattr(cut.judged, name), getattr(whole.judged, name), equal_nan=True), name


@pytest.mark.parametrize("name", ["dp-01", "dp-02"])
def test_a_worked_fan(name: str) -> None:
    """A whole fan worked by independent code, from a log made of its figures."""
    entry = ENTRIES[name]
    inputs = entry["inputs"]
    nameplate = Nameplate(
        Motor(
            inputs["rated_voltage"], inputs["phases"], inputs["full_load_amps"], inputs["service_factor"],
            rated_power_hp=inputs["rated_power"], power_factor=inputs.get("power_factor"),
        ),
        fan=Fan(
            inputs["blade_pitch"], tuple(inputs["available_pitch"]), inputs["minimum_pitch"],
            coldest_expected_c=inputs["coldest_expected"], target_margin_percent=100.0 * inputs["target_margin"],
        ),
        logger=Logger(inputs["logger_accuracy_percent"], inputs["logger_accuracy_amps"]),
    )  # fmt: skip
    found = review(steady(inputs["amps"], inputs["volts"], inputs["air_temperature"]), nameplate)
    said = found.as_json()
    options = said["pitch"]["options"][::-1]
    parts = [part["amps"] for part in said["parts"]]
    LEDGER.check(
        entry, adjusted_limit=said["limit"]["amps"], parts=parts, parts_sum=sum(parts),
        load_ratio=found.judged.ratio[-1], airflow=[one["airflow_percent"] for one in options],
        as_is_amps=[one["amps"] for one in options], as_is_low=[one["low"] for one in options],
        as_is_high=[one["high"] for one in options], as_is_chance=[one["chance"] for one in options],
        right_chance=[one["chance_supply_right"] for one in options], as_is_pitch=said["pitch"]["as_is"]["pitch"],
        right_pitch=said["pitch"]["supply_right"]["pitch"],
    )  # fmt: skip
    assert sum(cause.share_amps for cause in found.causes) <= sum(part for part in parts if part > 0) + 1e-9


def test_the_worst_end_is_the_last_of_its_kind() -> None:
    text = """
    00:00:00  47 | 460
    00:30:00  0 | 460
    01:00:00  37 | 460
    02:00:00  0 | 230
    02:10:00  37 | 460
    03:00:00  43>49 | 460
    03:30:00  0 | 460
    04:00:00  37 | 460
    05:00:00  0 | 460
    05:30:00  end
    """
    found = review(told(text, noise=0.001), plate())
    assert [run.end_cause for run in found.runs] == ["overload trip", "supply lost", "overload trip", "stopped"]
    assert found.worst == 2 and found.window is not None and found.window.to_ms == found.runs[2].end_ms
    # while an overload stands the window begins at its onset
    assert clock(found.window.from_ms) == "03:00:00"


def test_resets_by_itself_are_told_for_a_day() -> None:
    rises = "  36>50 | 460\n{}:40:00  0 | 460\n"
    text = "".join(f"{hour:02}:00:00{rises.format(f'{hour:02}')}" for hour in (0, 1, 2, 29)) + "30:00:00  end"
    found = review(told(text, 60, noise=0.001), plate(period=60.0))
    assert [run.end_cause for run in found.runs] == ["overload trip"] * 4
    said = ["automatic reset" in " ".join(run.evidence) for run in found.runs]
    assert said == [False, False, True, False]


def test_a_window_never_mixes_runs_and_leaves_the_start_out() -> None:
    text = "00:00:00  30 | 460\n01:00:00  0 | 460\n01:05:00  36 | 460\n01:15:00  0 | 460\n01:30:00  end"
    found = review(told(text), plate())
    assert found.worst == 1 and found.window is not None and clock(found.window.from_ms) == "01:05:00"
    assert found.estimate.highest == pytest.approx(36.0)
    assert any("low confidence" in word for word in found.estimate.words)


def test_no_setting_and_no_device() -> None:
    found = review(told(TRIP, noise=0.001), plate(setting=None))
    assert found.runs[0].end_cause == "overload trip" and math.isnan(found.judged.device_heat[-1])
    assert all("no setting" in " ".join(one.words) for one in found.what_if)
    built_in = review(
        told(TRIP, noise=0.001), dataclasses.replace(plate(), protection=Protection("built-in protector"))
    )
    assert [one.trips for one in built_in.what_if] == [None] * len(built_in.what_if)


@settings(max_examples=40, deadline=None)
@given(invented(), st.integers(1, 300))
def test_any_cutting_of_any_log(case: tuple[Log, Nameplate], rows: int) -> None:
    log, nameplate = case
    with pytest.MonkeyPatch.context() as patch:
        whole = as_published(review(log, nameplate))
        for module in (watching, what_if):
            patch.setattr(module, "ROWS_AT_ONCE", rows)
        assert as_published(review(log, nameplate)) == whole


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**6), st.sampled_from([1, 3]), st.sampled_from([100, 1000, 60_000, 900_000]), st.integers(0, 300)
)
def test_no_reading_within_bounds_breaks_it(seed: int, phases: int, period_ms: int, rows: int) -> None:
    """Wild figures, as wild loggers send them: what comes out is as published, whatever it is."""
    random = np.random.default_rng(seed)
    wild = random.choice([0.0, 0.1, 3.0, 19.0, 40.0, 41.0, 46.0, 90.0, 240.0, 2000.0, math.nan], (rows, 3))
    calm = np.repeat(random.choice([0.0, 36.0, 41.0, 47.0], (rows // 50 + 1, 1)), 50, axis=0)[:rows] * np.ones(3)
    amps = np.where(random.uniform(size=(rows, 1)) < random.choice([0.0, 0.1, 1.0]), wild, calm)
    volts = random.choice([0.0, 1.0, 230.0, 460.0, 455.0, 1000.0, math.nan], (rows, 3))
    steps = random.choice([1, period_ms, 4 * period_ms, 86_400_000], rows, p=[0.05, 0.9, 0.04, 0.01])
    log = Log(
        "wild", 1_790_000_000_000 + np.cumsum(steps), amps, volts,
        random.choice([-60.0, 5.0, 80.0, math.nan], rows), random.choice([0.0, 1.0, math.nan], rows, p=[0.1, 0.2, 0.7]),
    )  # fmt: skip
    nameplate = plate(
        phases=phases, period=random.choice([None, period_ms / 1000.0]), setting=random.choice([None, 40.0]),
        kind=str(random.choice(["overload relay", "built-in protector", "none", "unknown"])),
        control=str(random.choice(["continuous", "cycled"])), averaging=bool(random.integers(2)),
    )  # fmt: skip
    found = review(log, nameplate)
    as_published(found)
    assert len(found.frame()) == rows
    assert summary(found)

"""The causes: ranked, with the figures they rest on, and with what would confirm each."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.motor.lead_rotation import BOTH, LEAD, LINE
from monitor.review.confirm import CAUSES, confirm_by
from monitor.review.engine import review
from monitor.review.findings import Findings
from monitor.review.record import Rotation
from tests.review.logs import plate, steady, told
from tests.review.published import as_published

BAD_SUPPLY = "00:00:00  36 | 460\n01:00:00  44 38 34 | 472 452 456\n02:00:00  end"


def main(found: Findings) -> str | None:
    as_published(found)
    return found.causes[0].cause if found.causes else None


def said(found: Findings, place: int = 0) -> str:
    return "; ".join(found.causes[place].evidence)


def test_load_that_rises() -> None:
    found = review(told("00:00:00  37>48 | 460\n01:20:00  0 | 460\n01:40:00  end", noise=0.001), plate())
    assert main(found) == "fan load"
    assert "all three legs are high and nearly equal" in said(found) and "the motor may carry 40.0 A" in said(found)
    assert found.causes[0].evidence[0].startswith("even on a balanced supply"), "why it goes before a larger share"


def test_a_supply_that_sags() -> None:
    found = review(told("00:00:00  38 | 460\n01:00:00  41.8 | 412\n02:00:00  end", noise=0.001), plate())
    assert main(found) == "supply voltage"
    assert "412 V, 89.6 % of rated" in said(found)


def test_an_unbalanced_supply() -> None:
    found = review(told(BAD_SUPPLY, noise=0.001), plate())
    assert main(found) == "supply unbalance" and "voltage unbalance of 2.6 %" in said(found)
    total = found.estimate.parts.total if found.estimate.parts else math.nan
    assert found.causes[0].share_amps == pytest.approx(total, abs=2.5) and total > 0.0


def test_one_leg_s_own_connection() -> None:
    found = review(told("00:00:00  36 | 460\n01:00:00  44 36 35 | 460\n02:00:00  end", noise=0.001), plate())
    assert main(found) == "leg connection" and "the legs carry 44.0, 36.0, 35.0 A" in said(found)


def test_legs_apart_by_what_clamps_may_err_are_no_cause_beside_others() -> None:
    found = review(told("00:00:00  44.6 44 44 | 460\n01:00:00  end", noise=0.001), plate())
    assert [cause.cause for cause in found.causes] == ["fan load"]
    alone = review(told("00:00:00  40.4 39.6 39.6 | 460\n01:00:00  end", noise=0.0005), plate())
    assert main(alone) == "leg connection" and "within what its clamps may err (1.3 A)" in said(alone)


WARM_THEN_COLD = "00:00:00  38.6 | 460\n02:00:00  41.4 | 460\n04:00:00  end"


def test_cold_air_where_the_log_shows_it() -> None:
    found = review(told(WARM_THEN_COLD, ambient_c=((0, 18.0), (7200, -6.0)), noise=0.001), plate())
    assert main(found) == "air density" and "under its limit when it was warmer" in said(found)


@pytest.mark.parametrize(
    ("text", "air"),
    [
        (WARM_THEN_COLD, ((0, 18.0), (7200, 17.0))),  # no colder: the load rose
        (WARM_THEN_COLD.replace("38.6", "34"), ((0, 18.0), (7200, -6.0))),  # colder, but that explains a part only
        (WARM_THEN_COLD.replace("38.6 | 460", "38.6 | 445"), ((0, 18.0), (7200, -6.0))),  # at other volts
        (WARM_THEN_COLD.replace("38.6", "41.2"), ((0, 18.0), (7200, -6.0))),  # over its limit in warm air, too
    ],
)
def test_cold_air_only_where_the_log_shows_it(text: str, air: tuple[tuple[int, float], ...]) -> None:
    assert main(review(told(text, ambient_c=air, noise=0.001), plate())) == "fan load"


def test_a_lost_phase_comes_first_and_gives_no_degrees() -> None:
    text = "00:00:00  36 | 460\n01:00:00  0.1 62 61 | 460\n01:00:30  0 | 460\n01:30:00  end"
    found = review(told(text, noise=0.001), plate())
    assert main(found) == "lost phase" and found.runs[0].end_cause == "phase lost"
    assert "A; the two other legs carry 1.7" in said(found) and "0.1, 6" in said(found)
    assert found.estimate.pitch.as_is_why == "cannot say"
    assert any("no degrees after a lost phase" in word for word in found.estimate.words)


def test_a_lost_supply() -> None:
    text = "00:00:00  36 | 460\n01:00:00  0 | 3\n01:10:00  36 | 460\n02:00:00  end"
    found = review(told(text, noise=0.001), plate())
    assert main(found) == "lost supply" and "the volts are 3, 3, 3 V" in said(found)
    assert len(found.causes) == 1 and found.worst == 0


def test_a_locked_rotor() -> None:
    text = "00:00:00  36 | 460\n01:00:00  210 | 440\n01:00:03  0 | 460\n01:20:00  end"
    found = review(told(text, 1, noise=0.001), plate(period=1.0))
    assert main(found) == "fault" and found.runs[0].end_cause == "short circuit or locked rotor"
    assert any("no degrees after" in word for word in found.estimate.words)


def test_slow_starts_and_a_lost_load() -> None:
    text = "00:00:00  0 | 460\n00:05:00  230 | 440\n00:05:18  36 | 460\n01:00:00  0 | 460\n01:10:00  end"
    slow = review(told(text, 1, noise=0.001), plate(period=1.0))
    assert main(slow) == "fault" and "slow to start" in said(slow) and not slow.runs[0].starts_ok
    idle = review(told("00:00:00  38 | 460\n03:00:00  17 | 460\n04:00:00  end", noise=0.001), plate())
    assert main(idle) == "fault" and "of its usual active amps" in said(idle)


def test_a_trip_within_the_motor_s_own_limit() -> None:
    """The device is set to full-load amps, the motor may carry 15 % more: what opened the device is told too."""
    text = "00:00:00  38 | 460\n01:00:00  38>45 | 460\n02:00:00  0 | 460\n02:30:00  end"
    found = review(told(text, noise=0.001), plate(service_factor=1.15))
    assert found.runs[0].end_cause == "overload trip" and found.overloads == ()
    assert main(found) == "fan load"
    assert "within its own limit, but its overload device, set to 40 A, may open from 42.0 A on" in said(found)
    assert "the device carries 42.0 A" in said(found) and "the motor may carry" not in said(found)
    assert 2.0 < found.causes[0].share_amps < 4.0


@pytest.mark.parametrize("period", [5, 10, 60])
def test_a_sudden_load(period: int) -> None:
    """Few readings, or one, show it: a cause, no degrees."""
    seconds = {5: 40, 10: 50, 60: 60}[period]
    text = f"00:00:00  36 | 460\n02:00:00  66 | 460\n02:0{seconds // 60}:{seconds % 60:02}  0 | 460\n02:30:00  end"
    found = review(told(text, period, noise=0.001), plate(period=float(period)))
    assert (found.runs[0].end_cause, main(found)) == ("overload trip", "fan load")
    assert "a step in load, not a slow rise" in said(found)
    assert found.causes[0].share_amps == pytest.approx(26.0, abs=0.5)
    assert found.estimate.pitch.as_is is None and found.estimate.pitch.as_is_why == "cannot say"
    (spell,) = found.overloads
    assert spell.end_ms - spell.start_ms == 1000 * max(seconds, period)


def test_an_overload_that_the_fan_outlived() -> None:
    text = "00:00:00  36 | 460\n01:00:00  43 | 460\n02:00:00  36 | 460\n04:00:00  0 | 460\n05:00:00  end"
    found = review(told(text, noise=0.001), plate(setting=46.0))
    assert [run.end_cause for run in found.runs] == ["stopped"]
    assert main(found) == "fan load" and "over its limit from" in said(found)


def test_a_trip_that_is_only_possible_is_explained_against_the_setting() -> None:
    text = "00:00:00  34 | 460\n01:00:00  41.6 | 460\n02:00:00  0 | 460\n02:30:00  end"
    found = review(told(text, noise=0.001), plate(service_factor=1.15))
    assert (found.runs[0].end_cause, found.runs[0].confidence) == ("overload trip", "possible")
    assert main(found) == "fan load" and "the device carries 40.0 A" in said(found)


@pytest.mark.parametrize(("stays_with", "expected"), [(LINE, "supply unbalance"), (LEAD, "leg connection")])
def test_the_lead_test_decides_between_supply_and_motor(stays_with: str, expected: str) -> None:
    log = told("00:00:00  44 36 35 | 460\n01:00:00  end", noise=0.001)
    before = review(log, plate())
    after = review(log, plate(), rotations=[Rotation("1 October", LEAD), Rotation("4 October", stays_with, "as told")])
    assert main(after) == expected
    assert after.causes[0].evidence[0] == "rotating the leads on 4 October: as told"
    assert after.causes[0].confirm_by == confirm_by(expected)
    assert sum(c.share_amps for c in after.causes) == pytest.approx(sum(c.share_amps for c in before.causes))
    both = review(log, plate(), rotations=[Rotation("4 October", BOTH)])
    assert [c.cause for c in both.causes] == [c.cause for c in before.causes] and "4 October: both" in said(both)


def test_what_confirms_a_cause_says_how_safely() -> None:
    for cause in CAUSES:
        text = confirm_by(cause)
        assert "onfirmed" in text and "efuted" in text, cause
        assert ("ocal codes" in text and "ualified" in text) or "licensed electrician" in text or "Lock out" in text, (
            cause
        )
        assert text.count("ocal codes") == 1 and "resetting" not in text
    with pytest.raises(KeyError):
        confirm_by("the moon")


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(*[st.floats(20.0, 60.0)] * 3), st.tuples(*[st.floats(420.0, 490.0)] * 3), st.floats(-20.0, 35.0),
    st.floats(1.0, 1.25),
)  # fmt: skip
def test_shares_add_up(amps: tuple[float, ...], volts: tuple[float, ...], air: float, factor: float) -> None:
    """Parts add up to what lies between highest leg and limit; causes name no more than what pushes up."""
    found = review(steady(amps, volts, air), plate(service_factor=factor))
    said = as_published(found)
    excess = max(amps) - said["limit"]["amps"]
    if said["parts"]:
        assert sum(part["amps"] for part in said["parts"]) == pytest.approx(excess, abs=1e-6)
    assert bool(found.causes) == (excess > 0.0 and bool(said["parts"]))
    if found.causes:
        pushes = sum(max(part["amps"], 0.0) for part in said["parts"])
        assert all(0.0 <= cause.share_amps <= pushes + 1e-6 for cause in found.causes)
        assert len({cause.cause for cause in found.causes}) == len(found.causes)


def test_a_healthy_log_stays_without_causes_whatever_its_noise() -> None:
    for seed in range(5):
        log = told("00:00:00  34>38 | 460\n04:00:00  0 | 460\n04:30:00  end", noise=0.01, seed=seed)
        assert review(log, plate()).causes == ()
        assert review(dataclasses.replace(log, volts=log.volts * math.nan), plate()).causes == ()

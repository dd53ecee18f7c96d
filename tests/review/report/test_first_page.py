"""What a tired farmer reads: which fan, what happened, how sure, since when, why, what first, how many degrees."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from monitor.errors import ConfigError
from monitor.review.engine import review
from monitor.review.findings import Findings
from monitor.review.report import compose
from monitor.review.report.blocks import Facts, Listing, Report
from monitor.review.summary import summary
from monitor.watch import ends
from tests.review.logs import plate, told
from tests.review.report import examples
from tests.review.report.examples import ZONE, texts

ENDED = [
    # end, how sure, what the headline begins with
    (ends.OVERLOAD_TRIP, "high", "The fan very likely tripped on overload on Mon Sep 21"),
    (ends.OVERLOAD_TRIP, "likely", "The fan likely tripped on overload on"),
    (ends.OVERLOAD_TRIP, "possible", "The fan possibly tripped on overload on"),
    (ends.PHASE_LOST, "high", "The fan very likely lost one phase of its supply on"),
    (ends.SUPPLY_LOST, "sure", "The fan lost its supply on"),
    (ends.SHORT_CIRCUIT, "possible", "The motor possibly had a short circuit or could not turn on"),
    (ends.CANNOT_TELL, "possible", "The fan stopped on"),
]


def first_page(report: Report) -> str:
    return "\n".join(texts((report.title, report.headline, report.lead, report.first))).replace("\u00a0", " ")


def changed(found: Findings, end_cause: str, confidence: str) -> Findings:
    assert found.worst is not None
    run = replace(found.runs[found.worst], end_cause=end_cause, confidence=confidence)
    return replace(found, runs=(run,), worst=0)


@pytest.mark.parametrize(("cause", "confidence", "says"), ENDED)
def test_the_headline_says_what_happened_and_how_sure_that_is(cause: str, confidence: str, says: str) -> None:
    report = compose(changed(examples.trip(), cause, confidence), zone=ZONE)
    assert report.headline.startswith(says)
    assert report.headline.count(" on ") <= 2


def test_a_trip_is_told_with_its_hours_its_amps_and_what_to_do() -> None:
    said = first_page(examples.report_of_trip())
    spell = examples.trip().overloads[0]
    over = (spell.end_ms - spell.start_ms) / 60_000.0
    assert 50 < over < 60 and f"over its limit for {int(over)} min" in said
    assert "the motor may carry 40.0 A" in said
    assert "Likely cause" in said and "the fan's own load" in said.lower()
    for first in ("heater's fuel", "overload device.", "Supply voltage.", "Connections.", "Bearings."):
        assert first in said
    assert "less pitch (insert 15 instead of 21)" in said and "drying takes about" in said
    assert "14 °F (−10 °C)" in said
    assert "no motor protection" in said


def test_checks_stand_in_the_order_of_the_trade() -> None:
    (steps,) = [block for block in examples.report_of_trip().first if isinstance(block, Listing)]
    names = [item.lead for item in steps.items]
    assert names[-3:] == ["Supply voltage.", "Connections.", "Bearings."] and steps.ordered


def test_a_healthy_fan_is_told_so_and_nothing_to_do() -> None:
    report = compose(examples.healthy(), zone=ZONE)
    assert report.headline == "The fan stayed under its limit throughout" and report.tone == "good"
    said = first_page(report)
    assert "What to do first" not in said and "None: with this load" in said
    assert "It still ran when the readings end." in report.lead


def test_the_supply_goes_before_any_pitch() -> None:
    """A fan that needs degrees only because of its supply is not told of degrees first."""
    found = examples.trip()
    pitch = replace(found.estimate.pitch, supply_right=None, supply_right_why="none needed")
    said = first_page(compose(replace(found, estimate=replace(found.estimate, pitch=pitch)), zone=ZONE))
    assert said.index("once the supply is put right: have that done first") < said.index("it takes")


def test_single_phase_has_its_fourth_check_and_an_unknown_trip_is_not_denied() -> None:
    report = compose(examples.single_phase(), zone=ZONE)
    said = first_page(report)
    assert "Start switch and capacitors." in said
    assert "did not trip" not in report.headline and "whether it tripped cannot be told" in report.headline


def test_without_volts_it_is_not_called_a_trip_nor_a_stop() -> None:
    report = compose(examples.no_volts(), zone=ZONE)
    assert report.headline.startswith("The fan stopped on") and report.headline.endswith("why cannot be told")
    assert "Not at all." in first_page(report)


@pytest.mark.parametrize("rows", [0, 1, 2, 30])
def test_a_log_without_running_says_so(rows: int) -> None:
    report = compose(examples.empty(rows))
    expected = "The fan did not run" if rows else "This log says nothing about the fan"
    assert report.headline == expected
    assert not any(isinstance(block, Facts | Listing) for block in report.first)


def test_a_log_without_amps_says_so() -> None:
    assert compose(examples.empty(30, float("nan"))).headline == "This log holds no usable amps"


def test_plain_words_everywhere() -> None:
    """No short names of the inside, no times in UTC, no half sentences."""
    for found in (examples.trip(), examples.supply_lost(), examples.no_volts(), examples.single_phase()):
        report = compose(found, zone=ZONE)
        for text in texts((report.headline, report.lead, report.first, report.sections)):
            assert not re.search(r"\bh1\b|\d{4}-\d\d-\d\dT|\bnan\b|\bNone[,)\]]", text), text
            assert " degrees C" not in text and "  " not in text and ".." not in text.replace("...", ""), text


def test_si_units_have_no_fahrenheit() -> None:
    said = "\n".join(texts(compose(examples.trip(), units="si", zone=ZONE)))
    assert "−10\u00a0°C" in said and "22.4\u00a0kW" in said
    assert "°F" not in said.replace("(104\u00a0°F)", "").replace("(68\u00a0°F)", "") and " hp" not in said.replace(
        "15 hp", ""
    )


def test_what_does_not_exist_is_told_with_its_place() -> None:
    for wrong in ({"units": "metric"}, {"zone": "Mars/Base"}, {"zone": "../etc/passwd"}, {"zone": "\x00"}):
        with pytest.raises(ConfigError) as caught:
            compose(examples.empty(), **wrong)
        assert next(iter(wrong)) in str(caught.value)


def test_a_zone_of_the_log_that_does_not_exist_falls_back_to_utc() -> None:
    found = examples.trip()
    log = replace(found.log, how_read={"zone": "as told by the file"})
    assert "UTC" in compose(replace(found, log=log)).headline


def test_a_lost_phase_asks_nobody_to_run_or_measure_it() -> None:
    report = compose(changed(examples.trip(), ends.PHASE_LOST, "high"), zone=ZONE)
    said = first_page(report)
    assert "Do not reset it" in said and "lock it out before anybody touches it" in said
    assert "Running, at the motor" not in said and "no matter of pitch" in said


def test_a_fan_that_stops_over_its_limit_and_comes_back_is_told_to_reset_itself() -> None:
    found = examples.single_phase()
    run, spell = found.runs[0], found.overloads[0]
    hour = 3_600_000.0
    runs = tuple(
        replace(run, start_ms=run.start_ms + at * hour, end_ms=run.start_ms + (at + 0.8) * hour) for at in range(3)
    )
    spells = tuple(replace(spell, start_ms=one.end_ms - 0.2 * hour, end_ms=one.end_ms) for one in runs)
    said = first_page(compose(replace(found, runs=runs, overloads=spells, worst=2), zone=ZONE))
    assert "It ended over its limit twice and ran again within half an hour each time" in said
    assert "suggests a protector that resets itself" in said


def test_whether_it_ran_again_is_told() -> None:
    found = examples.trip()
    assert "It has not run since, as far as the log goes." in compose(found, zone=ZONE).lead
    run = found.runs[0]
    later = replace(run, start_ms=run.end_ms + 600_000.0, end_ms=run.end_ms + 1_200_000.0, end_cause=ends.LOG_ENDED)
    report = compose(replace(found, runs=(run, later)), zone=ZONE)
    assert "It ran again from" in report.lead and "it resets itself" in first_page(report)


def test_what_was_not_read_is_not_vouched_for() -> None:
    report = compose(examples.with_gap(), zone=ZONE)
    assert (
        report.headline == "The fan stayed under its limit in all that was read" and "nothing was read" in report.lead
    )


def test_no_cold_night_is_promised_from_air_that_was_not_measured() -> None:
    log = told("00:00:00  43 | 460\n02:00:00  end", noise=0.001, ambient_c=float("nan"))
    found = review(log, plate())
    report = compose(found)
    everywhere = " ".join(texts(report)).replace("\u00a0", " ")
    assert "coldest night expected, " not in everywhere and "Highest leg on the coldest night" not in everywhere
    assert "as cold as that of this log (how cold that was is not known; colder air takes more amps)" in everywhere
    terminal = " ".join(summary(found).split())
    assert "on the coldest night" not in terminal and "colder air takes more amps" in terminal
    measured = review(told("00:00:00  43 | 460\n02:00:00  end", noise=0.001), plate())
    assert "on the coldest night" in summary(measured) and "coldest night expected" in " ".join(
        texts(compose(measured))
    )


def test_a_fan_that_ran_on_is_not_asked_what_would_have_kept_it_running() -> None:
    said = first_page(compose(review(told("00:00:00  43 | 460\n02:00:00  end", noise=0.001), plate())))
    assert "did not trip" in said and "How many degrees bring it under its limit?" in said
    assert "How many degrees would have kept it running?" in first_page(examples.report_of_trip())

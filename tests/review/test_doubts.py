"""What makes a review doubtful stands before all else, on the terminal and in the report."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.review.doubts import doubts, legs_missing, no_cause
from monitor.review.engine import review
from monitor.review.findings import Findings
from monitor.review.log import Log
from monitor.review.report import compose
from monitor.review.report.blocks import Facts
from monitor.review.summary import summary
from tests.review.logs import plate, told

STEADY = "00:00:00  36 | 460\n02:00:00  end"


def without_legs(log: Log, *legs: int) -> Log:
    amps = log.amps.copy()
    amps[:, legs] = math.nan
    return replace(log, amps=amps)


def said(found: Findings) -> tuple[str, str]:
    """Terminal, and the first page of the report."""
    report = compose(found)
    facts = [f"{name} {text}" for block in report.first if isinstance(block, Facts) for name, text in block.pairs]
    return " ".join(summary(found).split()), " ".join((report.headline, report.lead, *facts)).replace("\u00a0", " ")


def test_a_log_of_all_legs_of_this_motor_raises_none() -> None:
    for text in (STEADY, "00:00:00  36 | 460\n01:00:00  0 | 460\n02:00:00  end", "00:00:00  0 | 460\n01:00:00  end"):
        assert doubts(review(told(text, noise=0.001), plate())) == ()


@pytest.mark.parametrize(("legs", "words"), [((2,), "Leg L3 was not measured"), ((1, 2), "Legs L2 and L3 were not")])
def test_a_leg_that_was_not_clamped_is_not_vouched_for(legs: tuple[int, ...], words: str) -> None:
    found = review(without_legs(told(STEADY, noise=0.001), *legs), plate())
    assert legs_missing(found) == tuple(f"L{leg + 1}" for leg in legs)
    terminal, page = said(found)
    for text in (terminal, page):
        assert words in text and "The fan stayed under" not in text
    assert "within its limit in the legs that were measured" in terminal
    assert compose(found).tone != "good"


def test_three_legs_do_not_go_with_a_single_phase_nameplate() -> None:
    found = review(told(STEADY, noise=0.001), plate(phases=1))
    assert "says phases = 1" in doubts(found)[0]
    assert doubts(review(told(STEADY, noise=0.001, phases=1), plate(phases=1))) == ()


def test_amps_no_such_motor_carries() -> None:
    found = review(told("00:00:00  70 | 460\n02:00:00  end", noise=0.001), plate())
    assert "more than 1.5 times its limit, up to 70." in said(found)[0] and "hardly a motor of 40 A" in said(found)[1]
    short = review(told("00:00:00  36 | 460\n01:00:00  70 | 460\n01:20:00  36 | 460\n02:00:00  end"), plate())
    assert doubts(short) == ()


def test_amps_too_few_to_be_this_motor_running() -> None:
    found = review(told("00:00:00  3.5 | 460\n02:00:00  end", noise=0.001), plate())
    terminal, page = said(found)
    for text in (terminal, page):
        assert "too little for a motor of 40 A full load that runs" in text and "did not run" in text
    assert "stayed within its limit" not in terminal and "not measured" not in terminal


def test_a_clock_that_was_set_anew() -> None:
    log = told(STEADY, noise=0.001)
    t_ms = log.t_ms.copy()
    t_ms[:30] -= 26 * 365 * 86_400_000
    found = review(replace(log, t_ms=t_ms), plate())
    assert "the 30 readings before it have wrong times" in said(found)[0]
    t_ms[30:] -= 26 * 365 * 86_400_000
    t_ms[-5:] += 400 * 86_400_000
    assert "the 5 readings after it have wrong times" in doubts(review(replace(log, t_ms=t_ms), plate()))[0]


def test_a_moment_over_the_limit_is_not_called_under_it() -> None:
    log = told("00:00:00  36 | 460\n01:00:00  45 | 460\n01:00:40  36 | 460\n02:00:00  end", noise=0.001)
    found = review(log, plate())
    assert not found.overloads
    terminal, page = said(found)
    assert "None can be told: it was over its limit, but too shortly" in terminal
    assert "passed its limit, but never for longer than two minutes" in page and "Never, in this log" not in page
    assert "The fan stayed under its limit" not in page


def test_a_single_reading_claims_nothing() -> None:
    log = told(STEADY)
    one = Log(log.name, *(column[:1] for column in (log.t_ms, 1.3 * log.amps, log.volts, log.ambient_c, log.called)))
    terminal, page = said(review(one, plate()))
    assert "1 reading from" in terminal and "None s" not in terminal and "Degrees follow" not in terminal
    assert "voltage is not measured" not in terminal and np.isfinite(one.volts).all()
    assert "within its limit" not in terminal and "stayed under" not in page


def test_a_stop_that_cannot_be_told_is_no_all_clear() -> None:
    found = review(told("00:00:00  36 | -\n02:00:00  0 | -\n03:00:00  end", noise=0.001), plate())
    assert "nothing was lost" not in no_cause(found) and "cannot be told" in no_cause(found)
    for text in said(found):
        assert "None in its amps" in text and "None to look for" not in text


def test_no_readings_are_no_fan_that_stood_still() -> None:
    log = told(STEADY)
    none = Log(log.name, *(column[:0] for column in (log.t_ms, log.amps, log.volts, log.ambient_c, log.called)))
    found = review(none, plate())
    assert "there are no readings" in no_cause(found)
    terminal = summary(found)
    assert "Not known: there are no readings of that time" in terminal and "did not run" not in terminal

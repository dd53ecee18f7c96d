"""Reviewed logs that several tests of the report share, each worked once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from monitor.motor.nameplate import Fan, Logger, Motor, Nameplate, Protection
from monitor.review.engine import review
from monitor.review.findings import Findings
from monitor.review.log import Log, Unread
from monitor.review.report import compose
from monitor.review.report.blocks import Picture, Report
from monitor.review.report.plots.canvas import Size
from tests.review.logs import plate, told

ZONE = "America/Chicago"
TRIP = """
00:00:00  0 | 460
00:05:00  220 | 455
00:05:03  37 | 460 457 462
02:00:00  37>45 | 460 457 462
03:20:00  0 | 461
03:40:00  0 | 461
04:00:00  end
"""
SUPPLY_LOST = "00:00:00  36 | 460\n02:00:00  0 | 0\n02:20:00  end"
NO_VOLTS = "00:00:00  36 34 35 | -\n02:00:00  0 | -\n02:20:00  end"
HEALTHY = "00:00:00  36 | 460\n12:00:00  end"
WITH_GAP = "00:00:00  36 | 460\n01:00:00  silent\n02:00:00  36 | 460\n03:00:00  end"
HOSTILE = 'bin "3" <script>alert(1)</script> & \u202eevil\u202c #set text(red) $x$ `y` \x00\x1b[31m شونة'
SECTIONS = ("ends", "plots", "amps", "degrees", "what-if", "alarms", "quality", "method", "cautions")


@cache
def trip() -> Findings:
    log = told(TRIP, noise=0.001, ambient_c=-3.0)
    how = {
        "separator": ";",
        "columns": {"l1_amps": "I1 (A)"},
        "zone": ZONE,
        "period_seconds": 10.0,
        "guesses": ["amps"],
    }
    return review(replace(log, how_read=how), plate(setting=38.0))


@cache
def supply_lost() -> Findings:
    return review(told(SUPPLY_LOST, noise=0.001), plate())


@cache
def no_volts() -> Findings:
    return review(told(NO_VOLTS, 60, noise=0.001), plate(period=60.0))


@cache
def healthy() -> Findings:
    return review(told(HEALTHY, 60, noise=0.001), plate(period=60.0))


@cache
def with_gap() -> Findings:
    return review(told(WITH_GAP, noise=0.001), plate())


@cache
def single_phase() -> Findings:
    motor = Motor(230.0, 1, 40.0, 1.15, rated_power_hp=7.5)
    fan = Fan(21.0, (17.0, 19.0, 21.0), 13.0, coldest_expected_c=-10.0, control="continuous")
    log = told("00:00:00  47 | 221\n03:00:00  0 | 230\n03:20:00  end", noise=0.001, phases=1)
    return review(log, Nameplate(motor, Protection("built-in protector"), fan, Logger(period_seconds=10.0)))


@cache
def hostile() -> Findings:
    """A log whose every text is meant ill."""
    found = trip()
    log = replace(
        found.log, name=HOSTILE,
        how_read={"columns": {HOSTILE: HOSTILE}, "zone": ZONE, HOSTILE: HOSTILE, "guesses": [HOSTILE]},
        rejected=2, unread=(Unread(7, HOSTILE), Unread(8, "x" * 100_000)), reasons={HOSTILE: 2},
    )  # fmt: skip
    runs = tuple(replace(run, evidence=(HOSTILE, *run.evidence)) for run in found.runs)
    return replace(found, log=log, runs=runs)


def empty(rows: int = 0, amps: float = 0.0) -> Findings:
    """A log of so many readings in which nothing runs."""
    t_ms = 1_790_000_000_000 + 10_000 * np.arange(rows, dtype=np.int64)
    nothing = np.full((rows, 3), np.nan)
    log = Log("empty", t_ms, np.full((rows, 3), amps), nothing, nothing[:, 0], nothing[:, 0])
    return review(log, plate())


@cache
def report_of_trip() -> Report:
    """Its plots are drawn once for page and document."""
    return compose(trip(), zone=ZONE)


def undrawn(report: Report) -> Report:
    """The same report with an empty picture for each plot, where a test asks for all else."""
    sections = []
    for section in report.sections:
        blocks = tuple(replace(one, draw=_nothing) if isinstance(one, Picture) else one for one in section.blocks)
        sections.append(replace(section, blocks=blocks))
    return replace(report, sections=tuple(sections))


def _nothing(size: Size) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size.width} 1"></svg>'


def texts(value: object) -> list[str]:
    """Every text of a report, however deep."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, tuple | list):
        return [text for one in value for text in texts(one)]
    if hasattr(value, "__dataclass_fields__"):
        return [text for name in value.__dataclass_fields__ for text in texts(getattr(value, name))]
    return []

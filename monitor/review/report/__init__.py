"""The findings of a review as a report: one HTML file for phone and paper, and a PDF that says the same.

    findings ──compose──▶ blocks ──page──▶ HTML
                                └─document──▶ PDF

Who wants both composes once: each plot is then drawn once. matplotlib and typst are loaded with the first report, not
before.
"""

from __future__ import annotations

from monitor.errors import ConfigError, Fault
from monitor.review.findings import Findings
from monitor.review.report.blocks import Report
from monitor.review.report.compose import compose
from monitor.review.report.document import document
from monitor.review.report.page import page

__all__ = ["Report", "compose", "document", "html", "page", "pdf"]

_PAPERS = ("letter", "a4")


def html(findings: Findings, *, units: str = "us", zone: str | None = None, paper: str = "letter") -> str:
    """The report as one HTML file that needs nothing else.

    Parameters
    ----------
    findings : of a review
    units : "us" (°F with °C beside it, hp) or "si"
    zone : time zone of the site, such as America/Chicago; None: the one the log was read in, else UTC
    paper : "letter" or "a4": what it prints on

    Raises
    ------
    ConfigError : units, zone or paper that do not exist; matplotlib is not installed
    """
    _check(paper)
    return page(compose(findings, units=units, zone=zone), paper)


def pdf(findings: Findings, *, units: str = "us", zone: str | None = None, paper: str = "letter") -> bytes:
    """The same report as PDF; see `html`. The same findings give the same bytes.

    Raises
    ------
    ConfigError : units, zone or paper that do not exist; matplotlib or typst is not installed
    """
    _check(paper)
    return document(compose(findings, units=units, zone=zone), paper)


def _check(paper: str) -> None:
    if paper not in _PAPERS:
        raise ConfigError("the report cannot be made:", [Fault("paper", '"letter" or "a4"', repr(paper))])

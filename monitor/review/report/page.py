"""A report as one HTML file: styles and plots inside, no script, nothing fetched."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from monitor.review.report.blocks import Report
from monitor.review.report.plots.canvas import NARROW, WIDE, inline

PAPERS = {"letter": "letter", "a4": "A4"}
"""Paper: its name in CSS. Both print well either way; this says which is meant."""


def page(report: Report, paper: str) -> str:
    """The whole file.

    Parameters
    ----------
    report : of `compose`
    paper : "letter" or "a4"
    """
    template = _environment().get_template("report.html")
    return template.render(report=report, paper=PAPERS[paper], style=_style())


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("monitor.review.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["kind"] = lambda block: type(block).__name__
    # Drawn by us: no text of others is in it.
    environment.filters["wide"] = lambda picture: Markup(inline(picture.draw(WIDE), f"{picture.name}-w"))
    environment.filters["narrow"] = lambda picture: Markup(inline(picture.draw(NARROW), f"{picture.name}-n"))
    return environment


@cache
def _style() -> Markup:
    return Markup((files("monitor.review.report") / "templates" / "report.css").read_text(encoding="utf-8"))

"""A report as PDF, set by typst: fonts inside, tagged for screen readers, nothing fetched, the same bytes each time."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError
from monitor.review.report.blocks import Block, Picture, Report
from monitor.review.report.plots.canvas import WIDE

PAPERS = {"letter": "us-letter", "a4": "a4"}
"""Paper: its name in typst."""


def document(report: Report, paper: str) -> bytes:
    """The whole file.

    Text goes to typst as data, never as its markup: nothing that stands in a log can become an instruction.

    Raises
    ------
    ConfigError : typst is not installed
    """
    try:
        import typst  # only here: a service that writes no PDF never loads its 80 MB
    except ImportError as exc:
        raise ConfigError("PDF reports need typst, which is not installed: pip install typst") from exc
    import matplotlib

    # DejaVu Sans, as in the plots; what it has no letters for comes from typst's own fonts. Never from the machine's.
    letters = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=True, font_paths=[str(letters)])
    pictures: dict[str, str] = {}
    data = {
        **{key: getattr(report, key) for key in ("title", "headline", "lead", "tone", "foot")},
        "first": [_block(block, pictures) for block in report.first],
        "sections": [
            {
                "name": section.name,
                "title": section.title,
                "blocks": [_block(block, pictures) for block in section.blocks],
            }
            for section in report.sections
        ],
    }
    inputs = {"paper": PAPERS[paper], "report": json.dumps(data, ensure_ascii=False), **pictures}
    return typst.compile(_template(), format="pdf", sys_inputs=inputs, font_paths=fonts, pdf_standards="ua-1")


def _block(block: Block, pictures: dict[str, str]) -> dict[str, Any]:
    if isinstance(block, Picture):
        pictures[block.name] = block.draw(WIDE)
        return {"kind": "Picture", "name": block.name, "alt": block.alt, "caption": block.caption}
    return {"kind": type(block).__name__, **asdict(block)}


@cache
def _template() -> bytes:
    return (files("monitor.review.report") / "templates" / "report.typ").read_bytes()

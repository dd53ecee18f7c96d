"""A job sheet is one page of paper, Letter and A4: as usual, and with the most that it may have to say."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from pypdf import PdfReader

from monitor.records import job_sheet, look, register
from monitor.records.scope import ALL
from monitor.web.server import WebServer
from tests.web.farm import Farm


def most(farm: Farm) -> dict[str, Any]:
    """What makes a sheet as long as one can be: a trip of a motor with four checks, and long texts everywhere."""
    item = look.fan(farm.database, ALL, "meadow", "north-3")
    (site,) = register.sites(farm.database, ["meadow"])
    assert item is not None
    sheet = job_sheet.compose(item, site, 18.0)
    long = "word " * 60
    sheet["estimate"]["words"] = [f"remark {number} {long}" for number in range(8)]
    sheet["estimate"]["causes"][0]["evidence"] = [long]
    sheet["alarms"] = [dict(sheet["alarms"][0], text=f"alarm {number} {long}"[:240]) for number in range(6)]
    sheet["ended"] = {"end": sheet["seen"]["time"], "end_cause": "overload trip", "confidence": "likely",
                      "evidence": [long], "peak_amps": 15.9, "peak_ratio": 1.05}  # fmt: skip
    sheet["seen"] |= {"running": False, "state": "tripped"}
    sheet |= {"phases": 1, "note": long[: job_sheet.NOTE_LETTERS], "site_name": "Farm of a long name " * 3}
    return sheet


def test_a_sheet_is_one_page(chromium: Any, farm: Farm, server: WebServer, pictures: Path) -> None:
    jobs = {"usual": farm.job("north-3"), "most": farm.job("north-3", inserts=None, **most(farm))}
    page = chromium.new_page()
    for which, number in jobs.items():
        page.goto(f"{server.address}/jobs/{number}")
        for paper in ("Letter", "A4"):
            printed = page.pdf(format=paper)
            (pictures / f"job-{which}-{paper}.pdf").write_bytes(printed)
            pages = PdfReader(io.BytesIO(printed)).pages
            assert len(pages) == 1, f"{which}, {paper}: {len(pages)} pages"
            text = pages[0].extract_text()
            for told in ("Check first", "Supply voltage", "Bearings", "Cautions", "After the work", "Done by"):
                assert told in text, told
            assert "Close the job" not in text and "Loggers" not in text
    page.close()

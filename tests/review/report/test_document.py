"""The PDF: on its paper, its fonts inside, tagged, the first page one page, the same bytes each time."""

from __future__ import annotations

import io
import sys
from functools import cache

import pytest
from pypdf import PdfReader

from monitor.errors import ConfigError
from monitor.review.report import compose, pdf
from monitor.review.report.document import document
from tests.review.report import examples
from tests.review.report.examples import ZONE

POINTS = {"letter": (612, 792), "a4": (595, 842)}


@cache
def of_trip(paper: str) -> bytes:
    return document(examples.report_of_trip(), paper)


def read(made: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(made))


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_it_fits_its_paper_and_the_farmer_has_a_page_to_himself(paper: str) -> None:
    pages = read(of_trip(paper)).pages
    assert {(round(float(one.mediabox.width)), round(float(one.mediabox.height))) for one in pages} == {POINTS[paper]}
    assert 6 <= len(pages) <= 14
    first, second = pages[0].extract_text(), pages[1].extract_text()
    assert "very likely tripped on overload" in " ".join(first.split())
    assert "What this report will not do" in first and "How each run ended" in second


@pytest.mark.parametrize(
    "found", [examples.single_phase, examples.supply_lost, examples.no_volts], ids=lambda one: str(one.__name__)
)
def test_the_first_page_of_others_fits_as_well(found: object) -> None:
    report = compose(found(), zone=ZONE)  # type: ignore[operator]
    bare = type(report)(report.title, report.headline, report.lead, report.tone, report.first, (), report.foot)
    for paper in POINTS:
        pages = read(document(bare, paper)).pages
        assert [one for one in pages[1:] if one.extract_text().split("Fan ")[0].strip()] == []


def test_it_is_tagged_named_and_in_a_language() -> None:
    catalog = read(of_trip("letter")).trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"] and "/StructTreeRoot" in catalog
    assert catalog["/Lang"] == "en"
    assert read(of_trip("letter")).metadata.title == examples.report_of_trip().title
    assert b"pdfuaid:part>1<" in of_trip("letter")


def test_its_fonts_are_inside() -> None:
    fonts = set()
    for one in read(of_trip("letter")).pages:
        for font in one["/Resources"].get("/Font", {}).values():
            (descendant,) = font.get_object()["/DescendantFonts"]
            descriptor = descendant.get_object()["/FontDescriptor"]
            assert "/FontFile2" in descriptor or "/FontFile3" in descriptor
            fonts.add(str(descriptor["/FontName"]).split("+")[-1])
    assert "DejaVuSans" in fonts and not [name for name in fonts if "DejaVu" not in name]


def test_the_same_findings_give_the_same_bytes() -> None:
    assert document(examples.report_of_trip(), "letter") == of_trip("letter")


def test_nothing_of_a_log_is_read_as_markup() -> None:
    made = document(examples.undrawn(compose(examples.hostile(), zone=ZONE)), "letter")
    text = " ".join(" ".join(one.extract_text() for one in read(made).pages).split())
    assert "<script>alert(1)</script>" in text and "#set text(red) $x$ `y`" in text


@pytest.mark.parametrize("rows", [0, 1, 30])
def test_an_empty_log_makes_a_document(rows: int) -> None:
    assert len(read(pdf(examples.empty(rows))).pages) >= 3


def test_without_typst_it_is_told_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(ConfigError, match="pip install typst"):
        pdf(examples.empty())

"""The HTML file: whole, alone, readable by ear, and nothing of a log becomes a part of it."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from monitor.errors import ConfigError
from monitor.review.report import compose, html
from monitor.review.report.page import page
from tests.review.report import examples
from tests.review.report.examples import HOSTILE, SECTIONS, ZONE, undrawn

VOID = {"meta", "col", "br", "hr", "img", "input", "link"}
OUTSIDE = re.compile(r"\b(?:src|srcset|action|data|poster)\s*=|@import|url\((?!#)|https?://(?!www\.w3\.org/)")


class Walk(HTMLParser):
    """Opens and closes every element; keeps what tests ask for."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text.append(data)


def walk(text: str) -> Walk:
    walker = Walk()
    walker.feed(text)
    walker.close()
    assert walker.faults == [] and walker.open == []
    return walker


@cache
def of_trip() -> str:
    return page(examples.report_of_trip(), "letter")


@cache
def of_hostile() -> str:
    return page(undrawn(compose(examples.hostile(), zone=ZONE)), "letter")


def test_it_is_whole_and_every_section_is_there() -> None:
    walker = walk(of_trip())
    ids = [attrs["id"] for _, attrs in walker.elements if attrs.get("id")]
    assert len(ids) == len(set(ids))
    assert [name for name in ids if name in SECTIONS] == list(SECTIONS)
    linked = {attrs["href"] for tag, attrs in walker.elements if tag == "a"}
    assert {f"#{name}" for name in SECTIONS} | {"#main"} == linked


def test_it_needs_nothing_else_and_runs_nothing() -> None:
    text = of_trip()
    assert len(text) < 2_000_000
    assert OUTSIDE.findall(text) == []
    assert all(target.startswith("#") for target in re.findall(r'href\s*=\s*"([^"]*)"', text))
    tags = {tag for tag, _ in walk(text).elements}
    assert not tags & {"script", "iframe", "object", "embed", "link", "img", "form"}
    assert "default-src 'none'" in text


def test_it_can_be_heard() -> None:
    walker = walk(of_trip())
    tags = [tag for tag, _ in walker.elements]
    assert ("html", {"lang": "en"}) in walker.elements
    assert tags.count("h1") == 1 and tags.count("main") == 1 and tags.count("nav") == 1
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after <= before + 1 for before, after in pairwise(levels))
    pictures = [attrs for _, attrs in walker.elements if attrs.get("role") == "img"]
    assert len(pictures) == 10 and all(len(attrs["aria-label"] or "") > 60 for attrs in pictures)
    drawn = [attrs for tag, attrs in walker.elements if tag == "svg"]
    assert len(drawn) == 10 and all(attrs["aria-hidden"] == "true" for attrs in drawn)
    named = [attrs["aria-labelledby"] for tag, attrs in walker.elements if tag == "section"]
    ids = {attrs.get("id") for _, attrs in walker.elements}
    assert named and set(named) <= ids
    assert tags.count("caption") == tags.count("table") > 5


def test_parts_of_a_plot_are_its_own() -> None:
    """Clip paths and letters of one plot are not taken from another, which may be hidden."""
    for svg in re.findall(r"<svg.*?</svg>", of_trip(), re.DOTALL):
        ids = set(re.findall(r'\bid="([^"]+)"', svg))
        assert set(re.findall(r'(?:url\(|href=")#([^")]+)', svg)) <= ids


def test_nothing_of_a_log_becomes_a_part_of_the_page() -> None:
    text = of_hostile()
    walker = walk(text)
    assert {tag for tag, _ in walker.elements} <= {tag for tag, _ in walk(of_trip()).elements}
    assert "<script" not in text and "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    seen = "".join(walker.text)
    assert 'bin "3" <script>alert(1)</script> & evil' in seen and "شونة" in seen
    assert not {character for character in seen if ord(character) < 32} - {"\n"}
    assert not set(seen) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200f")
    assert "x" * 3000 not in text
    assert HOSTILE not in text


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_paper_is_said(paper: str) -> None:
    assert f"@page {{ size: {'A4' if paper == 'a4' else 'letter'} portrait" in page(compose(examples.empty()), paper)


def test_a_paper_that_does_not_exist_is_told() -> None:
    with pytest.raises(ConfigError, match=r'paper: expected "letter" or "a4", found'):
        html(examples.empty(), paper="legal")


@pytest.mark.parametrize("rows", [0, 1, 2, 30])
def test_an_empty_log_makes_a_whole_page(rows: int) -> None:
    text = html(examples.empty(rows))
    assert [name for name in SECTIONS if f'id="{name}"' not in text] == []
    walk(text)
    assert "nan" not in re.sub(r"<(style|svg).*?</\1>", "", text, flags=re.DOTALL).lower().replace("finance", "")


def test_the_same_findings_give_the_same_page() -> None:
    assert html(examples.empty(30), zone=ZONE) == html(examples.empty(30), zone=ZONE)

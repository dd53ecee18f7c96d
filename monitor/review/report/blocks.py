"""What a report is made of, before it is a page or a PDF: the same blocks for both, so that both say the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.review.report.plots.canvas import Size


@dataclass(frozen=True)
class Paragraph:
    """A few sentences."""

    text: str
    lead: str = ""
    """Stands before it, stronger."""
    small: bool = False


@dataclass(frozen=True)
class Item:
    """One item of a list."""

    text: str
    lead: str = ""


@dataclass(frozen=True)
class Listing:
    """A list; numbered where the order counts."""

    items: tuple[Item, ...]
    ordered: bool = False


@dataclass(frozen=True)
class Facts:
    """Short questions, each with its answer."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Column:
    """A column of a table."""

    label: str
    width: float = 1.0
    """Its share of the width beside the others."""
    right: bool = False
    """Figures stand right."""


@dataclass(frozen=True)
class Table:
    """A table; the first column names the row."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    marked: tuple[int, ...] = ()
    """Rows that stand out; a word in them says why."""


@dataclass(frozen=True)
class Picture:
    """A plot: once for paper and desk, once for a phone."""

    name: str
    """Short, unique in the report."""
    alt: str
    """What it shows, in words, for who cannot see it."""
    caption: str
    draw: Callable[[Size], str]
    """The plot for paper and desk, or for a phone, as SVG; drawn when it is asked for."""


@dataclass(frozen=True)
class Heading:
    """A heading within a section."""

    text: str


Block = Paragraph | Listing | Facts | Table | Picture | Heading


@dataclass(frozen=True)
class Section:
    """A part of the report with its heading."""

    name: str
    """Short, unique in the report."""
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Report:
    """The whole report."""

    title: str
    """Fan and days."""
    headline: str
    """What happened, in one sentence."""
    lead: str
    """The sentence or two that follow it."""
    tone: str
    """"over", "near" or "good": how grave it is. Never said by colour alone."""
    first: tuple[Block, ...]
    """The rest of the first page."""
    sections: tuple[Section, ...]
    foot: str
    """Stands at the foot of every page."""

"""Draws with matplotlib and gives clean SVG: no text of a font that may be missing, nothing from outside, no state left
behind.

Letters are drawn as outlines, so that a plot looks the same on every phone, printer and PDF; what it says stands in
words beside it.
"""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from monitor.errors import ConfigError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK, SOFT, GRID = "#1b1e1c", "#4d534e", "#d8d4c8"
OVER, L1, L2, L3 = "#9c1c0e", "#8a5a00", "#1f5f8b", "#6b3f87"
"""Dark enough to be read on white (WCAG AA); each has a dash of its own as well."""


@dataclass(frozen=True)
class Size:
    """What a plot is drawn for."""

    width: float
    """[in]"""
    height: float
    """For one panel of full height [in]; those with several share more."""
    columns: int
    """Columns of pixels worth drawing."""
    marks: int
    """Most marks on a time axis."""
    wide: bool


WIDE = Size(7.0, 2.9, 900, 9, True)
"""Paper and desk."""
NARROW = Size(3.5, 2.9, 420, 4, False)
"""A phone, where it is shown at its own size."""

_LOCK = threading.Lock()
"""matplotlib keeps its settings for the whole process."""
_SETTINGS: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.0,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.labelsize": 8.0,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "path",
    "svg.hashsalt": "report",
    "path.simplify": True,  # only what is thinner than a tenth of a point; ends and spikes stay
    "path.simplify_threshold": 0.1,
    "axes.unicode_minus": True,
}


def draw(size: Size, height: float, paint: Callable[[Figure], None]) -> str:
    """A plot as SVG text, ready to stand in a page or a PDF.

    Parameters
    ----------
    size : what it is for
    height : [in]
    paint : draws it

    Raises
    ------
    ConfigError : matplotlib is not installed
    """
    try:
        import matplotlib  # only here: a service that writes no report never loads it
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure
    except ImportError as exc:
        message = "reports need matplotlib, which is not installed: pip install matplotlib"
        raise ConfigError(message) from exc
    with _LOCK, matplotlib.rc_context(_settings(matplotlib.rcParamsDefault)):
        figure = Figure(figsize=(size.width, height), layout="constrained")
        FigureCanvasSVG(figure)
        paint(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _clean(out.getvalue())


def _settings(usual: Any) -> Any:
    """Ours, and for all else what matplotlib comes with: whatever a machine's own file of settings says."""
    # Asking for a "backend" would load pyplot, which keeps figures for the whole process.
    return {**{name: value for name, value in usual.items() if name != "backend"}, **_SETTINGS}


_HEAD = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_COMMENT = re.compile(r"\s*<!--.*?-->", re.DOTALL)
_STEP = re.compile(r" ?\n([LQCMz]) ?(?=[-\d\"\n ]|$)")
_LONG_FIGURE = re.compile(r"(?<![#\w.])(-?\d+\.\d{3,})(?![\w.])")


def _clean(svg: str) -> str:
    """Without prolog, metadata and comments, with figures as exact as a printer needs."""
    svg = _COMMENT.sub("", _METADATA.sub("", _HEAD.sub("", svg, count=1)))
    svg = _LONG_FIGURE.sub(lambda found: _short(float(found.group(1))), svg)
    return _STEP.sub(r"\1", svg).strip()


def _short(value: float) -> str:
    # Outlines of letters are scaled down by 0.08 from units of thousands: two places are plenty there and here.
    text = f"{value:.2f}" if abs(value) >= 0.1 else f"{value:.5f}"
    text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


_ID = re.compile(r'\bid="([^"]+)"')
_REFERENCE = re.compile(r'(url\(#|xlink:href="#)([^")]+)')


def inline(svg: str, name: str) -> str:
    """The same SVG for the inside of a page: its names made its own, hidden from readers that cannot see it (the page
    says it in words).

    Parameters
    ----------
    svg : of `draw`
    name : unique in the page
    """
    numbers = {old: f"{name}-{number}" for number, old in enumerate(dict.fromkeys(_ID.findall(svg)))}
    svg = _ID.sub(lambda found: f'id="{numbers[found.group(1)]}"', svg)
    svg = _REFERENCE.sub(lambda found: found.group(1) + numbers.get(found.group(2), found.group(2)), svg)
    svg = svg.replace("xlink:href=", "href=")
    opening, rest = svg.split(">", 1)
    box = re.search(r'viewBox="([^"]+)"', opening)
    view = box.group(1) if box else "0 0 100 100"
    return f'<svg viewBox="{view}" aria-hidden="true" focusable="false">{rest}'

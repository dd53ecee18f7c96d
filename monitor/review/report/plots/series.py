"""Plots over time: amps against the limit, volts and unbalance, thermal images."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.review.findings import Findings, Run, Span
from monitor.review.report import heat
from monitor.review.report.plots import canvas, clock, decimate
from monitor.review.report.plots.canvas import Size
from monitor.review.report.words import ENDS_SHORT
from monitor.watch.ends import CONFIDENCES, END_CAUSES
from monitor.watch.limits import UNKNOWN_TRIP_POINT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

LEGS_UP_TO_SECONDS = 36 * 3600.0
"""Single legs are drawn in plots of no more than this; in longer ones they would hide each other."""
ABOVE_LIMIT = 1.25
"""The scale of amps reaches so many times the limit; what is beyond (starts) is marked at the top edge."""
LEAST_APART = 1.5
"""Bounds no further apart than this [% of trip level] are drawn as one line."""
LABEL_CHARACTERS = {True: 0.0095, False: 0.019}
"""Width of a letter of a mark's words as a share of a wide and of a narrow plot."""

_PAPER = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8}
"""Behind words that a line may cross."""

LEG_STYLES = (
    ("L1", canvas.L1, (0, (1, 1.2))),
    ("L2", canvas.L2, (0, (4, 1.5))),
    ("L3", canvas.L3, (0, (5, 1.2, 1, 1.2))),
)
VOLT_STYLES = (("v12", canvas.L1, "-"), ("v23", canvas.L2, (0, (4, 1.5))), ("v31", canvas.L3, (0, (5, 1.2, 1, 1.2))))


class Stretch:
    """The readings of a plot, cut to its time, and how they are drawn."""

    def __init__(self, findings: Findings, span: Span, size: Size, zone: ZoneInfo) -> None:
        self.findings, self.span, self.size, self.zone = findings, span, size, zone
        t = findings.log.t_ms
        first = max(int(np.searchsorted(t, span.from_ms)) - 1, 0)
        after = int(np.searchsorted(t, span.to_ms, side="right")) + 1
        self.rows = slice(first, after)
        self.t = t[self.rows].astype(np.float64)
        self.gaps = [gap for gap in findings.gaps if gap.to_ms > span.from_ms and gap.from_ms < span.to_ms]
        self._gaps = np.array([(gap.from_ms, gap.to_ms) for gap in self.gaps]).reshape(-1, 2)

    @property
    def seconds(self) -> float:
        """How long it is [s]."""
        return (self.span.to_ms - self.span.from_ms) / 1000.0

    def line(self, axes: Axes, y: Floats, **style: Any) -> None:
        """A line through a column of the log."""
        times, values = decimate.broken(*decimate.line(self.t, y[self.rows], self.size.columns), self._gaps)
        if np.isfinite(values).any():
            axes.plot(times, values, **style)

    def fill(self, axes: Axes, low: Floats, high: Floats, where_above: bool, **style: Any) -> None:
        """The space between two columns, where the second is above the first or wherever they differ."""
        times, lower, upper = decimate.band(self.t, low[self.rows], high[self.rows], self.size.columns)
        where = upper >= lower if where_above else upper > lower + LEAST_APART
        if where.any():
            axes.fill_between(times, lower, upper, where=where, interpolate=where_above, **style)

    def finish(self, axes: Axes, words: bool) -> None:
        """Time axis, and what was not measured, hatched."""
        axes.set_xlim(self.span.from_ms, self.span.to_ms)
        marks = clock.marks(self.span.from_ms, self.span.to_ms, self.zone, self.size.marks)
        axes.set_xticks([at for at, _ in marks], labels=[text if words else "" for _, text in marks])
        if words:
            axes.set_xlabel(clock.clock_words(self.span.from_ms, self.span.to_ms, self.zone))
        for gap in self.gaps:
            axes.axvspan(gap.from_ms, gap.to_ms, facecolor="#f1efe8", edgecolor="#8b8a82", hatch="xxx", linewidth=0.0)


def amps(findings: Findings, span: Span, size: Size, zone: ZoneInfo) -> str:
    """Highest leg, single legs where there is room for them, and the adjusted limit; what is over it shaded."""
    stretch = Stretch(findings, span, size, zone)
    judged = findings.judged

    def paint(figure: Figure) -> None:
        axes = figure.subplots()
        limit, highest = judged.limit[stretch.rows], judged.highest[stretch.rows]
        top = _top(limit, highest, findings.estimate.limit.amps, _setting(findings))
        if findings.nameplate.motor.phases == 3 and stretch.seconds <= LEGS_UP_TO_SECONDS:
            for number, (label, colour, dash) in enumerate(LEG_STYLES):
                leg = findings.log.amps[:, number]
                stretch.line(axes, leg, color=colour, linestyle=dash, linewidth=0.9, label=label)
        stretch.fill(
            axes, judged.limit, judged.highest, True,
            facecolor="#f2c4b8", edgecolor=canvas.OVER, hatch="////", linewidth=0.0, label="over its limit",
        )  # fmt: skip
        three = findings.nameplate.motor.phases == 3
        stretch.line(axes, judged.highest, color=canvas.INK, linewidth=1.2, label="highest leg" if three else "amps")
        stretch.line(axes, judged.limit, color=canvas.OVER, linewidth=1.8, linestyle=(0, (6, 1.5)), label="limit")
        if (setting := _setting(findings)) is not None:
            axes.axhline(
                setting, color=canvas.SOFT, linewidth=0.9, linestyle=(0, (1, 2)), label="setting of the overload device"
            )
        beyond = highest > top
        if beyond.any():
            axes.plot(
                stretch.t[beyond][: size.columns], np.full(int(beyond.sum()), top * 0.985)[: size.columns],
                color=canvas.INK, marker="^", markersize=4.0, linestyle="none",
                label=f"beyond the scale, up to {np.nanmax(highest):.0f} A",
            )  # fmt: skip
        axes.set_ylim(0.0, top)
        axes.set_ylabel("A")
        stretch.finish(axes, True)
        _ends(axes, stretch)
        _legend(figure, axes, size)

    return canvas.draw(size, size.height + (0.2 if size.wide else 0.9), paint)


def volts(findings: Findings, span: Span, size: Size, zone: ZoneInfo) -> str:
    """Line voltages with what the motor is made for, and below them their unbalance."""
    stretch = Stretch(findings, span, size, zone)
    log, rated = findings.log, findings.nameplate.motor.rated_voltage
    three = findings.nameplate.motor.phases == 3 and bool(np.isfinite(log.volts).any(axis=0).all())

    def paint(figure: Figure) -> None:
        panels = figure.subplots(2 if three else 1, 1, squeeze=False, height_ratios=[2, 1] if three else [1])[:, 0]
        upper = panels[0]
        for number, (label, colour, dash) in enumerate(VOLT_STYLES):
            stretch.line(upper, log.volts[:, number], color=colour, linestyle=dash, linewidth=1.0, label=label)
        for share, words in ((1.1, "110 % of rated"), (1.0, "rated"), (0.9, "90 % of rated")):
            style = (0, (6, 1.5)) if share != 1.0 else "-"
            upper.axhline(
                share * rated, color=canvas.OVER if share != 1.0 else canvas.SOFT, linewidth=0.9, linestyle=style
            )
            upper.annotate(
                words, (1.0, share * rated), xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize=7.0,
                color=canvas.INK, xytext=(0, 2), textcoords="offset points", bbox=_PAPER,
            )  # fmt: skip
        seen = log.volts[stretch.rows]
        low = min(0.87 * rated, float(np.nanmin(seen)) - 5.0) if np.isfinite(seen).any() else 0.87 * rated
        upper.set_ylim(
            max(low, 0.0), max(1.14 * rated, float(np.nanmax(seen)) + 5.0 if np.isfinite(seen).any() else 0.0)
        )
        upper.set_ylabel("V")
        stretch.finish(upper, not three)
        if three:
            lower = panels[1]
            stretch.line(lower, findings.judged.unbalance, color=canvas.INK, linewidth=1.1)
            for level, words in ((3.0, "3 %: too much"), (5.0, "5 %: stop it")):
                lower.axhline(level, color=canvas.OVER, linewidth=0.9, linestyle=(0, (6, 1.5)))
                lower.annotate(
                    words, (1.0, level), xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize=7.0,
                    color=canvas.INK, xytext=(0, 2), textcoords="offset points", bbox=_PAPER,
                )  # fmt: skip
            known = findings.judged.unbalance[stretch.rows]
            most = float(np.nanmax(known)) if np.isfinite(known).any() else 0.0
            lower.set_ylim(0.0, max(6.5, min(1.1 * most, 20.0)))
            lower.set_ylabel("unbalance, %")
            stretch.finish(lower, True)
        _ends(upper, stretch)
        _legend(figure, upper, size)

    return canvas.draw(size, size.height + (0.5 if three else -0.5) + (0.0 if size.wide else 0.7), paint)


def images(findings: Findings, span: Span, size: Size, zone: ZoneInfo) -> str:
    """Both thermal images against their trip level, each with both bounds of cooling."""
    stretch = Stretch(findings, span, size, zone)
    motor, device = heat.motor_image(findings), heat.device_image(findings)

    def paint(figure: Figure) -> None:
        shown = [("motor", "against its limit", motor)]
        if device.known:
            shown.append(("overload device", "as it is set", device))
        panels = figure.subplots(len(shown), 1, squeeze=False)[:, 0]
        for number, (axes, (name, against, image)) in enumerate(zip(panels, shown, strict=True)):
            stretch.fill(
                axes, 100.0 * image.low, 100.0 * image.high, False, facecolor="#dfe3e6", edgecolor=canvas.SOFT,
                hatch="\\\\\\\\", linewidth=0.0, label="between both bounds of cooling",
            )  # fmt: skip
            stretch.line(axes, 100.0 * image.high, color=canvas.SOFT, linewidth=0.7, linestyle=(0, (2, 1.2)))
            stretch.line(axes, 100.0 * image.low, color=canvas.INK, linewidth=1.2, label="heat, estimated")
            axes.axhline(100.0, color=canvas.OVER, linewidth=1.6, linestyle=(0, (6, 1.5)), label="trip level")
            seen = image.high[stretch.rows]
            most = float(np.nanmax(seen)) if np.isfinite(seen).any() else 0.0
            axes.set_ylim(0.0, max(125.0, 110.0 * min(most, 3.0)))
            axes.set_ylabel("% of trip level")
            axes.set_title(f"{name}, {against}", loc="left", fontsize=8.0, fontweight="bold", pad=4)
            stretch.finish(axes, number == len(shown) - 1)
        _legend(figure, panels[0], size)

    return canvas.draw(size, (1.25 if device.known else 0.8) * size.height + (0.0 if size.wide else 1.2), paint)


def _setting(findings: Findings) -> float | None:
    """What the overload device is set to [A]; None where that does not tell when it opens."""
    protection = findings.nameplate.protection
    return None if protection.type in UNKNOWN_TRIP_POINT else protection.setting_amps


def _top(limit: Floats, highest: Floats, usual: float, setting: float | None) -> float:
    """Top of the scale of amps: enough for limit, setting and the running fan; starts may go beyond."""
    greatest = float(np.nanmax(limit)) if np.isfinite(limit).any() else usual
    known = highest[np.isfinite(highest)]
    usually = float(np.percentile(known, 99.0)) if len(known) else 0.0
    return max(ABOVE_LIMIT * greatest, 1.15 * (setting or 0.0), min(1.15 * usually, 2.0 * greatest))


def _ends(axes: Axes, stretch: Stretch) -> None:
    """How runs ended, in words above the plot; of those that would cover each other the worse."""
    span, size = stretch.span, stretch.size
    seen = [
        run for run in stretch.findings.runs if span.from_ms <= run.end_ms <= span.to_ms and run.end_cause in ENDS_SHORT
    ]
    for run in seen[: size.columns]:
        axes.axvline(run.end_ms, color=canvas.SOFT, linewidth=0.7, linestyle=(0, (3, 2)), zorder=1.5)
    for run, words, _, left in _placed(seen, span, size.wide):
        axes.annotate(
            words, (run.end_ms, 1.0), xycoords=("data", "axes fraction"), xytext=(-2 if left else 2, 3),
            textcoords="offset points", ha="right" if left else "left", va="bottom", fontsize=8.0, color=canvas.INK,
        )  # fmt: skip
        axes.annotate(
            "", (run.end_ms, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 10), textcoords="offset points",
            arrowprops={"arrowstyle": "-", "color": canvas.SOFT, "linewidth": 0.7},
        )  # fmt: skip


def _placed(runs: Sequence[Run], span: Span, wide: bool) -> list[tuple[Run, str, tuple[float, float], bool]]:
    """Marks with room for their words: (run, words, their stretch as shares of the width, words left of the mark)."""
    letter = LABEL_CHARACTERS[wide]
    placed: list[tuple[Run, str, tuple[float, float], bool]] = []
    worse_first = sorted(
        runs, key=lambda run: (END_CAUSES.index(run.end_cause), CONFIDENCES.index(run.confidence), -run.end_ms)
    )
    for run in worse_first:
        doubt = {"likely": ", likely", "possible": ", possibly"}.get(run.confidence, "")
        words = f"{ENDS_SHORT[run.end_cause]}{doubt}" if "cannot" not in run.end_cause else ENDS_SHORT[run.end_cause]
        at = (run.end_ms - span.from_ms) / max(span.to_ms - span.from_ms, 1.0)
        left = at > 0.6
        width = letter * len(words)
        where = (at - width, at + 0.01) if left else (at - 0.01, at + width)
        if all(where[1] < other[0] or where[0] > other[1] for _, _, other, _ in placed):
            placed.append((run, words, where, left))
    return placed


_LEGEND = ("highest leg", "amps", "limit", "over its limit", "setting of the overload device")
"""In this order; what is not in it follows as it was drawn."""


def _legend(figure: Figure, axes: Axes, size: Size) -> None:
    handles, labels = axes.get_legend_handles_labels()
    order = sorted(
        range(len(labels)), key=lambda at: _LEGEND.index(labels[at]) if labels[at] in _LEGEND else len(_LEGEND)
    )
    handles, labels = [handles[at] for at in order], [labels[at] for at in order]
    if handles:
        figure.legend(handles, labels, loc="outside lower left", ncols=4 if size.wide else 2, handlelength=2.6)

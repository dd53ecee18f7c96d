"""Plots without time: where the amps came from, and what each insert would draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.blades.estimate import Estimate
from monitor.review.report.plots import canvas
from monitor.review.report.plots.canvas import Size
from monitor.review.report.words import amps, plain, signed_amps

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STEPS = (
    ("derating", "unbalance takes\nfrom the limit", "unbalance takes\nfrom limit"),
    ("fan load", "fan load: pitch,\ngrain, bearings", "fan load"),
    ("air density", "colder air", "colder air"),
    ("supply voltage", "supply voltage", "supply voltage"),
    ("leg spread", "legs apart", "legs apart"),
)
"""From the adjusted limit to the highest leg: part, words, words where there is little room."""


def waterfall(estimate: Estimate, size: Size) -> str:
    """Where the amps came from: from the limit to the highest leg, part by part. Needs parts and the highest leg."""
    parts, highest = estimate.parts, estimate.highest
    assert parts is not None and highest is not None
    amounts = dict(parts.named())

    def paint(figure: Figure) -> None:
        axes = figure.subplots()
        at = estimate.limit.amps
        rows: list[str] = ["limit"]
        low, high = min(at, highest), max(at, highest)
        axes.plot([at, at], [-0.42, 0.42], color=canvas.OVER, linewidth=3.0)
        axes.annotate(amps(at), (at, 0.0), xytext=(5, 0), textcoords="offset points", va="center", fontweight="bold")
        for number, (name, words, few) in enumerate(STEPS, start=1):
            amount = amounts[name]
            more = amount >= 0.0
            axes.barh(
                number, amount, left=at, height=0.62, facecolor="#e3b4a8" if more else "#ffffff", edgecolor=canvas.INK,
                hatch="////" if more else "", linewidth=0.9,
            )  # fmt: skip
            right = max(at, at + amount)
            axes.annotate(signed_amps(amount), (right, number), xytext=(4, 0), textcoords="offset points", va="center")
            axes.plot([at, at], [number - 1 + 0.31, number - 0.31], color=canvas.SOFT, linewidth=0.7)
            at += amount
            axes.plot([at, at], [number - 0.31, number + 0.69], color=canvas.SOFT, linewidth=0.7)
            low, high = min(low, at), max(high, at)
            rows.append(words if size.wide else few)
        rows.append("highest leg")
        axes.plot([highest, highest], [len(STEPS) + 0.58, len(STEPS) + 1.42], color=canvas.INK, linewidth=3.0)
        axes.annotate(
            amps(highest), (highest, len(STEPS) + 1), xytext=(5, 0), textcoords="offset points", va="center",
            fontweight="bold",
        )  # fmt: skip
        axes.axvline(estimate.limit.amps, color=canvas.OVER, linewidth=0.9, linestyle=(0, (6, 1.5)), zorder=0.5)
        room = max(high - low, 0.04 * highest)
        axes.set_xlim(low - 0.12 * room, high + (0.3 if size.wide else 0.45) * room)
        axes.set_yticks(range(len(rows)), labels=rows)
        axes.invert_yaxis()
        axes.tick_params(axis="y", length=0)
        axes.grid(visible=False, axis="y")
        axes.set_xlabel("A")

    return canvas.draw(size, 2.9, paint)


def inserts(estimate: Estimate, size: Size, when: str = "on the coldest night") -> str:
    """What each insert would draw, against limit and target. Needs options and columns.

    Parameters
    ----------
    when : in which air, in words
    """
    options, columns = estimate.pitch.options, estimate.pitch.columns
    assert options and columns is not None

    def paint(figure: Figure) -> None:
        axes = figure.subplots()
        for number, option in enumerate(options):
            axes.plot(
                [option.low, option.high], [number, number], color=canvas.SOFT, linewidth=2.2, solid_capstyle="butt"
            )
            for end in (option.low, option.high):
                axes.plot([end, end], [number - 0.18, number + 0.18], color=canvas.SOFT, linewidth=1.2)
            axes.plot([option.amps], [number], color=canvas.INK, marker="o", markersize=6.0)
        axes.axvline(estimate.limit.amps, color=canvas.OVER, linewidth=1.8, linestyle=(0, (6, 1.5)), label="limit")
        axes.axvline(
            columns[0].target, color=canvas.L2, linewidth=1.4, linestyle=(0, (1, 1.2)), label="target below the limit"
        )
        labels = [f"insert {plain(option.pitch)}" + (" (now)" if option.degrees == 0.0 else "") for option in options]
        axes.set_yticks(range(len(options)), labels=labels)
        axes.set_ylim(len(options) - 0.5, -0.5)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(f"highest leg {when}, A: best guess, and the band that holds nine of ten")
        if not size.wide:
            axes.set_xlabel(f"highest leg {when}, A:\nbest guess, and band of nine in ten")
        handles, words = axes.get_legend_handles_labels()
        figure.legend(handles, words, loc="outside lower left", ncols=2)

    return canvas.draw(size, 1.1 + 0.3 * len(options), paint)

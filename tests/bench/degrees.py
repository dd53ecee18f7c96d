"""Are the degrees honest? A seeded crowd of invented fans is estimated from its logs, then truly re-pitched.

    python -m tests.bench.degrees [FANS]

Each fan's true worth of a degree is drawn evenly from 5 to 11 % of shaft power, wider than is believed; volts,
air, unbalance and clamp errors as they fall. The estimate sees what a logger shows for 30 minutes. Then the recommended
pitch is set on the true fan at the coldest air, and its true highest leg is compared with the target. Prints, asserts
nothing.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable

import numpy as np

from monitor.blades.estimate import Estimate, estimate
from monitor.blades.window import Slots
from monitor.records.fan_file import read_nameplate
from monitor.watch import layout, limits
from monitor.watch.advance import advance, new_states
from monitor.watch.columns import Readings
from simulated.population import DrawnFan, draw

FANS = 1_000
MINUTES = 33
"""The first minute of a run does not count, and half-minute slots are cut at both ends."""


def estimated(fan: DrawnFan) -> Estimate:
    """The service's own way: nameplate file, watch, half-hour window, estimate."""
    nameplate = read_nameplate(fan.nameplate())
    columns = fan.readings(MINUTES)
    rows = len(columns["t_ms"])
    amps = np.column_stack([columns["l1"], columns["l2"], columns["l3"]])
    volts = np.column_stack([columns["v12"], columns["v23"], columns["v31"]])
    t_ms = columns["t_ms"].astype(np.float64)
    nobody = np.zeros(rows, np.int32)
    _, judged = advance(
        new_states(1),
        Readings(nobody, t_ms, amps, volts, nobody, np.full(len(t_ms), np.nan)),
        limits.stack([limits.resolve(nameplate)]),
    )
    slots = Slots(1)
    settled = (judged.flags & layout.IS_SETTLED) != 0
    slots.add(nobody, t_ms, amps, volts, columns["ambient_c"], settled)
    return estimate(nameplate, slots.figures(0, float(t_ms[-1])), fan.altitude_m)


class Tally:
    """Promises made and kept."""

    def __init__(self) -> None:
        self.promised: list[float] = []
        self.kept: list[bool] = []

    def add(self, promised: float, kept: bool) -> None:
        self.promised.append(promised)
        self.kept.append(kept)

    def row(self, name: str) -> str:
        n = len(self.kept)
        if not n:
            return f"{name:<44}{0:>7}"
        share = float(np.mean(self.kept))
        error = 1.96 * (share * (1.0 - share) / n) ** 0.5
        return (
            f"{name:<44}{n:>7}{100 * float(np.mean(self.promised)):>11.1f} %{100 * share:>9.1f} % +-{100 * error:4.1f}"
        )


def main(fans: int = FANS) -> None:
    recommended = {"as is": Tally(), "right": Tally()}
    groups: dict[str, Tally] = {}
    options: dict[int, Tally] = {low: Tally() for low in range(0, 100, 10)}
    words: dict[str, int] = {}
    worst: list[tuple[float, str]] = []
    for seed in range(fans):
        fan = draw(seed)
        answer = estimated(fan)
        pitch = answer.pitch
        if pitch.columns is None:
            words["cannot say"] = words.get("cannot say", 0) + 1
            continue
        for name, found, why, column in (
            ("as is", pitch.as_is, pitch.as_is_why, pitch.columns[0]),
            ("right", pitch.supply_right, pitch.supply_right_why, pitch.columns[1]),
        ):
            if found is None:
                words[f"{name}: {why}"] = words.get(f"{name}: {why}", 0) + 1
                continue
            truth = fan.true_highest_leg(found.pitch, fan.coldest_c, name)
            kept = truth <= column.target
            recommended[name].add(found.chance, kept)
            if name == "as is":
                for group in _groups(fan):
                    groups.setdefault(group, Tally()).add(found.chance, kept)
                worst.append((truth / column.target - 1.0, f"seed {seed}: {fan.pitch:g} to {found.pitch:g} degrees"))
        for option in pitch.options:
            if option.chance is not None and 0.005 < option.chance < 0.995:
                truth = fan.true_highest_leg(option.pitch, fan.coldest_c, "as is")
                options[min(90, int(option.chance * 10) * 10)].add(option.chance, truth <= pitch.columns[0].target)
    print(f"{fans} fans, true worth of a degree even from 5 to 11 % of shaft power\n")
    print(f"{'recommended degrees, truly set':<44}{'fans':>7}{'promised':>13}{'kept':>11}")
    print(recommended["as is"].row("as is"))
    print(recommended["right"].row("with the supply put right"))
    for name in sorted(groups):
        print(groups[name].row(f"  as is, {name}"))
    print(f"\n{'every insert on hand, by promised chance':<44}{'options':>7}{'promised':>13}{'kept':>11}")
    for low, tally in options.items():
        print(tally.row(f"  {low} to {low + 10} %"))
    print("\nnothing recommended:", ", ".join(f"{word} {count}" for word, count in sorted(words.items())))
    worst.sort(reverse=True)
    print("furthest over the target:", "; ".join(f"{text} {100 * over:+.1f} %" for over, text in worst[:5]))


def _groups(fan: DrawnFan) -> Iterable[str]:
    yield "three-phase" if fan.phases == 3 else "single-phase"
    yield "degree worth under 7 %" if fan.slope < 0.07 else ("7 to 9 %" if fan.slope < 0.09 else "over 9 %")
    yield "volts within 5 % of rated" if abs(fan.volts_over_rated - 1) <= 0.05 else "volts further off"


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else FANS)

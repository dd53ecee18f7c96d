"""Reads timelines written as text and runs the watch on them.

    # What it shows.
    motor: 40 A, service factor 1.0, 460 V, 3 phases
    power: 30 hp, 4 poles             (poles may be left out)
    device: overload relay, 40 A, class 10     or: built-in protector
    control: continuous
    logger: averaging
    period: 10 s                      one, or several: then each is run (`learned` after it: the watch has to find out)
    change: overload on_delay_seconds 60

    00:00:00  38 | 460                all legs 38 A, all lines 460 V, one reading each period ...
    00:00:30  47 46 45 | 474 453 453  ... until the next line's time
    00:02:00  silent                  no readings
    00:03:00  ? 38 38 | -             ?: nothing usable, -: no volts measured
    00:04:00  0 | 460 | 1             `called`: the control wants it to run
    00:05:00  36>44 | 460~0.1         a straight line from 36 to 44 A in this stretch; volts 460 and 460.1 by turns
    00:10:00  end                     the first moment without a reading
    expect 00:02:30 overload raised since 00:00:30
    expect 00:02:40 overload cleared at 1 s, 10 s        holds for these periods only
    expect 00:00:00 run started
    expect nothing else
    silent: overload                  this timeline is one in which that condition must not be raised

Runs are compared in timelines that expect one; everything else always. Hours may pass 24. Figures that stand still to
the last digit are those of a dead logger: in a timeline that does not name logger-suspect that condition is off.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from monitor.motor.nameplate import Logger, Nameplate, Protection
from monitor.watch.tick import Heard, is_overdue
from tests.conftest import NAN, NO_VOLTS, Row, nameplate
from tests.watch.streams import Stream, by_kernel, by_twin

FOLDER = Path(__file__).parent / "scenarios"
ROWS_FOR_THE_TWIN = 3_000
"""Longer ones it does not see: it takes a fifth of a second for so many."""
Expected = tuple[str, str, str | None]
"""Time, what ("overload raised"), since."""


@dataclass
class Timeline:
    """One file, for one period."""

    name: str
    plate: Nameplate
    period: int
    stretches: list[tuple[int, str]] = field(default_factory=list)
    expected: list[Expected] = field(default_factory=list)
    silent: str | None = None

    def rows(self) -> list[Row]:
        rows: list[Row] = []
        for (start, what), (stop, _) in pairwise(self.stretches):
            if what != "silent":
                parts = [*what.split("|"), "?"][:3]
                for number, second in enumerate(range(start, stop, self.period)):
                    share = (second - start) / (stop - start)
                    amps, volts, called = (_three(part, number, share) for part in parts)
                    if self.plate.motor.phases == 1:
                        amps, volts = (amps[0], NAN, NAN), (volts[0], NAN, NAN)
                    rows.append((0, 1000.0 * second, amps, volts, 0, called[0]))
        return rows

    def found(self) -> list[Expected]:
        """What the watch says of it."""
        stream = Stream(self.rows(), [(self.plate, 0, 0)])
        outcome = by_kernel(stream, only_changes=True)
        if len(stream.rows) <= ROWS_FOR_THE_TWIN:
            assert outcome.changes == by_twin(stream).changes
        with_runs = any(what.startswith("run") for _, what, _ in self.expected)
        found: list[tuple[float, Expected]] = []
        for _, _, what, condition, at, since, *_ in outcome.changes[0]:
            if condition is not None or with_runs:
                told = f"{condition} {what}" if condition else what
                found.append((_ms(at), (clock(_ms(at)), told, clock(_ms(since)))))
        found += self._by_tick(stream.rows)
        return [entry for _, entry in sorted(found, key=lambda one: one[0])]

    def _by_tick(self, rows: list[Row]) -> list[tuple[float, Expected]]:
        """A clock that ticks each second, in the pauses between readings."""
        period = self.plate.logger.period_seconds or float(
            self.period
        )  # learned: nine equal intervals at the beginning
        told: list[tuple[float, Expected]] = []
        edges = [row[1] for row in rows] + [1000.0 * self.stretches[-1][0]]
        for last, following in pairwise(edges):
            overdue = False
            for second in range(int(last / 1000), int(following / 1000) + 1) if following - last > 100_000 else ():
                if not overdue and is_overdue(Heard(last, period, overdue), 1000.0 * second):
                    overdue = True
                    told.append((1000.0 * second, (clock(1000.0 * second), "logger-overdue raised", clock(last))))
            if overdue and following != edges[-1]:
                told.append((following, (clock(following), "logger-overdue cleared", clock(last))))
        return told


def _ms(exact: Any) -> float:
    return float.fromhex(exact)


def clock(ms: float) -> str:
    second = round(ms / 1000)
    return f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"


def seconds(text: str) -> int:
    hours, minutes, rest = text.split(":")
    return 3600 * int(hours) + 60 * int(minutes) + int(rest)


def _three(text: str, number: int, share: float) -> tuple[float, float, float]:
    """Three legs or lines; number and share: which reading of its stretch, and how much of that has passed."""
    if text.strip() == "-":
        return NO_VOLTS
    values = [_figure(word, number, share) for word in text.split()]
    first, second, third = values * 3 if len(values) == 1 else values
    return first, second, third


def _figure(word: str, number: int, share: float) -> float:
    if word == "?":
        return NAN
    if ">" in word:
        first, last = map(float, word.split(">"))
        return first + (last - first) * share
    steady, _, step = word.partition("~")
    return float(steady) + number % 2 * float(step or 0)


def _value(word: str) -> object:
    return {"true": True, "false": False}.get(word, word) if word in ("true", "false") else float(word)


def read(path: Path) -> list[Timeline]:
    """The timelines of a file: one for each of its periods. What is not understood is an error with its place."""
    kept: dict[str, Any] = {"control": "continuous", "conditions": {}}
    device, averaging = Protection(), False
    periods, learned = [10], False
    stretches: list[tuple[int, str]] = []
    expected: list[tuple[Expected, list[int]]] = []
    closed, silent = False, None
    for number, line in enumerate(path.read_text().splitlines(), 1):
        text = line.split("#")[0].strip()
        if not text:
            continue
        if found := re.fullmatch(r"motor: ([\d.]+) A, service factor ([\d.]+), ([\d.]+) V, ([13]) phases?", text):
            full, factor, volts, phases = found.groups()
            kept |= {"full_load_amps": float(full), "service_factor": float(factor), "rated_voltage": float(volts)}
            kept["phases"] = int(phases)
        elif found := re.fullmatch(r"power: ([\d.]+) hp(?:, (\d+) poles)?", text):
            kept |= {"rated_power_hp": float(found[1]), "poles": int(found[2]) if found[2] else None}
        elif text == "device: built-in protector":
            device = Protection("built-in protector", 10, 40.0)
        elif found := re.fullmatch(r"device: overload relay, ([\d.]+) A, class (\d+)", text):
            device = Protection("overload relay", int(found[2]), float(found[1]))
        elif text == "logger: averaging":
            averaging = True
        elif found := re.fullmatch(r"control: (\w+)", text):
            kept["control"] = None if found[1] == "unknown" else found[1]
        elif found := re.fullmatch(r"period: ((?:\d+ s(?:, )?)+)( learned)?", text):
            periods, learned = [int(word) for word in re.findall(r"\d+", found[1])], bool(found[2])
        elif found := re.fullmatch(r"change: ([\w-]+) (\w+) (\S+)", text):
            kept["conditions"].setdefault(found[1], {})[found[2]] = _value(found[3])
        elif found := re.fullmatch(r"(\d+:\d\d:\d\d) +(silent|end|[\d.?~> ]+ \| (?:-|[\d.?~> ]+)(?: \| [01])?)", text):
            stretches.append((seconds(found[1]), found[2]))
        elif found := re.fullmatch(r"silent: ([\w-]+)", text):
            silent = found[1]
        elif text == "expect nothing else":
            closed = True
        elif found := re.fullmatch(
            r"expect (\d+:\d\d:\d\d) ([\w-]+ \w+)(?: since (\d+:\d\d:\d\d))?(?: at ((?:\d+ s(?:, )?)+))?", text
        ):
            only = [int(word) for word in re.findall(r"\d+", found[4] or "")] or periods
            expected.append(((found[1], found[2], found[3]), only))
        else:
            raise ValueError(f"{path.name}:{number}: not understood: {line!r}")
    if not closed or not stretches or stretches[-1][1] != "end":
        raise ValueError(f"{path.name}: a timeline has an `end` and says `expect nothing else`")
    if [at for at, _ in stretches] != sorted({at for at, _ in stretches}):
        raise ValueError(f"{path.name}: times must rise")
    if not any("logger-suspect" in word for word in [silent or "", *kept["conditions"], *(e[1] for e, _ in expected)]):
        kept["conditions"]["logger-suspect"] = {"off": True}
    timelines = []
    for period in periods:
        plate = nameplate(**kept)
        logger = Logger(period_seconds=None if learned else float(period), averaging=averaging)
        plate = replace(plate, protection=device, logger=logger)
        told = [entry for entry, only in expected if period in only]
        timelines.append(Timeline(path.stem, plate, period, stretches, told, silent))
    return timelines

"""Is the review right? A score table over seeded invented logs.

    python -m tests.bench.review_score [LOGS] [FANS] [--misses]

LOGS logs of 4 to 8 hours (`review_logs`: each kind of end, load, cold, low voltage, unbalance, a bad connection, a lost
phase, an outage, planned stops, brief peaks, four trip classes, 1 to 60 s, missing volts, gaps, averaging loggers) are
reviewed: how each run ended, spells over the limit, the main cause.

FANS invented fans (`simulated.population`) are reviewed from a log of one to three hours that ends with a trip where
their device opens, and then truly re-pitched, at the coldest air: are the degrees enough, are they more than needed?
Their true worth of a degree is drawn evenly from 5 to 11 % of shaft power, their device's pick-up evenly from 1.05 to
1.20 of its setting. A second table is for the same fans with the worth of a degree on the nameplate file.

Prints, asserts nothing. `--misses` lists each one.
"""

from __future__ import annotations

import math
import sys
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace

import numpy as np

from monitor.motor.current import current_model
from monitor.records.fan_file import read_nameplate
from monitor.review.engine import review
from monitor.review.findings import Findings, Run
from monitor.review.log import Log
from monitor.watch import ends
from simulated.population import DrawnFan, draw
from tests.bench.review_logs import HEALTHY, KINDS, MAIN_CAUSE, Case, case

LOGS = 20 * len(KINDS)
FANS = 600


@dataclass
class Share:
    """So many of so many."""

    right: int = 0
    of: int = 0
    misses: list[str] = field(default_factory=list)

    def add(self, right: bool, miss: str) -> None:
        self.right += right
        self.of += 1
        if not right:
            self.misses.append(miss)

    def row(self, name: str, aim: str = "") -> str:
        if not self.of:
            return f"{name:<58}{'-':>12}"
        return f"{name:<58}{self.right:>6} of{self.of:>5}{100.0 * self.right / self.of:>8.1f} %   {aim}"


# --- logs ------------------------------------------------------------------------------------------------------


def end_of(case_: Case, at_ms: float, found: Findings) -> Run | None:
    """The run whose end lies nearest to a true one, within two periods and a gap's worth."""
    near = [run for run in found.runs if abs(run.end_ms - at_ms) <= 1000.0 * (3.0 * case_.period_s + 5.0)]
    return min(near, key=lambda run: abs(run.end_ms - at_ms), default=None)


def cannot_be_told(case_: Case, cause: str) -> bool:
    """Without volts and sister fans a stop and a lost supply look alike; the right answer is then "cannot tell"."""
    return not case_.volts and cause in ("stopped", "supply lost")


def score_ends(case_: Case, found: Findings, tables: dict[str, Share]) -> None:
    for at_ms, cause in case_.ends:
        run = end_of(case_, at_ms, found)
        said = "no end" if run is None else run.end_cause
        word = "" if run is None else f" ({run.confidence})"
        blind = cannot_be_told(case_, cause)
        right = said == cause or (blind and said == "cannot tell")
        miss = f"{case_.title}: {cause} called {said}{word}"
        tables["ends"].add(right, miss)
        tables["ends, volts" if case_.volts else "ends, no volts"].add(right, miss)
        tables[f"  end: {cause}"].add(right, miss)
        if run is not None and run.confidence in ("sure", "high"):
            tables["ends said sure or high"].add(right, miss)
    last = found.runs[-1] if found.runs else None
    if case_.kind == "log ends":
        said = "nothing" if last is None else last.end_cause
        tables["ends"].add(said == ends.LOG_ENDED, f"{case_.title}: the end of the log called {said}")


def score_spells(case_: Case, found: Findings, tables: dict[str, Share]) -> None:
    slack = 1000.0 * (case_.period_s * (2.0 if case_.averaging else 1.0) + 5.0)
    left = list(found.overloads)
    for spell in case_.spells:
        mine = [one for one in left if one.start_ms <= spell.end[1] + slack and one.end_ms >= spell.start[0] - slack]
        left = [one for one in left if one not in mine]
        if any(gap.from_ms <= spell.end[1] and gap.to_ms >= spell.start[0] for gap in found.gaps):
            continue  # nobody saw its borders
        said, right = "not found", False
        if mine:
            right = _off(mine[0].start_ms, spell.start) <= slack and _off(mine[-1].end_ms, spell.end) <= slack
            apart = _off(mine[0].start_ms, spell.start) / 1000.0, _off(mine[-1].end_ms, spell.end) / 1000.0
            said = f"begins {apart[0]:.0f} s, ends {apart[1]:.0f} s off"
        tables["overload spells, borders within a period and 5 s"].add(right, f"{case_.title}: {said}")
    if case_.kind in HEALTHY:
        told = found.overloads or any(alarm.id == "overload" for alarm in found.alarms)
        tables["healthy logs not called overloaded"].add(not told, f"{case_.title}: overload")
    elif not case_.near:
        # One that ended the run at once (a lost phase, a locked rotor) is rightly told however short it was.
        ended = [run.end_ms for run in found.runs]
        left = [one for one in left if not any(abs(one.end_ms - end) <= 3.0 * slack for end in ended)]
        tables["no spell where there was none"].add(not left, f"{case_.title}: {len(left)} too many")


def _off(ms: float, borders: tuple[float, float]) -> float:
    return max(borders[0] - ms, ms - borders[1], 0.0) / 1000.0


def score_cause(case_: Case, found: Findings, tables: dict[str, Share]) -> None:
    wanted = MAIN_CAUSE.get(case_.kind)
    said = found.causes[0].cause if found.causes else None
    over = bool(case_.spells) or any(cause != "stopped" for _, cause in case_.ends)
    if wanted is not None and not over:
        tables["(planned trouble that never passed the limit)"].add(True, "")
        return
    tables["main cause"].add(said == wanted, f"{case_.title}: {wanted} called {said}")
    tables[f"  cause: {wanted or 'none'}"].add(said == wanted, f"{case_.title}: {wanted} called {said}")


def score_logs(logs: int) -> dict[str, Share]:
    tables: dict[str, Share] = defaultdict(Share)
    for seed in range(logs):
        one = case(seed)
        found = review(one.log, one.plate)
        score_ends(one, found, tables)
        score_spells(one, found, tables)
        score_cause(one, found, tables)
    return tables


# --- degrees ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tripping:
    """An invented fan, its log, and its device."""

    fan: DrawnFan
    log: Log
    tripped: bool


def tripping(seed: int) -> Tripping:
    """One to three hours of a fan of the crowd, with a trip at the end where its highest leg passes its device's
    pick-up."""
    random = np.random.default_rng([seed, 7])
    fan = draw(seed)
    period_s = int(random.choice([1, 2, 5, 10, 30, 60]))
    columns = fan.readings(minutes=float(random.uniform(60.0, 180.0)), period_s=period_s)
    rows = len(columns["t_ms"])
    amps = np.column_stack([columns[name] for name in ("l1", "l2", "l3")])
    volts = np.column_stack([columns[name] for name in ("v12", "v23", "v31")])
    pick_up = float(random.uniform(1.05, 1.20)) * fan.plate["protection"]["setting_amps"]
    tripped = fan.true_highest_leg() > pick_up
    if tripped:
        amps[-max(1, 600 // period_s) :] = np.where(np.isnan(amps[:1]), math.nan, 0.0)
    log = Log("fan", columns["t_ms"], amps, volts, columns["ambient_c"], np.full(rows, math.nan))
    return Tripping(fan, log, tripped)


def score_degrees(fans: int, known: bool) -> tuple[dict[str, Share], dict[int, list[tuple[float, bool]]], Counter[str]]:
    """Tables, promised and kept by tenths of the promise, and words where nothing was recommended."""
    tables: dict[str, Share] = defaultdict(Share)
    promises: dict[int, list[tuple[float, bool]]] = defaultdict(list)
    words: Counter[str] = Counter()
    for seed in range(fans):
        one = tripping(seed)
        plate = read_nameplate(one.fan.nameplate())
        if known:
            model = current_model(plate.motor)
            at = plate.motor.full_load_amps * plate.motor.service_factor
            worth = one.fan.slope * (at**2 - model.magnetising_rated**2) / at
            plate = replace(plate, fan=replace(plate.fan, amps_per_degree=round(worth, 2)))
        pitch = review(one.log, plate, altitude_m=one.fan.altitude_m).estimate.pitch
        if pitch.columns is None:
            words["cannot say"] += 1
            continue
        for name, column, said, why in (
            ("as is", pitch.columns[0], pitch.as_is, pitch.as_is_why),
            ("right", pitch.columns[1], pitch.supply_right, pitch.supply_right_why),
        ):
            _score_column(one, name, column.target, said.pitch if said else None, why, tables, words)
        for option in pitch.options:
            if option.chance is not None:
                truly = one.fan.true_highest_leg(option.pitch, one.fan.coldest_c, "as is") <= pitch.columns[0].target
                promises[min(9, int(10.0 * option.chance))].append((option.chance, truly))
                if option.chance >= 0.9 and pitch.as_is is not None and option.pitch == pitch.as_is.pitch:
                    tables["recommended with chance 0.9 and more: truly enough"].add(truly, f"seed {seed}")
    return tables, promises, words


def _score_column(
    one: Tripping, name: str, target: float, said: float | None, why: str | None, tables: dict[str, Share],
    words: Counter[str],
) -> None:  # fmt: skip
    fan = one.fan
    enough = [pitch for pitch in sorted(fan.inserts, reverse=True) if _truly(fan, pitch, name) <= target]
    best = enough[0] if enough else None
    if why == "none needed":
        tables[f"{name}: none needed, truly"].add(best == fan.pitch, f"seed {fan.seed}: needs {best}")
        return
    if said is None or best is None:
        words[f"{name}: {why or 'recommended'}, truly {'none enough' if best is None else 'one is'}"] += 1
        return
    steps = sorted(fan.inserts, reverse=True).index(said) - sorted(fan.inserts, reverse=True).index(best)
    miss = f"seed {fan.seed}: {said:g} for {best:g} degrees, a degree worth {100 * fan.slope:.1f} %"
    tables[f"{name}: enough, and at most one insert more than needed"].add(0 <= steps <= 1, miss)
    tables[f"{name}:   enough"].add(steps >= 0, miss)
    tables[f"{name}:   within one insert either way"].add(abs(steps) <= 1, miss)
    if 0.06 <= fan.slope <= 0.09:
        tables[f"{name}:   the first, a degree worth 6 to 9 %"].add(0 <= steps <= 1, miss)


def _truly(fan: DrawnFan, pitch: float, name: str) -> float:
    try:
        return fan.true_highest_leg(pitch, fan.coldest_c, name)
    except ValueError:  # the motor cannot carry it
        return math.inf


# --- printing --------------------------------------------------------------------------------------------------

AIMS = {
    "ends": "aim 95", "main cause": "aim 90", "healthy logs not called overloaded": "aim all",
    "recommended with chance 0.9 and more: truly enough": "aim 88",
}  # fmt: skip


def main(logs: int, fans: int, misses: bool) -> None:
    tables = score_logs(logs)
    print(f"{logs} logs, {len(KINDS)} kinds alike\n")
    for name in sorted(tables, key=lambda name: (name.strip().split(":")[0], name)):
        print(tables[name].row(name, AIMS.get(name, "")))
    listed = [miss for name in tables if not name.startswith("  ") for miss in tables[name].misses]
    for known in (False, True):
        how = "the worth of a degree on the file" if known else "the worth of a degree believed"
        print(f"\n{fans} fans, true worth of a degree even from 5 to 11 % of shaft power, {how}\n")
        found, promises, words = score_degrees(fans, known)
        for name in sorted(found):
            print(found[name].row(name, AIMS.get(name, "")))
        print("\nevery insert on hand, by promised chance as is")
        for tenth in sorted(promises):
            promised, kept = (100.0 * float(np.mean(column)) for column in zip(*promises[tenth], strict=True))
            count = len(promises[tenth])
            print(
                f"  {10 * tenth:>3} to {10 * tenth + 10} %{count:>7}   promised {promised:5.1f} %   kept {kept:5.1f} %"
            )
        print("  " + "; ".join(f"{word} {count}" for word, count in sorted(words.items())))
        both = [share for name, share in found.items() if "enough, and" in name]
        listed += [f"degrees, {how}: {miss}" for share in both for miss in share.misses]
    if misses:
        print("\nmisses")
        print("\n".join(f"  {miss}" for miss in dict.fromkeys(listed)))


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(*(numbers + [LOGS, FANS][len(numbers) :])[:2], "--misses" in sys.argv)

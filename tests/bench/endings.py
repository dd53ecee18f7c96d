"""How runs ended and what was announced: a score table over seeded invented farms.

    python -m tests.bench.endings [FARMS] [--misses]

Each farm (`endings_farms`) is played once; its readings go through the watch at 1, 10 and 60 s, with and without volts,
and every end of a run gets the service's own verdict from what its sister fans did. Beside it stands what a bare
threshold at 110 % of full-load amps makes of the same readings. Prints, asserts nothing; `--misses` lists each wrong
verdict that is sure, high or likely, and each ramp trip that was not announced, with its seed.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
import tomli_w

from monitor.alarms.alarm import About, Raised, Returned
from monitor.motor.nameplate import Nameplate
from monitor.records.fan_file import read_nameplate
from monitor.service.book import AlarmBook
from monitor.watch import ends, layout, limits
from monitor.watch.advance import advance, new_states
from monitor.watch.columns import Change, Judged, Readings
from monitor.watch.sisters import Stretch, sister_at, together_ms, wait_seconds
from monitor.watch.table import BY_ID, PRIORITIES
from tests.bench.endings_farms import Case, Floats, TrueEnd, farm

FARMS = 250
"""Farms of 48 h read each 10 and each 60 s; a third as many of 8 h are read each second as well."""
CLOSE_SHARE = 3
PERIODS = (1, 10, 60)
HEALTHY_FARMS, HEALTHY_FANS, HEALTHY_DAYS = 3, 10, 12
NO_SETTING_SHARE = 0.1
ANNOUNCING = ("overload", "device-margin", "trip-near")
LONG_MS = 600_000.0
"""Trips after so long above the limit or the setting can be announced."""
BARE = 1.10
"""The bare threshold: a reading above so many times full-load amps, nothing else."""
BARE_APART_MS = 600_000.0
"""Crossings no further apart than this are one."""
WORDS = ("sure", "high", "likely", "possible", "cannot tell")


# --- feeding ---------------------------------------------------------------------------------------------------


@dataclass
class Fed:
    """One farm as one kind of logger shows it, and what the watch said."""

    case: Case
    period_s: int
    volts: bool
    plates: list[Nameplate]
    columns: list[dict[str, Floats]]
    first: list[int]
    """Row of each fan's first reading in the judged columns, and one past the last fan's."""
    judged: Judged
    changes: list[list[Change]]
    """By fan."""


def plate_of(case: Case, number: int, period_s: int) -> Nameplate:
    """What is registered for a fan: one in ten has no setting, half have no period."""
    random = np.random.default_rng([case.seed, number, 77])
    tables = case.plates[number]
    if random.uniform() < NO_SETTING_SHARE:
        tables = {name: table for name, table in tables.items() if name != "protection"}
    plate = read_nameplate(tomli_w.dumps(tables))
    given = float(period_s) if random.uniform() < 0.5 else None
    return replace(plate, logger=replace(plate.logger, period_seconds=given))


def feed(case: Case, period_s: int, volts: bool) -> Fed:
    """The farm's readings, each `period_s`, through the watch."""
    every = period_s // case.step_s
    plates = [plate_of(case, number, period_s) for number in range(len(case.columns))]
    columns = [
        {name: column[(case.seed + number) % every :: every] for name, column in shown.items()}
        for number, shown in enumerate(case.columns)
    ]
    sizes = [len(one["t_ms"]) for one in columns]
    fan = np.repeat(np.arange(len(columns)), sizes)
    whole = {name: np.concatenate([one[name] for one in columns]) for name in columns[0]}
    lines = np.column_stack([whole["v12"], whole["v23"], whole["v31"]])
    legs = np.column_stack([whole["l1"], whole["l2"], whole["l3"]])
    readings = Readings(fan, whole["t_ms"], legs, lines if volts else lines * math.nan, fan, whole["called"])
    table = limits.stack([limits.resolve(plate) for plate in plates])
    changes, judged = advance(new_states(len(columns)), readings, table)
    by_fan: list[list[Change]] = [[] for _ in columns]
    for change in changes:
        by_fan[change.fan].append(change)
    return Fed(case, period_s, volts, plates, columns, [0, *np.cumsum(sizes).tolist()], judged, by_fan)


# --- how runs ended --------------------------------------------------------------------------------------------


def stretches(fed: Fed, number: int) -> list[Stretch]:
    """The runs of a fan."""
    found: list[Stretch] = []
    for change in fed.changes[number]:
        if change.what == layout.RUN_STARTED:
            found.append(Stretch(change.at_ms, float(fed.columns[number]["t_ms"][-1])))
        elif change.what == layout.RUN_ENDED and change.ending is not None and found:
            end = change.ending
            stop = end.stop_ms if end.seen else None
            volts = end.volts_percent
            found[-1] = Stretch(found[-1].start_ms, change.at_ms, stop, volts, end.called)
    return found


def volts_at_end(fed: Fed, number: int, stop_ms: float, for_ms: float) -> float:
    """The greatest line [% of rated], lowest within `for_ms` from the first stopped reading on; NaN: not measured."""
    if not fed.volts:
        return math.nan
    columns = fed.columns[number]
    first, last = np.searchsorted(columns["t_ms"], [stop_ms, stop_ms + for_ms + 1.0])
    lines = np.column_stack([columns[name][first:last] for name in ("v12", "v23", "v31")])
    if np.isnan(lines).all():
        return math.nan
    return float(100.0 * np.nanmin(np.nanmax(lines, axis=1)) / fed.plates[number].motor.rated_voltage)


def verdicts(fed: Fed) -> list[list[tuple[Change, ends.Verdict]]]:
    """For each fan the ends of its runs with their verdicts."""
    runs = [stretches(fed, number) for number in range(len(fed.columns))]
    periods = [float(fed.period_s)] * len(runs)
    wait_ms, apart_ms = 1000.0 * wait_seconds(periods), together_ms(periods)
    out: list[list[tuple[Change, ends.Verdict]]] = []
    for number, changes in enumerate(fed.changes):
        mine: list[tuple[Change, ends.Verdict]] = []
        for change in changes:
            if change.ending is None:
                continue
            stop, due = change.ending.stop_ms, change.ending.stop_ms + wait_ms
            sisters = [
                sister_at(f"fan-{other}", periods[other], runs[other], stop_ms=stop, due_ms=due, apart_ms=apart_ms)
                for other in range(len(runs)) if other != number
            ]  # fmt: skip
            again = [run.start_ms for run in runs[number] if stop < run.start_ms <= due]
            seconds = (change.at_ms - change.since_ms) / 1000.0
            volts = volts_at_end(fed, number, stop, 1000.0 * fed.period_s)
            setting, error = ends.device_of(fed.plates[number])
            own = ends.Own(volts, seconds, again[0] if again else None, setting_amps=setting, error_share=error)
            mine.append((change, ends.judge(change.ending, own, sisters)))
        out.append(mine)
    return out


@dataclass
class Ends:
    """Tally of verdicts."""

    by_word: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))
    """Word -> right, all."""
    by_cause: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    """True cause -> verdict -> number."""
    not_seen: Counter[str] = field(default_factory=Counter)
    """True ends that no reading shows, by cause."""
    true_ends: int = 0
    misses: list[str] = field(default_factory=list)

    def add(self, fed: Fed, end: TrueEnd, verdict: ends.Verdict | None, change: Change | None) -> None:
        self.true_ends += 1
        if verdict is None or change is None or change.ending is None:
            self.not_seen[end.cause] += 1
            return
        unclear = verdict.end_cause == ends.CANNOT_TELL
        word = ends.CANNOT_TELL if unclear else verdict.confidence
        right = verdict.end_cause == end.cause
        self.by_word[word][0] += right
        self.by_word[word][1] += 1
        told = word if unclear else f"{verdict.end_cause}, {word}"
        self.by_cause[end.cause][told] += 1
        if not right and word in ("sure", "high", "likely"):
            ending = change.ending
            self.misses.append(
                f"  seed {fed.case.seed}, {fed.case.step_s} s, fan {end.fan} at {fed.period_s} s, "
                f"{'with' if fed.volts else 'no'} volts: {end.cause} ({end.manner}) told as {told}; "
                f"h1 {ending.h1:.3f}, carried {ending.carried:.3f} in {ending.compared_seconds / 3600:.1f} h, "
                f"last {ending.last_amps:.1f} A"
            )


def score_ends(fed: Fed, tally: Ends) -> None:
    """Adds the ends of one farm; each true end belongs to the judged end whose readings lie around it."""
    told = verdicts(fed)
    for end in fed.case.ends:
        around = [
            (change, verdict) for change, verdict in told[end.fan]
            if change.ending is not None and change.at_ms <= end.t_ms <= change.ending.stop_ms
        ]  # fmt: skip
        change, verdict = around[0] if around else (None, None)
        tally.add(fed, end, verdict, change)


# --- what was announced ----------------------------------------------------------------------------------------


@dataclass
class Announced:
    """Tally of trips that could be announced: leads [min] of those that were, NaN of those that were not."""

    leads: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))
    """(Who, ramp or step) -> leads."""
    sudden: Counter[str] = field(default_factory=Counter)
    """Trips sooner than that: all, announced, announced by the bare threshold."""
    misses: list[str] = field(default_factory=list)


def raised_before(changes: list[Change], t_ms: float) -> float:
    """Since when [ms] a condition that announces a trip stands at its time; NaN: none does."""
    stands: dict[str, float] = {}
    for change in changes:
        if change.at_ms >= t_ms:
            break
        if change.condition in ANNOUNCING:
            if change.what == layout.RAISED:
                stands[change.condition] = change.at_ms
            elif change.what in (layout.CLEARED, layout.SUPERSEDED):
                stands.pop(change.condition, None)
    return min(stands.values(), default=math.nan)


def bare_before(times: Floats, above: Floats, t_ms: float) -> float:
    """The same of the bare threshold: the first crossing of those that follow each other up to the trip."""
    crossed = times[(times < t_ms) & above]
    if not len(crossed) or t_ms - crossed[-1] > BARE_APART_MS:
        return math.nan
    apart = np.flatnonzero(np.diff(crossed) > BARE_APART_MS)
    return float(crossed[apart[-1] + 1 if len(apart) else 0])


def true_highest(fed: Fed, number: int) -> Floats:
    """Highest leg [A] without the clamps' errors."""
    columns, case = fed.columns[number], fed.case
    legs = np.column_stack([columns[name] for name in ("l1", "l2", "l3")])[:, : len(case.gain[number])]
    return np.asarray(np.max((legs - case.offset[number]) / case.gain[number], axis=1))


def score_announced(fed: Fed, tally: Announced) -> None:
    """Adds the overload trips of one farm."""
    for end in fed.case.ends:
        if end.cause != ends.OVERLOAD_TRIP:
            continue
        columns, plate = fed.columns[end.fan], fed.plates[end.fan]
        setting = fed.case.plates[end.fan]["protection"]["setting_amps"]
        times = columns["t_ms"]
        rows = slice(fed.first[end.fan], fed.first[end.fan + 1])
        over = true_highest(fed, end.fan) >= np.minimum(fed.judged.limit[rows], setting)
        last = (times > end.t_ms - LONG_MS) & (times < end.t_ms)
        raised = raised_before(fed.changes[end.fan], end.t_ms)
        bare = bare_before(times, columns_highest(columns) > BARE * plate.motor.full_load_amps, end.t_ms)
        if not last.any() or over[last].mean() < 0.97:
            tally.sudden.update({"all": 1, "ours": int(not math.isnan(raised)), "bare": int(not math.isnan(bare))})
            continue
        manner = "step" if end.manner == "step" else "ramp"
        tally.leads["ours", manner].append((end.t_ms - raised) / 60_000.0)
        tally.leads["bare", manner].append((end.t_ms - bare) / 60_000.0)
        if math.isnan(raised):
            highest = true_highest(fed, end.fan)[last]
            known = "" if plate.protection.setting_amps else ", setting not registered"
            tally.misses.append(
                f"  seed {fed.case.seed}, {fed.case.step_s} s, fan {end.fan} at {fed.period_s} s, "
                f"{'with' if fed.volts else 'no'} volts ({end.manner}): truly {highest[-1] / setting:.3f} x setting at "
                f"its trip, shown {np.max(columns_highest(columns)[last]) / setting:.3f} at most{known}"
            )


def columns_highest(columns: dict[str, Floats]) -> Floats:
    """Highest leg as shown [A]."""
    legs = np.column_stack([columns[name] for name in ("l1", "l2", "l3")])
    return np.asarray(np.fmax.reduce(legs, axis=1))


# --- healthy fans ----------------------------------------------------------------------------------------------


@dataclass
class Healthy:
    """Notices about healthy fans."""

    months: float = 0.0
    ours: Counter[str] = field(default_factory=Counter)
    """Condition -> ringing notices that tell of what was not."""
    bare: int = 0
    true_calls: Counter[str] = field(default_factory=Counter)
    """Ringing notices about supply or stop that tell of what truly was."""


def notices(fed: Fed, number: int) -> list[tuple[str, float]]:
    """Ringing notices (condition, time [ms]) about a fan, as the alarm book lets them through."""
    book, told = AlarmBook([], 1, 1), []
    table = BY_ID
    changes = sorted(fed.changes[number], key=lambda one: one.at_ms)
    for change in changes:
        if change.condition is None:
            continue
        at = datetime.fromtimestamp(change.at_ms / 1000.0, UTC)
        row = table[change.condition]
        if change.what in (layout.RAISED, layout.HOTTER):
            priority = PRIORITIES[-1] if change.what == layout.HOTTER else row.priority
            since = datetime.fromtimestamp(change.since_ms / 1000.0, UTC)
            event = Raised(
                row.id, at, since, change.value, change.setpoint, change.peak, priority, row.rings
            )  # fmt: skip
            _, _, wanted = book.apply(About("farm", f"fan-{number}", None, row.id), event, at)
        else:
            _, _, wanted = book.apply(About("farm", f"fan-{number}", None, row.id), Returned(at), at)
        told += [(row.id, change.at_ms) for one in wanted if one.rings and one.kind == "raised"]
    return told


def score_healthy(fed: Fed, tally: Healthy) -> None:
    """Adds what was told of fans that truly stayed below their limit and 1.05 of their setting."""
    told = verdicts(fed)
    for number, columns in enumerate(fed.columns):
        setting = fed.case.plates[number]["protection"]["setting_amps"]
        rows = slice(fed.first[number], fed.first[number + 1])
        true = true_highest(fed, number)
        running = true > 0.15 * fed.plates[number].motor.full_load_amps
        settled = running & np.roll(running, 1) & np.roll(running, 2)  # starts caught by chance are no load
        if np.any(true[settled] >= np.minimum(fed.judged.limit[rows], 1.05 * setting)[settled]):
            continue
        tally.months += (columns["t_ms"][-1] - columns["t_ms"][0]) / (30.0 * 86_400_000.0)
        truly = [end.t_ms for end in fed.case.ends if end.fan == number]
        for condition, at in notices(fed, number):
            if condition in ("supply-lost", "stopped") and any(0.0 <= at - t < 600_000.0 for t in truly):
                tally.true_calls[condition] += 1
            else:
                tally.ours[condition] += 1
        tally.ours["tripped"] += sum(verdict.tripped for _, verdict in told[number])
        crossed = columns["t_ms"][columns_highest(columns) > BARE * fed.plates[number].motor.full_load_amps]
        rung = -math.inf
        for at in crossed.tolist():  # the same quiet of four hours
            if at - rung >= 14_400_000.0:
                tally.bare, rung = tally.bare + 1, at


# --- the table -------------------------------------------------------------------------------------------------


def _of(right: int, number: int) -> str:
    return f"{right:4d}/{number:<4d}{100.0 * right / number:4.0f} %" if number else f"{'-':>15}"


def print_ends(tallies: dict[tuple[int, bool], Ends]) -> None:
    print("\nHow runs ended: right verdicts of all with that word (aims: high 90 %, likely 75 %)")
    print(f"  {'readings':<22}{'ends':>6}" + "".join(f"{word:>17}" for word in WORDS) + f"{'no reading of it':>18}")
    for (period, volts), tally in tallies.items():
        print(
            f"  each {period:2d} s, {'with volts' if volts else 'no volts':<13}{tally.true_ends:>6}"
            + "".join(f"  {_of(*tally.by_word[word])}" for word in WORDS[:-1])
            + f"{tally.by_word['cannot tell'][1]:>17}{sum(tally.not_seen.values()):>18}"
        )
    total: dict[str, Counter[str]] = defaultdict(Counter)
    for tally in tallies.values():
        for cause, told in tally.by_cause.items():
            total[cause] += told
    print("\nAll of them by true cause, and what was told:")
    for cause, told in sorted(total.items(), key=lambda item: -item[1].total()):
        words = "; ".join(
            f"{'' if verdict.startswith(cause) else '*'}{verdict} {number}" for verdict, number in told.most_common()
        )
        print(f"  {cause} ({told.total()}): {words}")
    print("  (* another cause than the true one)")
    print("\nAll of them by what was told: right")
    said: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for cause, told in total.items():
        for verdict, number in told.items():
            said[verdict][0] += number * verdict.startswith(cause)
            said[verdict][1] += number
    for verdict, (right, number) in sorted(said.items(), key=lambda item: -item[1][1]):
        print(f"  {verdict:<44}{_of(right, number)}")


def print_announced(tallies: dict[tuple[int, bool], Announced]) -> None:
    print("\nOverload trips after 10 min above limit or setting: announced before (aim 90 %); lead median, tenth [min]")
    print(f"  {'readings':<24}{'ramp':<34}{'step':<34}{'sooner than 10 min':<20}")
    for (period, volts), tally in tallies.items():
        for who in ("ours", "bare"):
            name = (
                f"each {period:2d} s, {'with volts' if volts else 'no volts'}"
                if who == "ours"
                else "  bare 110 % of FLA"
            )
            cells = []
            for manner in ("ramp", "step"):
                leads = np.array(tally.leads[who, manner])
                known = leads[~np.isnan(leads)]
                figures = (
                    f"{np.median(known):7.0f}{np.quantile(known, 0.1):6.0f}" if len(known) else f"{'-':>7}{'-':>6}"
                )
                cells.append(f"{_of(len(known), len(leads))}{figures}")
            print(f"  {name:<24}{cells[0]:<34}{cells[1]:<34}{tally.sudden[who]}/{tally.sudden['all']}")


def print_healthy(tallies: dict[tuple[int, bool], Healthy]) -> None:
    print("\nHealthy fans: ringing notices of what was not, a fan and month (aim under 1)")
    for (period, volts), tally in tallies.items():
        ours = tally.ours.total() / tally.months
        which = ", ".join(f"{name} {number}" for name, number in tally.ours.items() if number) or "none"
        print(
            f"  each {period:2d} s, {'with volts' if volts else 'no volts':<11} {tally.months:5.1f} fan months: "
            f"{ours:5.2f} ({which}); bare threshold {tally.bare / tally.months:6.2f}; rightly told beside: "
            + (", ".join(f"{name} {number}" for name, number in tally.true_calls.items()) or "nothing")
        )


def main(farms: int = FARMS, misses: bool = False) -> None:
    began = time.process_time()
    kinds = [(period, volts) for period in PERIODS for volts in (True, False)]
    told, announced = {kind: Ends() for kind in kinds}, {kind: Announced() for kind in kinds}
    healthy = {kind: Healthy() for kind in kinds if kind[0] > 1}
    runs, causes = 0, Counter[str]()
    plan = [(seed, 10, 48.0) for seed in range(farms)] + [(seed, 1, 8.0) for seed in range(farms // CLOSE_SHARE)]
    for seed, step_s, hours in plan:
        case = farm(seed, step_s, hours)
        runs += len(case.ends)
        causes.update(end.cause for end in case.ends)
        for period, volts in kinds:
            if period >= step_s:
                fed = feed(case, period, volts)
                score_ends(fed, told[period, volts])
                score_announced(fed, announced[period, volts])
    for seed in range(HEALTHY_FARMS * farms // FARMS or 1):
        case = farm(seed, 10, 24.0 * HEALTHY_DAYS, fans=HEALTHY_FANS, healthy=True)
        for kind in healthy:
            score_healthy(feed(case, *kind), healthy[kind])
    print(
        f"{len(plan)} farms, {runs} ends of runs: {', '.join(f'{c} {n}' for c, n in causes.most_common())}; "
        f"{time.process_time() - began:.0f} s"
    )
    print_ends(told)
    print_announced(announced)
    print_healthy(healthy)
    if misses:
        print("\nWrong verdicts that were sure, high or likely:")
        print("\n".join(line for tally in told.values() for line in tally.misses))
        print("\nTrips after 10 min that were not announced:")
        print("\n".join(line for tally in announced.values() for line in tally.misses))


if __name__ == "__main__":
    numbers = [word for word in sys.argv[1:] if word.isdigit()]
    main(int(numbers[0]) if numbers else FARMS, "--misses" in sys.argv)

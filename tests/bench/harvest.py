"""A farm's harvest through the whole chain: how often its people are called, and what for.

    python -m tests.bench.harvest [--seeds N] [--days N] [--period SECONDS] [--misses] [--read]

Each season (`harvest_farm`) is played through the service's own worker with its clock in the simulation's hand
(`harvest_play`), people acknowledge and restart (`harvest_people`), and the notices of the farm's route are counted
against what truly was (`harvest_score`). Beside it stands a bare threshold: a reading above 110 % of full-load amps,
nothing else. Prints, asserts nothing; `--misses` lists each trip that was not announced or not told and each ring of
what was not, `--read` all notices as the farmer got them.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tests.bench.harvest_farm import CYCLED, KINDS, LOADED, NEAR, STEADY, TROUBLED, UNEVEN, ZONE, harvest
from tests.bench.harvest_play import ROUND_SECONDS, played
from tests.bench.harvest_score import Score, score, told

SEEDS, DAYS, PERIOD_S = 3, 60.0, 10
GROUPS = (STEADY, CYCLED, NEAR, LOADED, UNEVEN, "site")


def print_notices(tally: Score) -> None:
    print("\nNotices of the farm's route, a fan and month (aim: at most one a healthy fan and month)")
    for group in GROUPS:
        months = tally.months[group] or tally.weeks * 7.0 / 30.0
        mine = {key: count for key, count in tally.notices.items() if key[0] == group}
        rings = sum(count for key, count in mine.items() if key[3])
        total = sum(mine.values())
        print(f"  {group:<18}{months:6.1f} months: {total / months:7.2f}, of which ring {rings / months:6.2f}")
        by: Counter[str] = Counter()
        for (_, condition, kind, ring), count in mine.items():
            by[f"{condition}{'' if kind in ('raised', 'several') else f', {kind}'}{' (rings)' if ring else ''}"] += (
                count
            )
        for name, count in by.most_common():
            print(f"      {name:<46}{count:5d}{count / months:8.2f} a month")


def print_rings(tally: Score) -> None:
    weeks, false = tally.weeks, ", ".join(f"{name} of {kind} {n}" for (kind, name), n in tally.not_so.items())
    other = tally.rings - tally.rings_forgotten - tally.rings_outside
    print("\nRings a site and week beyond the troubled fans (aim: at most one)")
    print(
        f"  {tally.rings / weeks:.2f} in {weeks:.1f} weeks; of these {tally.rings_forgotten / weeks:.2f} of stops "
        f"for work that nobody announced,\n  {tally.rings_outside / weeks:.2f} of a supply or loggers that were away, "
        f"{other / weeks:.2f} of all else; of what truly was not: {tally.not_so.total()} ({false or 'none'})"
    )
    bare = sum(count for kind, count in tally.bare_rings.items() if kind not in TROUBLED)
    months = {kind: tally.months[kind] for kind in (STEADY, CYCLED, NEAR)}
    print(
        f"  bare threshold: {bare / tally.weeks:.2f}; a fan and month: "
        + ", ".join(f"{kind} {tally.bare_rings[kind] / count:.2f}" for kind, count in months.items())
    )


def _first(tally: Score) -> list[float]:
    """Leads of trips that were not of a short run after a restart."""
    left = Counter(map(str, tally.leads["ours"])) - Counter(map(str, tally.restarted))
    return [float(lead) for lead in left.elements()]


def print_trips(tally: Score) -> None:
    trips = tally.trips
    print(f"\nTrips: {trips['all']}, of which {len(tally.leads['ours'])} with 10 min of overload behind them")
    for who, name in (("ours", "announced (aim 90 %)"), ("bare", "bare 110 % of FLA")):
        leads = np.array(tally.leads[who])
        known = leads[~np.isnan(leads)]
        if len(known):
            print(
                f"  {name:<24}{len(known):4d}/{len(leads):<4d}{100.0 * len(known) / len(leads):4.0f} %; lead median "
                f"{np.median(known):.0f}, tenth {np.quantile(known, 0.1):.0f}, least {np.min(known):.0f} min"
            )
        else:
            print(f"  {name:<24}{0:4d}/{len(leads):<4d}")
    for name, leads in (("first of a spell", _first(tally)), ("soon after a restart", tally.restarted)):
        known = [lead for lead in leads if not math.isnan(lead)]
        median = f"lead median {np.median(known):.0f} min" if known else "none"
        print(f"    {name:<22}{len(known):4d}/{len(leads):<4d} {median}")
    print(f"  not announced, but low-margin stood, which does not ring: {trips['not announced, but low-margin stood']}")
    print(f"  of ours, by the notice of an occurrence up to 4 h before: {len(tally.earlier)}")
    print(
        f"  sooner than 10 min: {trips['sudden']}, announced {trips['sudden, announced']}, by the bare threshold "
        f"{trips['sudden, announced by the bare threshold']}"
    )
    delays = tally.delays or [0.0]
    print(
        f"  told within 10 min of the first reading of it: {trips['told']}, later {trips['told later']} (median "
        f"{np.median(delays):.1f}, most {np.max(delays):.1f} min);\n  on the Alarms page only: {trips['on the page']}; "
        f"unreported (aim none): {trips['unreported']}; over before a reading showed it: {trips['no reading shows it']}"
    )
    print("\nOverloads of 10 min and more: " + ", ".join(f"{name} {count}" for name, count in tally.spells.items()))


def print_mix() -> None:
    kinds = ", ".join(f"{number} {kind}" for kind, number in Counter(KINDS.values()).items())
    print(
        f"""
What all this hangs on: the mix is invented (no source): {kinds}. Each trip above is of a troubled fan's slow spells
(grain in 3 to 12 h, unbalance in half an hour to 8 h) or of a restart under the same load, so the share announced says
how well slow ramps are caught, not how often a real farm's trips come slowly; a step in load is announced seldom or
late (tests.bench.endings). Nobody acts on what is announced. Rings of stops hang on how often somebody forgets to
announce one. The worker goes round each {ROUND_SECONDS:.0f} s of the season: leads are too short by so much at most."""
    )


def read(notices: list[tuple[float, bool, str]]) -> None:
    for at_ms, rings, short in notices:
        at = datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(ZONE)
        print(f"  {at:%a %d %b %H:%M} {'RINGS' if rings else '     '} {short}")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.harvest")
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--days", type=float, default=DAYS)
    parser.add_argument("--period", type=int, default=PERIOD_S)
    parser.add_argument("--misses", action="store_true")
    parser.add_argument("--read", action="store_true")
    asked = parser.parse_args()
    tally = Score()
    for seed in range(asked.first, asked.first + asked.seeds):
        began = time.process_time()
        season = harvest(seed, asked.days, asked.period)
        with tempfile.TemporaryDirectory() as directory, played(season, Path(directory)) as done:
            spent = time.process_time() - began
            score(season, done.farm.truth.ends, done.farm.truth.starts, done.database, tally)
            print(f"seed {seed}: {asked.days:.0f} days each {asked.period} s, {spent:.0f} s of a core", flush=True)
            if asked.read:
                read([(one.at_ms, one.rings, one.short) for one in told(done.database, "farm")])
    print_notices(tally)
    print_rings(tally)
    print_trips(tally)
    print_mix()
    if asked.misses:
        print("\n" + "\n".join(tally.misses))


if __name__ == "__main__":
    main()

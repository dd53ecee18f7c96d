"""The review of a season of one fan at 1 s: a CSV file beside plain pandas.read_csv, the database, and what-if.

    python -m tests.bench.review [READINGS]

Each command runs in a process of its own, once before on a small log, so that its code is compiled; told are the time
by the clock, the processor time and the greatest memory of each. A season is 7.8 million readings (90 days); the file
is some 480 MB and stands in the directory for temporary files. Prints, asserts nothing.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import sqlalchemy as sa

from monitor.records import register, tables
from monitor.records.database import open_database
from monitor.records.fan_file import read_nameplate
from monitor.records.packing import HOUR_MS, pack
from monitor.records.rows import ReadingRows
from monitor.review.log import Log
from monitor.review.runs import runs_of
from monitor.review.watching import Plates, watch
from monitor.review.what_if import scenarios, what_if
from monitor.watch.columns import Floats

READINGS = 7_776_000
DAY = 86_400
START = datetime(2026, 9, 1, tzinfo=UTC)
HEAD = "time,l1_amps,l2_amps,l3_amps,v12,v23,v31,ambient_c\n"
NAMEPLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 12.4
service_factor = 1.15
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 12.4
[fan]
blade_pitch_degrees = 21
available_pitch_degrees = [13, 15, 17, 18, 19, 21]
minimum_pitch_degrees = 13
coldest_expected_c = -10
control = "continuous"
[logger]
period_seconds = 1
"""


def day(kind: int) -> dict[str, Floats]:
    """One day of a fan at 1 s: a load that wanders, a stop, now and then an overload and unbalance."""
    draw = np.random.default_rng(kind)
    second = np.arange(DAY)
    load = 12.6 + 0.1 * kind + 0.4 * np.sin(second / DAY * 2 * np.pi) + 0.1 * draw.standard_normal(DAY)
    load[(second > 40_000) & (second < 41_000 + 300 * kind)] += 2.5
    load[second > DAY - 600] = 0.0
    amps = np.column_stack([load, 0.99 * load, 0.985 * load]).round(2)
    volts = (458.0 + 1.0 * draw.standard_normal((DAY, 3))).round(1)
    volts[(second > 60_000) & (second < 63_000), 0] -= 20.0
    return {"amps": amps, "volts": volts.round(1), "air": (4.0 - 6.0 * np.cos(second / DAY * 2 * np.pi)).round(1)}


def write_csv(path: Path, readings: int) -> None:
    """A canonical log; four different days by turns."""
    clocks = [f"T{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z," for second in range(DAY)]
    texts = []
    for kind in range(4):
        one = day(kind)
        values = np.column_stack([one["amps"], one["volts"], one["air"]]).tolist()
        texts.append([",".join(map(repr, row)) + "\n" for row in values])
    with path.open("w", encoding="utf-8") as file:
        file.write(HEAD)
        for number in range(-(-readings // DAY)):
            date = f"{START + timedelta(days=number):%Y-%m-%d}"
            left = min(readings - number * DAY, DAY)
            rows = zip(clocks[:left], texts[number % 4][:left], strict=True)
            file.write("".join([date + clock + text for clock, text in rows]))


def write_database(path: Path, readings: int) -> None:
    """The same in packed hours, as a service leaves them."""
    first_ms = int(START.timestamp() * 1000)
    with closing(open_database(f"sqlite:///{path}")) as database:
        register.put_site(database, register.Site("home", "Home", "UTC", 250.0, "us", "17:00"), START)
        since = START - timedelta(days=1)
        register.put_nameplate(database, "home", "bin-1", NAMEPLATE, valid_from=since, by="bench", now=since)
        days = [day(kind) for kind in range(4)]
        with database.begin() as connection:
            for hour in range(-(-readings // 3600)):
                one, begin = days[hour // 24 % 4], hour % 24 * 3600
                left = min(readings - hour * 3600, 3600)
                part = slice(begin, begin + left)
                number = hour * 3600 + 1 + np.arange(left)
                rows = ReadingRows(
                    number=number, point_id=np.ones(left, np.int64), t_ms=first_ms + 1000 * (number - 1),
                    amps=one["amps"][part], volts=one["volts"][part], ambient_c=one["air"][part],
                    called=np.full(left, np.nan), limit_amps=np.full(left, 14.26), version=np.ones(left, np.int64),
                    flags=np.zeros(left, np.int64),
                )  # fmt: skip
                connection.execute(
                    sa.insert(tables.reading_hours).values(
                        point_id=1, hour=(first_ms // HOUR_MS) + hour, first_number=int(number[0]),
                        last_number=int(number[-1]), rows=left, columns=pack(rows),
                    )
                )  # fmt: skip


@dataclass
class Cost:
    """Of a process."""

    wall: float
    processor: float
    megabytes: float

    def __str__(self) -> str:
        return f"{self.wall:6.1f} s by the clock {self.processor:6.1f} s of processor {self.megabytes:7.0f} MB"


def run(words: Sequence[str], place: Path) -> Cost:
    """Runs a command and waits for it."""
    began = time.monotonic()
    pid = os.posix_spawn(
        sys.executable, [sys.executable, *words], {**os.environ, "PYTHONPATH": str(Path.cwd())},
        file_actions=[(os.POSIX_SPAWN_OPEN, 1, str(place / "out"), os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)],
    )  # fmt: skip
    _, status, used = os.wait4(pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit(f"{words} failed")
    return Cost(time.monotonic() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0)


def one_day() -> Log:
    columns = day(1)
    t_ms = int(START.timestamp() * 1000) + 1000 * np.arange(DAY, dtype=np.int64)
    return Log("day", t_ms, columns["amps"], columns["volts"], columns["air"], np.full(DAY, np.nan))


def main(readings: int = READINGS) -> None:
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "fan.toml").write_text(NAMEPLATE)
        (place / "monitor.toml").write_text(f'data = "{place}"\n[sites.home]\ntime_zone = "UTC"\n')
        file = ["-m", "monitor.cli", "review", str(place / "log.csv"), "--nameplate", str(place / "fan.toml")]
        stored = [
            "-m", "monitor.cli", "review", "home/bin-1", "--from", "2026-08-31T00:00", "--to", "2027-08-31T00:00",
            "--settings", str(place / "monitor.toml"),
        ]  # fmt: skip
        to_json = ["--json", str(place / "found.json")]
        plain = ["-c", f"import pandas; print(len(pandas.read_csv({str(place / 'log.csv')!r})))"]
        for rows in (20_000, readings):
            warm = rows != readings
            (place / "monitor.db").unlink(missing_ok=True)
            write_csv(place / "log.csv", rows)
            write_database(place / "monitor.db", rows)
            if not warm:
                size = (place / "log.csv").stat().st_size / 1e6
                print(f"{readings:,} readings of one fan at 1 s, {size:.0f} MB of CSV")
            theirs = run(plain, place)
            ours = run([*file, *to_json], place)
            for how in ("judged", "measured"):
                one = run([*stored, "--as", how, *to_json], place)
                if not warm:
                    print(f"  from the database, as {how:<9}{one}")
            if not warm:
                print(f"  pandas.read_csv alone         {theirs}")
                print(f"  CSV to JSON                   {ours}")
                print(
                    f"  ratio to pandas.read_csv: {ours.wall / theirs.wall:.2f} by the clock, "
                    f"{ours.processor / theirs.processor:.2f} of processor"
                )
    log, plates = one_day(), Plates.one(read_nameplate(NAMEPLATE))
    watched = watch(log, plates)
    ran = runs_of(log, plates, watched)
    taken = []
    for _ in range(6):
        began = time.perf_counter()
        what_if(log, plates, watched, ran, plates.nameplates[0])
        taken.append(1000.0 * (time.perf_counter() - began))
    count = len(scenarios(plates.nameplates[0]))
    print(
        f"what-if on a day at 1 s, {count} changes: median {np.median(taken[1:]):.0f} ms, most {max(taken[1:]):.0f} ms"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else READINGS)

"""The work of `amp-monitor import`: reads a log and lays its readings down for the worker, which stores them.

Readings have one writer, the worker of the service. When it runs it stores what was laid down, a part each quarter of a
second, and is waited for; when it does not, the readings wait in the database for its next start.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import ConfigError
from monitor.records import imports, register
from monitor.records.database import Database
from monitor.records.register import PointKey, Version
from monitor.records.rows import ReadingRows, to_ms
from monitor.records.scope import ALL
from monitor.review.files.read import read_log
from monitor.review.log import Log
from monitor.review.watching import Progress

PATIENCE_SECONDS = 10.0
"""When no part was stored for so long the service does not run, or has no time."""
LOOK_SECONDS = 0.25
AHEAD_MS = 120_000
"""Readings further ahead of the clock are not taken, as by MQTT."""
TOLD = 5
"""Faults of the file that are shown."""


@dataclass(frozen=True)
class Brought:
    """What became of a log."""

    fan: str
    log: Log
    stored: int
    repeats: int
    waiting: int
    """Readings that wait for the service."""
    ahead: int
    """Not taken: they lie in the future."""
    refused: tuple[str, ...]
    """Why parts were not stored."""

    @property
    def wrong(self) -> bool:
        """Not all of it could be used."""
        return bool(self.log.rejected or self.ahead or self.refused)

    def words(self) -> list[str]:
        """For the terminal."""
        how = self.log.how_read
        columns = ", ".join(f'{role} = "{name}"' for role, name in how["columns"].items())
        lines = [f"{self.log.name}: {len(self.log):,} readings, times: {how['zone']}; {columns}"]
        lines += [f"  {guess}" for guess in how["guesses"]]
        if self.log.rejected:
            lines.append(f"  {self.log.rejected:,} lines cannot be used:")
            lines += [f"    line {one.line}: {one.reason}" for one in self.log.unread[:TOLD]]
            if self.log.rejected > TOLD:
                lines.append(f"    and {self.log.rejected - TOLD:,} more")
        if self.ahead:
            lines.append(f"  {self.ahead:,} readings lie in the future and are not taken: is the time zone right?")
        lines += [f"  not stored: {reason}" for reason in self.refused]
        if self.stored or not self.waiting:
            lines.append(f"{self.fan}: {self.stored:,} readings stored, {self.repeats:,} were there already")
        if self.waiting:
            lines.append(
                f"{self.fan}: {self.waiting:,} readings are laid down and will be stored when the service runs"
            )
        return lines


def bring(
    database: Database, site: str, fan: str, path: Path, *, by: str, now: datetime, zone: str | None = None,
    progress: Progress | None = None, patience_seconds: float | None = None,
    sleep: Callable[[float], None] = time.sleep, **how: Any,
) -> Brought:  # fmt: skip
    """Reads a log and has it stored.

    Parameters
    ----------
    zone : of the logger's clock; else the site's
    how : what else is said of the file, as `files.read.read_log` takes it
    patience_seconds : see `PATIENCE_SECONDS`, which it is without

    Raises
    ------
    ConfigError : the fan is not registered, the file cannot be read, or has other legs than the fan
    LinkError : the database is busy or full; the command can be given again, what is stored is then a repeat
    """
    key, version = _fan(database, site, fan)
    motor = version.nameplate.motor
    home = next(one for one in register.sites(database) if one.site == site)
    log = read_log(
        path, zone=zone, default_zone=home.time_zone, rated_voltage=motor.rated_voltage, phases=motor.phases,
        progress=None if progress is None else lambda share: progress(round(1000 * share), 2000), **how,
    )  # fmt: skip
    _legs_fit(log, motor.phases, f"{site}/{fan}")
    rows = _rows(log, key.point_id)
    ahead = int((rows.t_ms > to_ms(now) + AHEAD_MS).sum())
    rows = rows.take(slice(0, len(rows) - ahead))
    sizes: dict[int, int] = {}
    for part in imports.parts(rows.t_ms):
        sizes[imports.lay_down(database, site, fan, rows.take(part), by, now)] = part.stop - part.start
    patience = PATIENCE_SECONDS if patience_seconds is None else patience_seconds
    found = _wait(database, list(sizes), patience, sleep, progress)
    return Brought(
        f"{site}/{fan}",
        log,
        sum(one.stored for one in found.values()),
        sum(one.repeats for one in found.values()),
        sum(size for number, size in sizes.items() if number not in found),
        ahead,
        tuple(dict.fromkeys(one.why_not for one in found.values() if one.why_not)),
    )


def _fan(database: Database, site: str, fan: str) -> tuple[PointKey, Version]:
    for key, version in register.fans(database, ALL):
        if (key.site, key.name) == (site, fan):
            return key, version
    raise ConfigError(
        f"there is no fan {site}/{fan} in the register. Enter it first: amp-monitor fans import {site}/{fan} FAN.toml"
    )


def _legs_fit(log: Log, phases: int, fan: str) -> None:
    legs = [role for role in ("l1_amps", "l2_amps", "l3_amps") if role in log.how_read["columns"]]
    if len(legs) != (3 if phases == 3 else 1):
        raise ConfigError(
            f"{fan} is registered with {phases} phase{'s' if phases > 1 else ''}, but {log.name} has amps of "
            f"{len(legs)} leg(s) ({', '.join(legs)}). Say which columns they are, such as --column l2_amps=NAME, or "
            "correct the register"
        )


def _rows(log: Log, point_id: int) -> ReadingRows:
    n = len(log)
    zeros = np.zeros(n, np.int64)
    return ReadingRows(
        zeros, np.full(n, point_id), log.t_ms, log.amps, log.volts, log.ambient_c, log.called, np.full(n, np.nan),
        zeros, zeros,
    )  # fmt: skip


def _wait(
    database: Database, numbers: list[int], patience: float, sleep: Callable[[float], None], progress: Progress | None
) -> dict[int, imports.Outcome]:
    """Until all parts are stored, or nobody stores them."""
    found: dict[int, imports.Outcome] = {}
    waited = 0.0
    while True:
        left = [number for number in numbers if number not in found]
        more = imports.outcomes(database, left)
        found |= more
        if progress is not None:
            progress(1000 + round(1000 * len(found) / max(len(numbers), 1)), 2000)
        waited = 0.0 if more else waited
        if len(found) == len(numbers) or waited >= patience:
            return found
        sleep(LOOK_SECONDS)
        waited += LOOK_SECONDS

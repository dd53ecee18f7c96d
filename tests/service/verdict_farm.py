"""What the tests of verdicts share: fans that are heard each ten seconds, and what became of their runs."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from monitor.records import tables

HOUR = 3700.0
"""More than an hour of running, so that a new high has something to be compared with."""
VOLTS = [461.0, 459.0, 460.0]
FED: dict[str, Any] = {"volts": VOLTS}
DARK: dict[str, Any] = {"volts": [2.0, 1.0, 0.0]}
Legs = Sequence[float] | float


class Farm:
    """Fans that are heard each ten seconds, each reading as it is measured."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench
        self.at = 0.0

    def ran(self, *fans: str, seconds: float = HOUR, amps: float = 9.0, **more: Any) -> None:
        """Fans have run for a while; it is heard in one message each."""
        steps = int(seconds // 10)
        self.bench.wall += timedelta(seconds=10 * steps)
        for fan in fans:
            readings = [self.bench.reading(self.at + 10.0 * n, amps, **more) for n in range(1, steps + 1)]
            self.bench.put(fan, readings)
        self.bench.worker.round()
        self.at += 10.0 * steps
        self.bench.pass_time(2.0, 1.0)
        self.bench.wall -= timedelta(seconds=2)

    def go(self, seconds: float, **fans: tuple[Legs, Mapping[str, Any]] | Legs | None) -> None:
        """So many seconds pass; each fan sends its amps, or amps and other channels, or nothing."""
        end = self.at + seconds
        while self.at < end:
            self.at += 10.0
            for n, (fan, said) in enumerate(fans.items()):
                if said is not None:
                    amps, more = said if isinstance(said, tuple) else (said, {})
                    self.bench.put(fan, self.bench.reading(self.at + n, amps, **more))
            self.bench.pass_time(10.0, 5.0)
        self.bench.pass_time(1.0, 0.5)
        self.bench.wall -= timedelta(seconds=1)

    def steadily(self, seconds: float, **fans: float) -> None:
        """Hours in which each fan draws what it draws, with volts; heard an hour at a time, in one message each."""
        steps = int(seconds // 10)
        while steps > 0:
            now = min(steps, 360)
            steps -= now
            self.bench.wall += timedelta(seconds=10 * now)  # first: what lies ahead of the clock is rejected
            for fan, amps in fans.items():
                readings = [self.bench.reading(self.at + 10.0 * n, amps, **FED) for n in range(1, now + 1)]
                self.bench.put(fan, readings)
            self.at += 10.0 * now
            self.bench.worker.round()
            self.bench.pass_time(2.0, 1.0)
            self.bench.wall -= timedelta(seconds=2)

    # --- what is stored ---

    def verdicts(self, fan: str) -> list[tuple[str | None, str | None]]:
        here = self.bench.point_id(fan)
        rows = [row for row in self.bench.rows(tables.runs) if row["point_id"] == here and row["end_ms"] is not None]
        return [(row["end_cause"], row["confidence"]) for row in rows]

    def evidence(self, fan: str) -> list[str]:
        here = self.bench.point_id(fan)
        rows = [row for row in self.bench.rows(tables.runs) if row["point_id"] == here and row["end_cause"]]
        return json.loads(rows[-1]["evidence"])  # type: ignore[no-any-return]

    def alarms(self, *conditions: str) -> list[tuple[str, str, str]]:
        """Whose, what and its state, of the conditions that tell how a run ended."""
        wanted = conditions or ("tripped", "stopped", "supply-lost")
        rows = [row for row in self.bench.rows(tables.alarms) if row["condition"] in wanted]
        return [(row["fan"] or row["supply"], row["condition"], row["state"]) for row in rows]

    def notices(self, condition: str) -> list[dict[str, Any]]:
        numbers = {row["number"] for row in self.bench.rows(tables.alarms) if row["condition"] == condition}
        found = self.bench.rows(tables.notices, "created_ms")
        return [row for row in found if row["alarm_number"] in numbers]

    def acknowledge(self, condition: str) -> None:
        (number,) = (row["number"] for row in self.bench.raised(condition))
        self.bench.act("acknowledge", alarm=number)
        self.bench.pass_time(1.0, 0.5)
        self.bench.wall -= timedelta(seconds=1)


def heat_until_it_opens(farm: Farm, volts: Mapping[str, Any], seconds: float = 420.0) -> None:
    farm.ran("north", "south", **volts)
    farm.go(seconds, north=(13.0, volts), south=(9.0, volts))

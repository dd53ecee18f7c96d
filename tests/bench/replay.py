"""Replay through the watch: readings a second on one core, beside a loop over the same columns.

    python -m tests.bench.replay [READINGS]

The floor is a compiled loop that reads every column and does nothing with it.
Also a live batch of 2,000 fans in one call. Prints, asserts nothing.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from monitor.motor.compiled import Floats, compiled
from monitor.records.fan_file import read_nameplate
from monitor.watch import limits
from monitor.watch.advance import advance, new_states
from monitor.watch.columns import Ints, Readings
from tests.servers import NAMEPLATE

READINGS = 8_000_000
"""About a season of one fan at 1 s."""
START_MS = 1_790_000_000_000.0


@compiled
def only_read(fans: Ints, times: Floats, amps: Floats, volts: Floats, limits_of: Ints) -> float:
    """The least any pass over these columns can cost."""
    total = 0.0
    for row in range(times.shape[0]):
        total += times[row] + fans[row] + limits_of[row]
        for leg in range(3):
            total += amps[row, leg] + volts[row, leg]
    return total


def columns(fans: int, rows: int, period_ms: float) -> Readings:
    """Rows of some fans, by fan and time, with stops, overloads and unbalance now and then."""
    draw = np.random.default_rng(20261125)
    each = rows // fans
    number = np.tile(np.arange(each), fans)
    load = 12.8 + 0.2 * draw.standard_normal(each * fans)
    load[number % 7200 < 600] += 3.0
    load[number % 14_400 > 13_800] = 0.0
    amps = np.column_stack([load, 0.99 * load, 0.98 * load])
    volts = 460.0 + 1.5 * draw.standard_normal((each * fans, 3))
    volts[number % 10_800 < 900, 0] -= 27.0
    fan = np.repeat(np.arange(fans, dtype=np.int32), each)
    return Readings(
        fan, START_MS + period_ms * number, amps, volts, np.zeros(each * fans, np.int32), np.full(each * fans, np.nan)
    )


def best(work: Callable[[], object], turns: int = 3) -> float:
    """Seconds of the fastest of some turns, after one to warm up."""
    work()
    taken = []
    for _ in range(turns):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return min(taken)


def main(rows: int = READINGS) -> None:
    table = limits.stack([limits.resolve(read_nameplate(NAMEPLATE))])
    for name, fans, period in (("one fan at 1 s", 1, 1_000.0), ("100 fans at 10 s", 100, 10_000.0)):
        readings = columns(fans, rows, period)
        arrays = (readings.fan, readings.t_ms, readings.amps, readings.volts, readings.limits)
        floor = best(lambda arrays=arrays: only_read(*arrays))  # type: ignore[misc]
        ours = best(lambda fans=fans, readings=readings: advance(new_states(fans), readings, table))  # type: ignore[misc]
        changes, _ = advance(new_states(fans), readings, table)
        print(
            f"{name}: {len(readings) / ours / 1e6:.1f} million readings a second on one core, {len(changes)} changes; "
            f"only reading the columns {len(readings) / floor / 1e6:.0f} million; ratio {ours / floor:.1f}"
        )
    batch = columns(2_000, 2_000, 10_000.0)
    states = new_states(2_000)
    taken = []
    for turn in range(200):
        batch.t_ms[:] = START_MS + 10_000.0 * turn
        began = time.perf_counter()
        advance(states, batch, table)
        taken.append(time.perf_counter() - began)
    print(f"live batch of 2,000 fans in one call: median {1e6 * float(np.median(taken)):.0f} us")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else READINGS)

"""Replay through the watch: readings a second on one core, beside a loop over the same columns that does nothing.

    python -m tests.bench.replay [READINGS]

At 1 s and at 60 s, with time stamps on the beat and with stamps that jitter (as loggers without a good clock send
them: then no step comes twice, and its exponentials are worked each time). Processor time of the best of several
turns: others may use the machine. Also a live batch of 2,000 fans in one call. Prints, asserts nothing.
"""

from __future__ import annotations

import dataclasses
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

READINGS = 4_000_000
"""About half a season of one fan at 1 s."""
TURNS = 5
START_MS = 1_790_000_000_000.0


@compiled
def only_read(fans: Ints, times: Floats, amps: Floats, volts: Floats, limits_of: Ints, called: Floats) -> float:
    """The least any pass over these columns can cost."""
    total = 0.0
    for row in range(times.shape[0]):
        total += times[row] + fans[row] + limits_of[row] + called[row]
        for leg in range(3):
            total += amps[row, leg] + volts[row, leg]
    return total


def columns(fans: int, rows: int, period_ms: float, jitter: float = 0.0) -> Readings:
    """Rows of some fans, by fan and time, with an overload, a stop and unbalance now and then of a day.

    jitter : greatest departure of a time stamp from the beat, as a share of the period
    """
    draw = np.random.default_rng(20261125)
    each = rows // fans
    number = np.tile(np.arange(each), fans)
    seconds = number * period_ms / 1000.0
    load = 12.8 + 0.2 * draw.standard_normal(each * fans)
    load[seconds % 43_200.0 < 600.0] += 3.0
    load[seconds % 86_400.0 > 85_800.0] = 0.0
    amps = np.column_stack([load, 0.99 * load, 0.98 * load])
    volts = 460.0 + 1.5 * draw.standard_normal((each * fans, 3))
    volts[seconds % 64_800.0 < 900.0, 0] -= 27.0
    fan = np.repeat(np.arange(fans, dtype=np.int32), each)
    times = START_MS + period_ms * number
    if jitter:
        times += np.round(period_ms * jitter * draw.uniform(-1.0, 1.0, each * fans))
    return Readings(fan, times, amps, volts, np.zeros(each * fans, np.int32), np.full(each * fans, np.nan))


def best(work: Callable[[], object], turns: int = TURNS) -> float:
    """Processor seconds of the fastest of some turns, after one to warm up."""
    work()
    taken = []
    for _ in range(turns):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return min(taken)


def main(rows: int = READINGS) -> None:
    plate = read_nameplate(NAMEPLATE)
    kinds = (
        ("one fan, 1 s, on the beat", 1, 1_000.0, 0.0, True),
        ("one fan, 1 s, jitter 5 %", 1, 1_000.0, 0.05, True),
        ("one fan, 1 s, no volts", 1, 1_000.0, 0.0, False),
        ("100 fans, 10 s, on the beat", 100, 10_000.0, 0.0, True),
        ("100 fans, 60 s, on the beat", 100, 60_000.0, 0.0, True),
        ("100 fans, 60 s, jitter 5 %", 100, 60_000.0, 0.05, True),
    )
    print(f"{rows} readings, best of {TURNS}, processor time")
    print(f"  {'':<30}{'readings/s':>12}{'changes':>9}{'only read them':>16}{'ratio':>7}")
    for name, fans, period, jitter, with_volts in kinds:
        readings = columns(fans, rows, period, jitter)
        if not with_volts:
            readings.volts[:] = np.nan
        given = dataclasses.replace(plate, logger=dataclasses.replace(plate.logger, period_seconds=period / 1000.0))
        table = limits.stack([limits.resolve(given)])
        arrays = (readings.fan, readings.t_ms, readings.amps, readings.volts, readings.limits, readings.called)
        floor = best(lambda arrays=arrays: only_read(*arrays))  # type: ignore[misc]
        ours = best(lambda fans=fans, readings=readings, table=table: advance(new_states(fans), readings, table))  # type: ignore[misc]
        changes, _ = advance(new_states(fans), readings, table)
        print(
            f"  {name:<30}{len(readings) / ours / 1e6:>10.1f} M{len(changes):>9}{len(readings) / floor / 1e6:>14.0f} M"
            f"{ours / floor:>7.1f}"
        )
    batch = columns(2_000, 2_000, 10_000.0)
    table = limits.stack([limits.resolve(plate)])
    states = new_states(2_000)
    taken = []
    for turn in range(300):
        batch.t_ms[:] = START_MS + 10_000.0 * turn
        began = time.process_time()
        advance(states, batch, table)
        taken.append(time.process_time() - began)
    print(
        f"live batch of 2,000 fans in one call: median {1e6 * float(np.median(taken)):.0f} us, "
        f"best {1e6 * min(taken):.0f} us"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else READINGS)

"""Play an invented farm: `python -m simulated SCENARIO` to a broker, into CSV files, or just to look at."""

from __future__ import annotations

import argparse
import sys
import threading
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

from simulated.farm import Farm
from simulated.logs import write
from simulated.motor import PlateError
from simulated.publish import Publisher, play
from simulated.scenario import Scenario, ScenarioError, load, names


def _arguments(words: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m simulated",
        description=__doc__,
        epilog=f"Scenarios that come along: {', '.join(names())}.",
    )
    parser.add_argument("scenario", metavar="SCENARIO", help="name of a scenario, or the path of a .toml file")
    parser.add_argument("--hours", type=float, metavar="H", help="how long to play, past hours included")
    parser.add_argument(
        "--pace", type=float, default=None, metavar="X", help="seconds of the farm in a second; 0: as fast as it can"
    )
    parser.add_argument("--broker", metavar="HOST:PORT", help="publish there (MQTT 5, QoS 1)")
    parser.add_argument("--root", default="amps/v1", help="topic root (amps/v1)")
    parser.add_argument("--csv", type=Path, metavar="DIR", help="write one log a fan there")
    parser.add_argument("--plates", type=Path, metavar="DIR", help="write one nameplate file a fan there")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="another farm of the same kind (0)")
    parser.add_argument("--fans", type=int, metavar="N", help="how many, in a scenario that makes copies")
    found = parser.parse_args(words)
    if found.hours is not None and found.hours <= 0.0:
        parser.error(f"--hours: expected a number above 0, found {found.hours:g}")
    if found.pace is not None and found.pace < 0.0:
        parser.error(f"--pace: expected 0 or more, found {found.pace:g}")
    if found.broker is not None:
        host, _, port = found.broker.rpartition(":")
        if not host or not port.isdigit() or not 0 < int(port) < 65536:
            parser.error(f"--broker: expected HOST:PORT such as localhost:1883, found {found.broker}")
        if found.csv is not None:
            parser.error("--broker and --csv: give one of them; the readings would be drawn twice")
    return found


def main(words: list[str] | None = None) -> int:
    """Run the command; 0 done, 2 wrong use or scenario, 3 the outside world refused."""
    asked = _arguments(words)
    try:
        scenario = load(asked.scenario, fans=asked.fans)
        hours = asked.hours
        if hours is None and asked.broker is None:
            hours = 24.0
        past = scenario.past_hours if asked.broker is not None else hours
        start = datetime.now(UTC) - timedelta(hours=past)
        farm = Farm(scenario, start, asked.seed)
    except (ScenarioError, PlateError) as exc:
        print(exc, file=sys.stderr)
        return 2
    try:
        if asked.plates is not None:
            asked.plates.mkdir(parents=True, exist_ok=True)
            for (site, fan), text in farm.nameplates().items():
                (asked.plates / f"{site}-{fan}.toml").write_text(text, encoding="utf-8")
        if asked.broker is None:
            return _offline(farm, farm.start + timedelta(hours=hours), asked.csv)
    except OSError as exc:
        print(f"{exc.filename}: cannot be written ({exc.strerror})", file=sys.stderr)
        return 3
    return _publish(farm, scenario, asked)


def _offline(farm: Farm, until: datetime, csv: Path | None) -> int:
    if csv is not None:
        for path in write(csv, farm.columns(until)):
            print(path)
    else:
        counted = Counter(message.topic_tail for message in farm.advance(until))
        for topic, count in sorted(counted.items()):
            print(f"{topic}: {count} messages")
    for end in farm.truth.ends:
        print(f"{end.t:%Y-%m-%d %H:%M:%SZ} {end.site}/{end.fan}: {end.cause}")
    return 0


def _publish(farm: Farm, scenario: Scenario, asked: argparse.Namespace) -> int:
    host, _, port = asked.broker.rpartition(":")
    publisher = Publisher(host, int(port), asked.root)
    stop = threading.Event()
    live = farm.start + timedelta(hours=scenario.past_hours)
    until = None if asked.hours is None else farm.start + timedelta(hours=asked.hours)
    pace = 1.0 if asked.pace is None else asked.pace
    if pace == 0.0 and until is None:
        print("--pace 0: say with --hours where to end", file=sys.stderr)
        return 2
    print(f"{scenario.name} to {asked.broker}, {scenario.past_hours:g} past hours at once, then live; Ctrl-C ends")
    if not publisher.wait_connected(10.0):
        publisher.close(0.0)
        print(f"{asked.broker}: no broker lets us in {publisher.refusal or '(no answer in 10 s)'}", file=sys.stderr)
        return 3
    try:
        count = play(farm, publisher, pace, until, stop, live)
    except KeyboardInterrupt:
        stop.set()
        count = publisher.sent
    left = not publisher.close()
    print(f"{count} messages handed over{'' if not left else '; not all of them acknowledged by the broker'}")
    return 3 if left else 0


if __name__ == "__main__":
    raise SystemExit(main())

"""`try`: an invented farm end to end, with an embedded broker and database; nothing else is needed.

The farm keeps its own anchor beside the database, so that a second start goes on where it was. Only here does the
service touch the simulated farm, and only through the broker, as any logger would.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import socket
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.errors import ConfigError
from monitor.records import register
from monitor.records.database import Database, open_database
from monitor.records.scope import ALL
from monitor.service.opening import make_directory
from monitor.service.shell import Service
from monitor.settings import DatabaseSettings, MqttSettings, Settings, WebSettings
from simulated.farm import Farm
from simulated.publish import Publisher, play
from simulated.scenario import load

log = logging.getLogger("monitor.try")

SCENARIO = "meadow"
LONGEST_CATCH_UP = timedelta(days=2)
"""After a longer pause the farm begins anew; what is stored of it stays."""
OVERLAP = timedelta(minutes=1)
"""So much is sent again at a second start: the embedded broker forgets what it still held. Repeats are known."""

_BROKER_CONFIG = """\
id = 0
[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 500
max_segment_size = 10485760
max_segment_count = 10
[v5.1]
name = "v5-1"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
    [v5.1.connections]
    connection_timeout_ms = 60000
    max_payload_size = 1048576
    max_inflight_count = 500
    dynamic_filters = true
"""


def run_trial(data: Path, port: int | None, pace: float, say: Callable[[str], None], *, open_page: bool = True) -> None:
    """Plays the invented farm until Ctrl-C.

    Parameters
    ----------
    data : where the database and the farm's anchor are kept
    port : of the pages; None: 8080, or another one where that is taken
    pace : seconds of the farm in a second of the wall clock, 1 or less to follow the clock without running ahead
    say : takes what is told in the terminal

    Raises
    ------
    ConfigError : the pace or port cannot be used, or the embedded broker is not installed
    """
    if not 0.0 < pace <= 1.0:
        raise ConfigError(
            f"--pace {pace:g}: expected a number above 0, at most 1 (a faster farm would run ahead of time)"
        )
    make_directory(data)
    broker_port = free_port()
    web_port = port if port is not None else _free_or(8080)
    settings = Settings(
        database=DatabaseSettings(url="sqlite:///monitor.db"),
        mqtt=MqttSettings(port=broker_port, client_id="amp-monitor-try"),
        web=WebSettings(listen=f"127.0.0.1:{web_port}"),
        data=data,
    )
    anchor = Anchor(data / "farm.json")
    farm, played = anchor.farm(datetime.now(UTC))
    with contextlib.closing(open_database(settings.database_url)) as database:
        register_farm(database, farm)
    with embedded_broker(broker_port):
        service = Service(settings, print_line=say)
        stop = threading.Event()
        begin = datetime.now(UTC)
        player = threading.Thread(
            target=_play, args=(farm, played, begin, broker_port, pace, anchor, stop), name="farm", daemon=True
        )
        fans = len(farm.nameplates())
        say(f"An invented farm with {fans} fans, at {service.url}  (Ctrl-C ends it; a second start goes on)")
        say(f"Its past since {_local(played)} is played at once, then it lives. Notices appear here.\n")
        player.start()
        if open_page and (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
            threading.Timer(2.0, webbrowser.open, (service.url,)).start()
        try:
            service.run()
        finally:
            stop.set()
            player.join(10.0)
            say("Stopped. Start again to go on where it was.")


def _play(
    farm: Farm, played: datetime, begin: datetime, port: int, pace: float, anchor: Anchor, stop: threading.Event
) -> None:
    """The farm's own thread: its past at once, then its life."""
    farm.advance(played)  # what was sent before the last stop
    publisher = Publisher("127.0.0.1", port)
    try:
        live = None if pace == 1.0 else begin
        keeper = threading.Thread(target=anchor.keep, args=(farm, stop), daemon=True)
        keeper.start()
        play(farm, publisher, pace, stop_event=stop, live_from=live)
    except Exception:
        log.exception("the invented farm stopped")
    finally:
        anchor.write(farm, farm.now)
        publisher.close(2.0)


class Anchor:
    """When the farm began and how far it was played, kept in a file."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def farm(self, now: datetime) -> tuple[Farm, datetime]:
        """The farm, and up to when it was played already."""
        scenario = load(SCENARIO)
        try:
            kept = json.loads(self._path.read_text("utf-8"))
            start, played = (datetime.fromisoformat(kept[key]) for key in ("start", "played"))
            if now - played <= LONGEST_CATCH_UP and start <= played <= now:
                return Farm(scenario, start), max(start, played - OVERLAP)
        except (OSError, ValueError, KeyError, TypeError):
            pass  # first start, or a file that is not ours: begin anew
        start = (now - timedelta(hours=scenario.past_hours)).replace(microsecond=0)
        return Farm(scenario, start), start

    def write(self, farm: Farm, played: datetime) -> None:
        """Keeps how far it was played; the old file stands until the new one is whole."""
        text = json.dumps({"start": farm.start.isoformat(), "played": played.isoformat()})
        with tempfile.NamedTemporaryFile("w", dir=self._path.parent, delete=False, encoding="utf-8") as file:
            file.write(text)
        Path(file.name).replace(self._path)

    def keep(self, farm: Farm, stop: threading.Event) -> None:
        """Writes it now and then until the end."""
        while not stop.wait(5.0):
            self.write(farm, farm.now)


def register_farm(database: Database, farm: Farm) -> None:
    """Enters the farm's sites and fans as its owner would, unless they are there."""
    now = datetime.now(UTC)
    for key, site in farm.sites().items():
        register.put_site(
            database,
            register.Site(key, site["name"], site["time_zone"], site["altitude_m"], site["units"], "17:00"),
            now,
            replace=False,
        )
    known = {(point.site, point.name) for point, _ in register.fans(database, ALL)}
    for (site_key, fan), text in farm.nameplates().items():
        if (site_key, fan) not in known:
            register.put_nameplate(database, site_key, fan, text, valid_from=farm.start, by="try", now=now)


@contextmanager
def embedded_broker(port: int) -> Iterator[None]:
    """A broker in a child process of ours, on loopback.

    Raises
    ------
    ConfigError : the part is not installed, or it does not start
    """
    try:
        from iotcore import Broker as Embedded
    except ImportError as exc:
        raise ConfigError("the embedded broker is not installed: pip install 'fan-amp-monitor[try]'") from exc
    with tempfile.TemporaryDirectory(prefix="amp-monitor-broker-") as directory:
        config = Path(directory) / "broker.toml"
        config.write_text(_BROKER_CONFIG.format(port=port), "utf-8")
        broker = Embedded(config_path=str(config))
        try:
            broker.start()
        except (OSError, RuntimeError) as exc:
            raise ConfigError(f"the embedded broker does not start on port {port}: {exc}") from exc
        try:
            yield
        finally:
            broker.stop()


def free_port() -> int:
    """A loopback port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _free_or(wanted: int) -> int:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", wanted))
        except OSError:
            return free_port()
    return wanted


def _local(time: datetime) -> str:
    return f"{time.astimezone():%H:%M %Z}"

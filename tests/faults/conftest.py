"""A running service as its users have it: a process of its own beside a real broker."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor import settings
from monitor.records import register
from monitor.records.database import open_database
from monitor.service.opening import seed_sites
from tests.servers import MOSQUITTO, Mosquitto, free_port, until

NAMEPLATE = """\
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 13.2
service_factor = 1.15
power_factor = 0.83
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 13.2
[fan]
blade_pitch_degrees = 21
available_pitch_degrees = [13, 15, 17, 18, 19, 21]
minimum_pitch_degrees = 13
coldest_expected_c = -5
control = "continuous"
[logger]
period_seconds = 10
"""


class Running:
    """`amp-monitor run` in a process that can be killed and started again."""

    def __init__(self, place: Path, broker_port: int, routes: str = "") -> None:
        self.place = place
        self.web_port = free_port()
        self.settings = place / "monitor.toml"
        place.mkdir(parents=True, exist_ok=True)
        self.settings.write_text(
            f'data = "{place}/data"\n[mqtt]\nport = {broker_port}\n[web]\nlisten = "127.0.0.1:{self.web_port}"\n'
            f'[sites.home]\ntime_zone = "America/Chicago"\n{routes}'
        )
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def database(self) -> Path:
        return self.place / "data" / "monitor.db"

    def command(self, *words: str, ok: bool = True) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "monitor.cli", *words, "--settings", str(self.settings)],
            capture_output=True, text=True, timeout=120,
        )  # fmt: skip
        assert not ok or done.returncode == 0, done.stderr
        return done

    def register(self, *fans: str, text: str = NAMEPLATE) -> None:
        """Enters fans as `fans import` does, without a process for each."""
        chosen = settings.load(self.settings)
        now = datetime.now(UTC)
        with closing(open_database(chosen.database_url)) as database:
            seed_sites(database, chosen, now)
            for fan in fans:
                since = datetime(2026, 1, 1, tzinfo=UTC)
                register.put_nameplate(database, "home", fan, text, valid_from=since, by="test", now=now)

    def start(self, wait: bool = True) -> None:
        with (self.place / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor.cli", "run", "--settings", str(self.settings)],
                stdout=log, stderr=log, env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )  # fmt: skip
        if wait:
            until(self.answers, 60, "the service")

    def answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log()
        try:
            self.get("/healthz")
        except OSError:
            return False
        return True

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.web_port}{path}", timeout=10) as answer:
            return json.load(answer)

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    def stop(self) -> int:
        """An orderly stop; the exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(30)
        self.process = None
        return code

    def log(self) -> str:
        return (self.place / "log").read_text()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    if MOSQUITTO is None:
        pytest.skip("NOT TESTED: Debian's mosquitto is missing; install it (apt-get install mosquitto)")
    server = Mosquitto(tmp_path / "broker")
    server.start()
    yield server
    server.kill()


@pytest.fixture
def service(tmp_path: Path, broker: Mosquitto) -> Iterator[Running]:
    running = Running(tmp_path / "service", broker.port)
    yield running
    if running.process is not None:
        running.kill()

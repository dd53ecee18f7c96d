"""What the supervisor hears, at a real socket: ready after the first turn, life from the worker only, the stop."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor import settings
from monitor.errors import LinkError
from monitor.service import worker as worker_module
from monitor.service.shell import Service
from monitor.service.supervisor import Supervisor
from tests.servers import free_port, until

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "fan-amp-monitor.service"


class Listener:
    """The supervisor's end: every datagram, with when it came."""

    def __init__(self, address: str) -> None:
        self.heard: list[tuple[float, str]] = []
        self._sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._sock.bind("\0" + address[1:] if address.startswith("@") else address)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while text := self._sock.recv(4096).decode():
            self.heard.append((time.monotonic(), text))

    def lines(self) -> list[str]:
        return [line for _, text in list(self.heard) for line in text.split("\n")]

    def signs(self) -> int:
        return self.lines().count("WATCHDOG=1")

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
            sock.sendto(b"", self._sock.getsockname())
        self._thread.join(60)
        self._sock.close()


@pytest.fixture(params=["path", "abstract"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return str(tmp_path / "notify") if request.param == "path" else f"@{tmp_path}/notify"


@pytest.fixture
def listener(address: str) -> Iterator[Listener]:
    made = Listener(address)
    yield made
    made.close()


def test_ready_once_and_life_before_half_of_the_time(address: str, listener: Listener) -> None:
    now = 100.0
    told = Supervisor({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "20000000"}, steady=lambda: now)
    assert told.watchdog_seconds == 20.0
    for _ in range(200):  # a turn each 0.2 s for 40 s
        told.alive(lambda: "12 fans\nwatched")
        now += 0.2
    told.stopping()
    until(lambda: "STOPPING=1" in listener.lines(), what="the stop")
    assert listener.lines()[:3] == ["READY=1", "WATCHDOG=1", "STATUS=12 fans watched"]
    assert listener.lines().count("READY=1") == 1 and listener.lines().count("STATUS=12 fans watched") == 1
    assert 7 <= listener.signs() <= 9  # each 5 s: not each turn, and well before half of 20 s


@pytest.mark.parametrize(
    ("environment", "seconds"),
    [({}, None), ({"WATCHDOG_USEC": "x"}, None), ({"WATCHDOG_USEC": "0"}, None), ({"WATCHDOG_USEC": "5000000"}, 5.0),
     ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "1"}, None)],
)  # fmt: skip
def test_a_watchdog_that_is_not_for_us_is_not_fed(environment: dict[str, str], seconds: float | None) -> None:
    assert Supervisor(environment).watchdog_seconds == seconds


@pytest.mark.parametrize("address", ["", "/nowhere/at/all", "@nobody listens", "vsock:2:1", "x" * 200, "/" + "x" * 200])
def test_a_supervisor_that_is_not_there_costs_nothing(address: str) -> None:
    told = Supervisor({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000"})
    told.waits("for the clock")
    told.alive(lambda: "well")
    told.stopping()


# --- the service --------------------------------------------------------------------------------------------------


@pytest.fixture
def begin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], tuple[Service, Listener]]]:
    """Starts a service under a supervisor that gives it up after 2 s."""
    made: list[tuple[Service, Listener]] = []

    def start() -> tuple[Service, Listener]:
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "2000000")
        listening = Listener(str(tmp_path / "notify"))
        file = tmp_path / "monitor.toml"
        file.write_text(
            f'data = "{tmp_path}/data"\n[mqtt]\nport = {free_port()}\n[web]\nlisten = "127.0.0.1:{free_port()}"\n'
        )
        made.append((Service(settings.load(file), print_line=lambda line: None), listening))
        return made[-1]

    yield start
    for service, listening in made:
        service.stop()
        listening.close()


def test_a_worker_that_hangs_gives_no_more_signs_of_life(
    begin: Callable[[], tuple[Service, Listener]], monkeypatch: pytest.MonkeyPatch
) -> None:
    service, listener = begin()
    assert listener.lines() == []  # built, not ready: nothing is watched yet
    service.start()
    until(lambda: listener.signs() >= 2, what="signs of life")
    assert listener.lines()[0] == "READY=1"
    assert any(line.startswith("STATUS=0 fans, 0 running; ") for line in listener.lines())
    hangs, freed = threading.Event(), threading.Event()
    going_round = service.worker.round

    def hang() -> None:
        hangs.set()
        freed.wait(120)
        going_round()

    monkeypatch.setattr(service.worker, "round", hang)
    assert hangs.wait(60)  # the last turn has ended
    time.sleep(0.2)  # and its sign is heard
    before = listener.signs()
    time.sleep(2.1)  # longer than the supervisor waits
    assert listener.signs() == before
    assert service.look_after() is None and not service._stopping.is_set()  # all else lives
    freed.set()
    until(lambda: listener.signs() > before, what="signs of life")
    service.stop()
    until(lambda: "STOPPING=1" in listener.lines(), what="the stop")


def test_a_worker_that_cannot_store_lives_and_says_why(
    begin: Callable[[], tuple[Service, Listener]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise LinkError("the database cannot grow: the disk is full. Make room on it.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    monkeypatch.setattr("monitor.service.health.STORE_LATE_SECONDS", 0.5)
    monkeypatch.setattr("monitor.service.supervisor.STATUS_SECONDS", 0.1)
    service, listener = begin()
    service.worker._pending.cursors["something"] = "to store"
    service.start()
    until(lambda: listener.signs() >= 4, what="signs of life")
    assert service.worker.trouble is not None
    assert any(line.startswith("STATUS=commit: ") and "disk is full" in line for line in listener.lines())


def test_a_worker_that_does_not_even_try_to_store_is_given_up(
    begin: Callable[[], tuple[Service, Listener]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.service.shell.TRIES_WITHIN_SECONDS", -0.5)
    service, listener = begin()
    service.settings = service.settings.model_copy(update={"commit_seconds": 1.0})
    service.start()
    until(lambda: listener.signs() >= 1, what="signs of life")
    monkeypatch.setattr(service.worker, "store", lambda: True)
    time.sleep(1.0)
    before = listener.signs()
    time.sleep(1.5)
    assert listener.signs() == before
    until(lambda: service.worker.rounds > 5, what="the worker's turns")


def test_the_unit_is_one(tmp_path: Path) -> None:
    text = UNIT.read_text()
    for line in ("Type=notify", "WatchdogSec=180", "Restart=always", "DynamicUser=yes", "StateDirectory=amp-monitor"):
        assert f"\n{line}\n" in text
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("NOT TESTED: systemd-analyze is missing")
    here = tmp_path / UNIT.name
    here.write_text(text.replace("/opt/amp-monitor/bin/amp-monitor", "/bin/true"))
    done = subprocess.run([analyze, "verify", "--man=no", str(here)], capture_output=True, text=True, timeout=30)
    assert (done.returncode, done.stderr) == (0, "")

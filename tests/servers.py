"""Real servers on loopback for tests and benchmarks, and a publisher that knows what the broker has taken."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import struct
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def until(true: Callable[[], object], seconds: float = 10.0, what: str = "it") -> None:
    """Waits for something to become true; fails loudly."""
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            raise AssertionError(f"{what} did not come about within {seconds} s")
        time.sleep(0.01)


class Mosquitto:
    """Debian's mosquitto, to be killed and started again; its state stays in its directory."""

    def __init__(self, place: Path, *lines: str, anonymous: bool = True, durable: bool = True) -> None:
        """durable: each change is on its disk within a second; else it keeps all in memory."""
        self.port = free_port()
        self.place = place
        self._process: subprocess.Popen[bytes] | None = None
        place.mkdir(parents=True, exist_ok=True)
        place.chmod(0o777)
        (place / "mosquitto.conf").write_text(
            "\n".join(
                [
                    f"listener {self.port} 127.0.0.1",
                    f"allow_anonymous {'true' if anonymous else 'false'}",
                    *(
                        [
                            "persistence true",
                            f"persistence_location {place}/",
                            "autosave_on_changes true",
                            "autosave_interval 1",
                        ]
                        if durable
                        else []
                    ),
                    "max_queued_messages 0",
                    "max_inflight_messages 0",
                    *([f"user {os.environ.get('USER', 'root')}"] if os.geteuid() == 0 else []),
                    *lines,
                    "",
                ]
            )
        )

    def start(self) -> None:
        assert MOSQUITTO is not None
        with (self.place / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [MOSQUITTO, "-c", str(self.place / "mosquitto.conf")], stdout=log, stderr=log
            )
        until(self.listens, 10, "mosquitto")

    def listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.place / "log").read_text()
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
            return True
        return False

    def kill(self, how: int = signal.SIGKILL) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(10)
            self._process = None

    def saved(self) -> None:
        """Waits until what it holds now is on the disk."""
        began = time.time()
        until(
            lambda: (self.place / "mosquitto.db").exists() and (self.place / "mosquitto.db").stat().st_mtime > began,
            10, "a saved state",
        )  # fmt: skip


class Publisher:
    """A logger reduced to bytes: MQTT 3.1.1, QoS 1, returns when the broker has taken all."""

    def __init__(self, port: int) -> None:
        self._sock = socket.create_connection(("127.0.0.1", port), 5)
        self._sock.sendall(b"\x10\x0f\x00\x04MQTT\x04\x02\x00\x00\x00\x03pub")
        assert self._sock.recv(4) == b"\x20\x02\x00\x00"

    def send(self, messages: list[tuple[str, bytes]], *, qos: int = 1, retain: bool = False) -> None:
        for start in range(0, len(messages), 500):
            part = messages[start : start + 500]
            packets = bytearray()
            for mid, (topic, payload) in enumerate(part, 1):
                name = topic.encode()
                body = struct.pack("!H", len(name)) + name + (struct.pack("!H", mid) if qos else b"") + payload
                packets += bytes([0x30 | qos << 1 | int(retain)]) + _length(len(body)) + body
            self._sock.sendall(packets)
            left = 4 * len(part) if qos else 0
            while left:
                got = self._sock.recv(left)
                assert got, "the broker hung up on the publisher"
                left -= len(got)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._sock.sendall(b"\xe0\x00")
        self._sock.close()

    def __enter__(self) -> Publisher:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _length(number: int) -> bytes:
    out = bytearray()
    while True:
        number, digit = divmod(number, 128)
        out.append(digit | (0x80 if number else 0))
        if not number:
            return bytes(out)

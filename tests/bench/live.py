"""The live path beside a bare subscriber; memory with 50 and 2,000 fans; start to the first judged reading.

    python -m tests.bench.live [MESSAGES]

One broker, the same messages, QoS 1. The baseline is a paho subscriber (MQTT 5, persistent session) with an empty
callback; ours decodes, judges, stores durably and only then acknowledges. Prints, asserts nothing.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.servers import Mosquitto, Publisher, Running, until

MESSAGES = 60_000
FANS = 100

_BARE = """
import sys, time
import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
wanted, count = int(sys.argv[2]), 0
def on_message(client, data, message):
    global count
    count += 1
client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="bare", protocol=paho.MQTTv5)
client.on_message = on_message
client.on_connect = lambda client, *rest: client.subscribe("amps/v1/+/+/readings", 1)
client.on_subscribe = lambda *rest: print("ready", flush=True)
properties = Properties(PacketTypes.CONNECT)
properties.SessionExpiryInterval, properties.ReceiveMaximum = 3600, 65535
client.connect("127.0.0.1", int(sys.argv[1]), clean_start=False, properties=properties)
client.loop_start()
while count < wanted:
    time.sleep(0.005)
print("done", flush=True)
sys.stdin.readline()
"""


def messages(number: int, fans: int = FANS, shift: float = 0.0) -> list[tuple[str, bytes]]:
    """Readings each 10 s of their own time, some 150 bytes with their topic."""
    first = time.time() - 10.0 * (number // fans + 10) - shift
    return [
        (
            f"amps/v1/home/bin-{at % fans}/readings",
            json.dumps(
                {
                    "t": round(first + 10.0 * (at // fans), 1),
                    "amps": [12.1 + 0.1 * (at % 7), 12.3, 12.0],
                    "volts": [460.2, 459.1, 461.0],
                    "ambient_c": 7.5,
                }
            ).encode(),
        )
        for at in range(number)
    ]


def cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    return 0.0


def bare(broker: Mosquitto, batch: list[tuple[str, bytes]]) -> tuple[float, float]:
    """Messages a second, CPU microseconds a message, of the empty subscriber."""
    process = subprocess.Popen(
        [sys.executable, "-c", _BARE, str(broker.port), str(len(batch))],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None and process.stdin is not None
    assert process.stdout.readline() == "ready\n"
    cpu, began = cpu_seconds(process.pid), time.perf_counter()
    with Publisher(broker.port) as publisher:
        publisher.send(batch)
        assert process.stdout.readline() == "done\n"
    seconds = time.perf_counter() - began
    cpu = cpu_seconds(process.pid) - cpu
    process.stdin.close()
    process.wait(10)
    process.stdout.close()
    return len(batch) / seconds, 1e6 * cpu / len(batch)


def ours(service: Running, broker: Mosquitto, batch: list[tuple[str, bytes]], before: int) -> tuple[float, float]:
    """The same of the service, until all is stored."""
    assert service.process is not None
    pid = service.process.pid
    cpu, began = cpu_seconds(pid), time.perf_counter()
    with Publisher(broker.port) as publisher:
        publisher.send(batch)
    until(lambda: stored(service) >= before + len(batch), 120, "the last reading")
    seconds = time.perf_counter() - began
    return len(batch) / seconds, 1e6 * (cpu_seconds(pid) - cpu) / len(batch)


def stored(service: Running) -> int:
    """The greatest running number, cheap to ask for."""
    import sqlite3

    with sqlite3.connect(f"file:{service.database}?mode=ro", uri=True) as connection:
        return int(connection.execute("SELECT COALESCE(MAX(number), 0) FROM readings").fetchone()[0])


def live_path(place: Path, number: int) -> None:
    """In turn, each with a broker of its own kind and configuration; the idle pair costs nothing meanwhile."""
    broker, other = (Mosquitto(place / name, durable=False) for name in ("broker", "other"))
    broker.start()
    other.start()
    service = Running(place / "service", broker.port)
    service.register(*(f"bin-{fan}" for fan in range(FANS)))
    service.start()
    time.sleep(2.0)
    ours(service, broker, messages(2_000, shift=1e6), 0)  # warm
    done = 2_000
    rounds = []
    for turn in range(3):
        batch = messages(number, shift=9e5 - turn * 2e5)
        empty = bare(other, batch)
        full = ours(service, broker, batch, done)
        done += number
        rounds.append((empty, full))
    print(f"{number} messages, {FANS} fans, mosquitto, QoS 1, three turns (median ratio is what counts)")
    for (rate, cpu), (our_rate, our_cpu) in rounds:
        print(
            f"  bare subscriber {rate:8.0f}/s {cpu:6.1f} us CPU   "
            f"ours, stored durably {our_rate:8.0f}/s {our_cpu:6.1f} us CPU   ratio {our_rate / rate:.2f}"
        )
    ratios = sorted(full[0] / empty[0] for empty, full in rounds)
    print(f"  median ratio {ratios[1]:.2f} (aim 0.70)")
    service.stop()
    broker.kill()
    other.kill()


def memory(place: Path, fans: int) -> None:
    broker = Mosquitto(place / f"broker-{fans}")
    broker.start()
    service = Running(place / f"service-{fans}", broker.port)
    service.register(*(f"bin-{fan}" for fan in range(fans)))
    with Publisher(broker.port) as publisher:
        service.start()
        time.sleep(1.5)
        empty = resident_mb(service.process.pid)  # type: ignore[union-attr]
        publisher.send(messages(60 * fans, fans))
        until(lambda: stored(service) >= 60 * fans, 120, "the last reading")
        time.sleep(2.0)
    full = resident_mb(service.process.pid)  # type: ignore[union-attr]
    print(f"  {fans:5} fans: {empty:6.0f} MB at start, {full:6.0f} MB after 10 min of readings each 10 s")
    service.stop()
    broker.kill()


def first_judged(place: Path) -> None:
    broker = Mosquitto(place / "broker-start")
    broker.start()
    service = Running(place / "service-start", broker.port)
    service.register("bin-0")
    service.start()
    time.sleep(1.0)
    service.stop()  # the session is there, and compiled code is on the disk
    with Publisher(broker.port) as publisher:
        publisher.send(messages(1, 1))
    began = time.perf_counter()
    service.start()
    answers = time.perf_counter() - began

    def judged() -> bool:
        return service.get("/api/v1/fans/home/bin-0")["load_ratio"] is not None

    until(judged, 30, "the first judged reading")
    print(
        f"  pages answer after {answers:.1f} s, a waiting reading is judged after {time.perf_counter() - began:.1f} s"
    )
    print("  (first readings after a connect are held until 1 s of quiet)")
    service.stop()
    broker.kill()


def main(number: int = MESSAGES) -> None:
    with tempfile.TemporaryDirectory(prefix="bench-") as directory:
        place = Path(directory)
        place.chmod(0o777)
        print("live path")
        live_path(place, number)
        print("memory")
        for fans in (50, 2_000):
            memory(place, fans)
        print("start")
        first_judged(place)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else MESSAGES)

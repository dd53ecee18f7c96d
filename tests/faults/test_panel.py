"""What a local panel or PLC sees of the service at a real broker: all at once, and the truth after each mishap."""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Callable, Iterator
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.servers import Mosquitto, Publisher, Running, until

pytestmark = pytest.mark.broker
WORD = "amp-monitor/status"
STATE_KEYS = {
    "site": str, "fan": str, "t": str, "stale": bool, "running": bool, "highest_leg_amps": float, "limit_amps": float,
    "load_ratio": float, "margin": float, "seconds_to_trip": float, "priority": str, "alarms": list,
}  # fmt: skip
Panel = Callable[[], dict[str, bytes]]


@pytest.fixture
def panel(broker: Mosquitto) -> Iterator[Panel]:
    """Subscribes to everything; the newest of each topic under the root, readings left out. Reconnects by itself."""
    made: list[paho.Client] = []

    def make() -> dict[str, bytes]:
        newest: dict[str, bytes] = {}

        def hear(client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
            topic = message.topic.removeprefix("amps/v1/")
            if not topic.endswith("/readings"):
                newest[topic] = message.payload

        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.reconnect_delay_set(1, 1)
        client.on_message = hear
        client.on_connect = lambda client, *_: client.subscribe("amps/v1/#", 1)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        made.append(client)
        return newest

    yield make
    for client in made:
        client.disconnect()
        client.loop_stop()


def said(heard: dict[str, bytes], topic: str) -> Any:
    return json.loads(heard[topic]) if heard.get(topic) else None


def reading(amps: float) -> bytes:
    return json.dumps({"t": time.time(), "amps": [amps] * 3}).encode()


def test_a_panel_hears_the_truth_through_kills_of_service_and_broker(
    broker: Mosquitto, service: Running, panel: Panel
) -> None:
    service.register("bin-1", "bin-2")
    service.start()
    heard = panel()
    until(lambda: heard.get(WORD) == b"online", what="its word")
    with Publisher(broker.port) as publisher:
        publisher.send([("amps/v1/home/bin-1/readings", reading(12.5)), ("amps/v1/home/bin-2/readings", reading(0.0))])
    until(lambda: said(heard, "home/bin-1/state") and said(heard, "home/bin-2/state"), what="the states")
    state = said(heard, "home/bin-1/state")
    assert state.keys() == STATE_KEYS.keys()
    for key, value in state.items():
        assert value is None or isinstance(value, (STATE_KEYS[key], int)), (key, value)
    assert (state["running"], state["stale"], state["highest_leg_amps"]) == (True, False, 12.5)
    assert state["margin"] == pytest.approx(1.0 - state["load_ratio"], abs=1e-4)
    assert (state["priority"], state["alarms"]) == ("none", [])
    assert heard["home/bin-1/alarm"] == heard["home/bin-2/alarm"] == heard["home/alarm"] == b"none"
    assert said(heard, "home/alarms") == {"site": "home", "alarms": []}
    assert said(heard, "home/bin-2/state")["running"] is False

    service.kill()  # no farewell: the broker speaks its will
    until(lambda: heard[WORD] == b"offline", what="its will")
    service.start()
    until(lambda: heard[WORD] == b"online", what="its word")

    broker.kill(signal.SIGKILL)
    for kept in broker.place.glob("mosquitto.db*"):
        kept.unlink()
    heard.clear()
    broker.start()
    everything = {
        WORD, "home/alarm", "home/alarms", *(f"home/{fan}/{what}" for fan in ("bin-1", "bin-2")
                                             for what in ("state", "alarms", "alarm")),
    }  # fmt: skip
    until(lambda: heard.keys() >= everything, what="what was retained before")
    assert heard[WORD] == b"online"
    late = panel()  # somebody who comes late has it all at once
    until(lambda: late.keys() >= everything, what="all that is retained")
    assert late == heard

    service.command("fans", "remove", "home/bin-2")
    until(lambda: not any(heard[f"home/bin-2/{what}"] for what in ("state", "alarms", "alarm")), what="the removal")
    newest = panel()
    until(lambda: newest.keys() >= {WORD, "home/bin-1/state"}, what="what is retained now")
    assert not any(topic.startswith("home/bin-2/") for topic in newest)

    assert service.stop() == 0  # in order: it says so itself
    until(lambda: heard[WORD] == b"offline", what="its farewell")

"""The service's own word at a real broker: online while it is connected, offline when it has gone in whatever way."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.links.mqtt import Broker, BrokerAddress, Inbox
from tests.links.conftest import Link, Publish, subscribed, take
from tests.servers import Mosquitto, until

pytestmark = pytest.mark.broker
WORD = "amps/v1/amp-monitor/status"
Panel = Callable[[int], list[tuple[str, bytes]]]


@pytest.fixture
def panel() -> Iterator[Panel]:
    """Subscribes to everything under the root as a local panel does; what it has heard so far."""
    made: list[paho.Client] = []

    def make(port: int) -> list[tuple[str, bytes]]:
        heard: list[tuple[str, bytes]] = []
        taken: list[int] = []
        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.on_message = lambda _client, _, message: heard.append((message.topic, message.payload))
        client.on_subscribe = lambda *_: taken.append(1)
        client.on_connect = lambda client, *_: client.subscribe("amps/v1/#", 1)
        client.connect("127.0.0.1", port)
        client.loop_start()
        made.append(client)
        until(lambda: taken, what="the panel's subscription")
        return heard

    yield make
    for client in made:
        client.disconnect()
        client.loop_stop()


def test_online_with_each_connection_and_offline_at_the_farewell(
    mosquitto: Mosquitto, link: Link, panel: Panel
) -> None:
    heard = panel(mosquitto.port)
    broker = subscribed(link(mosquitto.port))
    until(lambda: heard == [(WORD, b"online")], what="its word")
    broker.stop()
    until(lambda: heard[1:] == [(WORD, b"offline")], what="its farewell")
    late = panel(mosquitto.port)
    until(lambda: late == [(WORD, b"offline")], what="what is retained")


@pytest.mark.usefixtures("noted")
def test_while_a_full_inbox_is_drained_it_is_offline(mosquitto: Mosquitto, publish: Publish, panel: Panel) -> None:
    heard = panel(mosquitto.port)
    broker = Broker(BrokerAddress(port=mosquitto.port), Inbox(max_messages=3), waits_seconds=(0.05,))
    broker.start()
    try:
        until(lambda: heard == [(WORD, b"online")], what="its word")
        subscribed(broker)
        publish(mosquitto.port).send([("amps/v1/home/north-3/readings", b"%d" % number) for number in range(5)])

        def back() -> bool:
            broker.inbox.take(10)
            return [word for topic, word in heard if topic == WORD][:3] == [b"online", b"offline", b"online"]

        until(back, what="its word after the pause")
    finally:
        broker.stop()


@pytest.mark.usefixtures("noted")
def test_a_form_that_listens_to_everything_does_not_hear_us(mosquitto: Mosquitto, publish: Publish) -> None:
    broker = Broker(BrokerAddress(port=mosquitto.port), also=["+/+/+/+"], waits_seconds=(0.05,))
    broker.start()
    try:
        subscribed(broker)
        time.sleep(0.3)  # for what is retained
        publish(mosquitto.port).send([("amps/v1/amp-monitor/other", b"x")])
        assert {one.topic for one in take(broker, 1)} == {"amps/v1/amp-monitor/other"}
        time.sleep(0.2)
        assert not broker.inbox.take(10)
    finally:
        broker.stop()


@pytest.mark.parametrize("client_id", ["home/north-3", "a+b#c"])
def test_a_client_id_that_is_no_topic_level(mosquitto: Mosquitto, link: Link, panel: Panel, client_id: str) -> None:
    heard = panel(mosquitto.port)
    broker = subscribed(link(mosquitto.port, client_id=client_id))
    topic = BrokerAddress(client_id=client_id).status_topic
    until(lambda: heard == [(topic, b"online")], what="its word")
    assert topic.count("/") == 3
    time.sleep(0.2)
    assert len(broker.inbox) == 0  # it is no logger's


def test_what_the_worker_tells_in_the_moment_of_a_reconnect_is_not_lost(mosquitto: Mosquitto, panel: Panel) -> None:
    """What waits was copied and then put aside: a lamp that went on between the two stayed off at the panel."""
    heard = panel(mosquitto.port)
    broker = Broker(BrokerAddress(port=mosquitto.port), Inbox(), waits_seconds=(0.05,))

    class Beside(deque[str]):
        """As if the worker had its turn right after the waiting ones were looked at."""

        def __iter__(self) -> Iterator[str]:
            yield from list(super().__iter__())
            broker.publish_state("home/late/alarm", b"high")

        def clear(self) -> None:
            super().clear()
            broker.publish_state("home/late/alarm", b"high")

    broker._to_publish = Beside()
    broker.publish_state("home/north/alarm", b"none")
    broker.start()
    try:
        until(lambda: ("amps/v1/home/north/alarm", b"none") in heard, 10, "what waited")
        until(lambda: ("amps/v1/home/late/alarm", b"high") in heard, 2, "what came beside it")
    finally:
        broker.stop()

"""Sends a farm's messages to a broker: QoS 1, one persistent session, nothing given up while the broker is away."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from simulated.farm import Farm, Message

DAY_S = 86_400


class Publisher:
    """A logger gateway's connection to a broker."""

    def __init__(
        self,
        host: str,
        port: int,
        root: str = "amps/v1",
        *,
        client_id: str = "simulated-farm",
        protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5,
        window: int = 2_000,
    ) -> None:
        """root: what stands before SITE/FAN/readings. window: messages given to the client and not acknowledged yet."""
        self._root = root.rstrip("/")
        self._window = window
        self._acknowledged = 0
        self.sent = 0
        """Messages given to the client so far."""
        self.refused = 0
        """Messages that the broker answered with a failure (MQTT 5), such as not being allowed to publish there."""
        v5 = protocol == MQTTProtocolVersion.MQTTv5
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=protocol, clean_session=None if v5 else False
        )
        self._client.max_queued_messages_set(0)  # no bound of its own: ours is `window`
        self._client.reconnect_delay_set(1, 5)
        self._client.on_publish = self._on_publish
        self._client.on_connect = self._on_connect
        self._met = threading.Event()
        self.refusal = ""
        """Why the broker refused the last connection, in its words; empty where it did not."""
        if v5:
            session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            session.SessionExpiryInterval = DAY_S
            self._client.connect_async(host, port, keepalive=30, clean_start=False, properties=session)
        else:
            self._client.connect_async(host, port, keepalive=30)
        self._client.loop_start()  # tries again for ever, the first time too

    @property
    def connected(self) -> bool:
        """Whether the broker answers at the moment."""
        return self._client.is_connected()

    @property
    def unacknowledged(self) -> int:
        """Messages given to the client that the broker has not acknowledged yet."""
        return self.sent - self._acknowledged

    def wait_connected(self, timeout_s: float) -> bool:
        """Wait for the first connection; False when the time is over."""
        return self._met.wait(timeout_s)

    def _on_connect(
        self, client: mqtt.Client, userdata: object, flags: object, reason_code: ReasonCode, properties: object
    ) -> None:
        """Network thread: the broker has answered."""
        self.refusal = str(reason_code) if reason_code.is_failure else ""
        if not reason_code.is_failure:
            self._met.set()

    def _on_publish(
        self, client: mqtt.Client, userdata: object, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        """Network thread: one message is with the broker."""
        self._acknowledged += 1
        if reason_code.is_failure:
            self.refused += 1

    def send(self, messages: Iterable[Message], stop: threading.Event | None = None) -> int:
        """Hand over messages in order; waits while more than `window` of them are not acknowledged. How many it was.

        Waits for the first connection: what is given to the client before it may overtake. Later, while the broker is
        away, the client keeps what it has, up to `window`. Ends early when `stop` is set. Does not wait for the last
        acknowledgements: see `drain`.
        """
        while not self._met.wait(0.05):
            if stop is not None and stop.is_set():
                return 0
        count = 0
        for message in messages:
            while self.unacknowledged >= self._window:
                if stop is not None and stop.is_set():
                    return count
                time.sleep(0.002)
            # While the broker is away the client keeps the message and sends it after the next connection; only a full
            # queue is refused, and `window` is far below that.
            info = self._client.publish(f"{self._root}/{message.topic_tail}", message.payload, qos=1)
            if info.rc == mqtt.MQTT_ERR_QUEUE_SIZE:
                raise RuntimeError("the MQTT client's queue is full, though fewer messages are waiting than it holds")
            self.sent += 1
            count += 1
        return count

    def drain(self, timeout_s: float = 30.0) -> bool:
        """Wait until the broker has acknowledged everything; False when the time is over."""
        end = time.monotonic() + timeout_s
        while self.unacknowledged:
            if time.monotonic() >= end:
                return False
            time.sleep(0.005)
        return True

    def close(self, timeout_s: float = 5.0) -> bool:
        """Drain, then disconnect; False when something was left unacknowledged."""
        done = self.drain(timeout_s)
        self._client.disconnect()
        self._client.loop_stop()
        return done


def play(
    farm: Farm,
    publisher: Publisher,
    pace: float = 1.0,
    until: datetime | None = None,
    stop_event: threading.Event | None = None,
    live_from: datetime | None = None,
) -> int:
    """Send everything up to `live_from` at once, then go on at a pace until `until` or `stop_event`. Messages sent.

    live_from: where the live part begins; the present if not given. pace: seconds of the farm in a second of the
    wall clock; 1 follows the wall clock itself (and catches up with it), 0 is as fast as it can (then `until` must be
    given). At a pace above 1 a farm that starts at the present runs ahead of the clock, and a service will refuse its
    readings: begin it earlier.
    """
    if pace < 0.0 or (pace == 0.0 and until is None):
        raise ValueError("pace: expected 0 (as fast as it can, with an end) or a number above 0")
    stop = stop_event if stop_event is not None else threading.Event()
    begin = datetime.now(UTC) if live_from is None else live_from
    count = 0
    hour = timedelta(hours=1)
    at = farm.now
    while not stop.is_set() and at < begin:  # an hour at a time: the past may be long
        at = min(at + hour, begin)
        count += publisher.send(farm.advance(at), stop)
    started = time.monotonic()
    while not stop.is_set():
        if pace == 0.0:
            at = at + hour
        elif pace == 1.0:
            at = max(datetime.now(UTC), begin)
        else:
            at = begin + timedelta(seconds=pace * (time.monotonic() - started))
        if until is not None:
            at = min(at, until)
        count += publisher.send(farm.advance(max(at, farm.now)), stop)
        if until is not None and at >= until:
            break
        if pace > 0.0:
            stop.wait(min(0.2, 1.0 / pace))
    return count

"""Knocks at the broker for `check`: a session of its own that ends at once, so that the service's stays untouched."""

from __future__ import annotations

import contextlib
import ssl
import threading
from collections.abc import Sequence
from dataclasses import replace

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from monitor.errors import LinkError
from monitor.links.address import BrokerAddress, tls_context
from monitor.links.connection import CONNECT_SECONDS

ANSWER_SECONDS = 8.0


def knock(address: BrokerAddress, also: Sequence[str] = ()) -> str:
    """Connects, asks for the readings' topics, leaves; says in words what was found.

    Parameters
    ----------
    also : topics of other loggers, beside our own

    Raises
    ------
    LinkError : the broker does not answer, or refuses us or the topic
    ConfigError : a certificate or key file cannot be used
    """
    mine = replace(address, client_id=f"{address.client_id}-check")
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=mine.client_id, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect_timeout = CONNECT_SECONDS
    if mine.username is not None:
        client.username_pw_set(mine.username, mine.password)
    if mine.tls:
        client.tls_set_context(tls_context(mine))
    answered = threading.Event()
    topics = [f"{mine.root}/+/+/readings", *also]
    refused: list[str] = []

    def on_connect(client: paho.Client, data: object, flags: object, reason: object, properties: object) -> None:
        if getattr(reason, "is_failure", False):
            refused.append(f"the broker at {mine} refuses us: {reason}. Check username and password_file under [mqtt].")
            answered.set()
        else:
            client.subscribe([(topic, 1) for topic in topics])

    def on_subscribe(
        client: paho.Client, data: object, mid: int, reasons: list[ReasonCode], properties: object
    ) -> None:
        bad = [topic for topic, reason in zip(topics, reasons, strict=False) if getattr(reason, "is_failure", False)]
        if bad:
            refused.append(f"the broker at {mine} lets us in but not read {', '.join(bad)}: see its access list.")
        answered.set()

    client.on_connect, client.on_subscribe = on_connect, on_subscribe
    try:
        client.connect(mine.host, mine.port, keepalive=30)
    except ssl.SSLError as exc:
        raise LinkError(
            f"no trusted connection to the broker at {mine}: {exc.reason or exc}. See [mqtt] ca_file."
        ) from exc
    except OSError as exc:
        raise LinkError(
            f"no broker answers at {mine}: {exc.strerror or exc}. Start it, or set host and port under [mqtt]."
        ) from exc
    client.loop_start()
    try:
        if not answered.wait(ANSWER_SECONDS):
            raise LinkError(f"the broker at {mine} took the connection and then said nothing")
    finally:
        with contextlib.suppress(OSError):
            client.disconnect()
        client.loop_stop()
    if refused:
        raise LinkError(refused[0])
    return f"answers at {mine}, and lets us read {', '.join(topics)}"

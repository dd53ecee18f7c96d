"""One connection to the broker, from greeting to end: what the link's thread does while it lasts.

paho (2.x) does the protocol. Its own thread is not used: it ends for good on an exception in a callback.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import ssl
import struct
import time
from typing import TYPE_CHECKING, Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.exception import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.errors import ConfigError
from monitor.links.address import tls_context
from monitor.links.buffered import AT_ONCE, Buffered
from monitor.links.message import Message

if TYPE_CHECKING:
    from monitor.links.mqtt import Broker

CONNECT_SECONDS: Final = 5.0
NEVER_EXPIRES: Final = 0xFFFFFFFF
"""Session Expiry Interval: the session stays until we come back (MQTT 5.0, 3.1.2.11.2)."""
RECEIVE_MAXIMUM: Final = 65_535
"""Messages that may wait for our acknowledgement (MQTT 5.0, 3.1.2.11.3); we acknowledge after each commit."""
MAXIMUM_PACKET: Final = 16 * 1024 * 1024
"""Larger ones the broker drops by itself, so that no sender can fill our memory (MQTT 5.0, 3.1.2.11.4)."""
KEEPALIVE_SECONDS: Final = 30
ANSWER_SECONDS: Final = 10.0
"""A broker that took the connection answers the greeting within."""
COME_AGAIN_SECONDS: Final = 10.0
"""What the broker has not sent again by then, or by 1 s of quiet, it has lost."""
GOODBYE_SECONDS: Final = 1.0
ONLINE: Final = b"online"
OFFLINE: Final = b"offline"
"""Our own word, retained under `BrokerAddress.status_topic`: said by us with each connection and at each farewell, and
as our will by the broker when the connection just ends (MQTT 5.0, 3.1.2.5)."""
PAYLOAD_KEPT: Final = 256 * 1024 + 1
"""Longer payloads are cut here: enough for the decoder to see that they are too large."""

UNSUPPORTED_PROTOCOL: Final = 0x84
BAD_CLIENT_ID: Final = 0x85
BAD_PASSWORD: Final = 0x86
NOT_AUTHORIZED: Final = 0x87
BANNED: Final = 0x8A
NO_RETAIN: Final = 0x9A
NO_SUCH_QOS: Final = 0x9B
"""The broker takes no retained will, or none of QoS 1 (MQTT 5.0, 3.2.2.2): it gets none."""
SESSION_TAKEN_OVER: Final = 0x8E
_INSTALLER_MUST_ACT: Final = frozenset((BAD_CLIENT_ID, BAD_PASSWORD, NOT_AUTHORIZED, BANNED))

_BROKEN_BY_BROKER: Final = (
    OSError, ValueError, TypeError, KeyError, IndexError, AttributeError, AssertionError, struct.error,
    MQTTException,
)  # fmt: skip
"""What paho raises on bytes that no broker should send, beside its own error codes."""

_DISCONNECT: Final = b"\xe0\x00"
"""Normal disconnection, the same in MQTT 5 and 3.1.1; the session stays as long as the greeting said."""


class _Client(paho.Client):
    """paho's client with a socket of ours: it reads ahead, and is closed when the handshake fails (paho's is not)."""

    def _create_socket(self) -> Any:
        sock = socket.create_connection((self._host, self._port), timeout=self.connect_timeout)
        context = self._ssl_context
        if context is None:
            return Buffered(sock)
        try:
            secure = context.wrap_socket(sock, server_hostname=self._host, do_handshake_on_connect=False)
        except BaseException:
            sock.close()
            raise
        try:
            secure.do_handshake()
        except BaseException:
            secure.close()
            raise
        return Buffered(secure)


class Connection:
    """One connection from greeting to end; lives in the network thread."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self.accepted = False
        self.overflowed = False
        self.installer_must_act = False
        self.protocol_refused = False
        self.retry_at_once = False
        self.silent = False
        self.words = ""
        self._faulty = False
        self._unsent = b""
        self._published: dict[int, str] = {}
        self._accepted_at = 0.0
        self._v5 = broker._protocol == MQTTProtocolVersion.MQTTv5
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.address.client_id,
            clean_session=None if self._v5 else False,
            protocol=broker._protocol,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = CONNECT_SECONDS
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_socket_register_write = lambda *_: None  # or paho would write from within whoever queues
        self._client = client

    @property
    def lasted(self) -> float:
        """Seconds since the broker accepted us; 0 when it did not."""
        return time.monotonic() - self._accepted_at if self.accepted else 0.0

    def run(self) -> None:
        broker, client = self._broker, self._client
        address = broker.address
        try:
            if address.username is not None:
                client.username_pw_set(address.username, address.password)
            if address.tls:
                client.tls_set_context(tls_context(address))  # read anew: certificates are renewed while we run
            if not broker.will_refused:
                client.will_set(address.status_topic, OFFLINE, qos=1, retain=True)
            if self._v5:
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = NEVER_EXPIRES
                properties.ReceiveMaximum = RECEIVE_MAXIMUM
                properties.MaximumPacketSize = MAXIMUM_PACKET
                client.connect(address.host, address.port, KEEPALIVE_SECONDS, clean_start=False, properties=properties)
            else:
                client.connect(address.host, address.port, KEEPALIVE_SECONDS)
            self._serve()
        except ConfigError as exc:
            self.installer_must_act = True
            self.words = str(exc)
        except ssl.SSLError as exc:
            self.installer_must_act = True
            self.words = (
                f"no trusted connection to the broker at {address}: {exc.reason or exc}. "
                "Check ca_file, cert_file, key_file, and the host name in the broker's certificate."
            )
        except OSError as exc:
            if not self.accepted:
                why = exc.strerror or exc
                self.words = f"no broker answers at {address}: {why}. Start it, or set host and port under [mqtt]."
        except _BROKEN_BY_BROKER as exc:
            self.words = f"the broker at {address} sent what is not MQTT ({type(exc).__name__}: {exc})"
        finally:
            self._close()

    # ------------------------------------------------------------------ the loop

    def _serve(self) -> None:
        broker, client = self._broker, self._client
        sock = client.socket()
        if sock is None:
            return
        began = time.monotonic()
        with selectors.DefaultSelector() as selector:
            selector.register(broker._wake_read, selectors.EVENT_READ)
            selector.register(sock, selectors.EVENT_READ | selectors.EVENT_WRITE)
            writing = True
            while client.socket() is not None:
                if broker._stopping.is_set() or self.overflowed or self._faulty:
                    self._goodbye()
                    return
                want = client.want_write() or bool(self._unsent)
                if want != writing:
                    selector.modify(sock, selectors.EVENT_READ | (selectors.EVENT_WRITE if want else 0))
                    writing = want
                ready = selector.select(0.0 if _pending(sock) else 0.5)
                for key, _ in ready:
                    if key.fileobj is broker._wake_read:
                        with contextlib.suppress(BlockingIOError):
                            broker._wake_read.recv(4096)
                if not self._read(sock) or not self._write() or client.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
                now = time.monotonic()
                if not self.accepted and now - began > ANSWER_SECONDS:
                    self.words = f"the broker at {broker.address} took the connection and then said nothing"
                    break
                if self.accepted and broker.inbox.aside:
                    since = now - self._accepted_at
                    if since > COME_AGAIN_SECONDS or min(since, broker.inbox.quiet_for()) > 1.0:
                        broker.inbox.give_back()
        self.silent = not self.accepted and not self.words

    def _read(self, sock: Any) -> bool:
        """Some packets, so that acknowledgements are not kept waiting by a flood."""
        client = self._client
        for _ in range(500):
            if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS or client.socket() is None:
                return False
            if self.overflowed or self._faulty or not _pending(sock):
                return True
        return True

    def _write(self) -> bool:
        """Acknowledgements and what paho has queued, never one within the other."""
        broker, client = self._broker, self._client
        if self.accepted:
            while broker._to_publish:
                self._publish(broker._to_publish.popleft())
            if not client.want_write():
                while broker._acks:
                    generation, packets = broker._acks.popleft()
                    if generation == broker.generation:
                        self._unsent += packets
        if self._unsent and not client.want_write():
            sock = client.socket()
            try:
                sent = sock.send(self._unsent) if sock is not None else 0
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                sent = 0
            self._unsent = self._unsent[sent:]
        if not self._unsent and client.want_write():
            return client.loop_write() == MQTTErrorCode.MQTT_ERR_SUCCESS
        return True

    def _publish(self, topic: str) -> None:
        state = self._broker._states.get(topic)
        if state is None:
            return
        payload, retain = state
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        self._published[info.mid] = topic
        if not retain:
            self._broker._states.pop(topic, None)

    def _goodbye(self) -> None:
        """What is still to be sent goes out, for a second at most; then the farewell, which keeps the session."""
        client = self._client
        until = time.monotonic() + GOODBYE_SECONDS
        sock = client.socket()
        if self.accepted and not self._faulty:  # a farewell takes our will from the broker: we say it ourselves
            said = client.publish(self._broker.address.status_topic, OFFLINE, qos=1, retain=True)
            self._published[said.mid] = self._broker.address.status_topic
        while self.accepted and not self._faulty and time.monotonic() < until:
            busy = bool(self._broker._acks or self._unsent or self._broker._to_publish or self._published)
            if not busy and not client.want_write():
                break
            if not self._write() or not self._read(sock):
                return
            if self._published or self._unsent:
                _readable(sock, 0.01)
        if client.socket() is not sock or sock is None or self._unsent or client.want_write():
            return
        # The broker takes packets one by one. Were the socket closed now, it would drop the acknowledgements it has not
        # read yet; when it closes the socket itself, it has read them all.
        until = time.monotonic() + GOODBYE_SECONDS  # anew: what it did not acknowledge may have taken all of the first
        with contextlib.suppress(OSError):
            sock.send(_DISCONNECT)
            while (left := until - time.monotonic()) > 0:
                if not _readable(sock, left) or not sock.recv(AT_ONCE):
                    break

    def _close(self) -> None:
        """The socket is closed whatever state paho is in."""
        sock = self._client.socket()
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.close()

    # ------------------------------------------------------------------ paho's callbacks

    def _on_connect(
        self, client: paho.Client, _: object, flags: paho.ConnectFlags, reason: ReasonCode, properties: object
    ) -> None:
        broker = self._broker
        address = broker.address
        if reason.is_failure:
            self._refused(reason)
            return
        self.accepted = True
        self._accepted_at = time.monotonic()
        broker._acks.clear()
        broker.accept(flags.session_present)
        wanted = broker.topics
        if self._v5:
            # Retained readings only with a new subscription, the loggers' own word each time.
            once, always = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB, SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE
            how = [always if topic == f"{address.root}/+/+/status" else once for topic in wanted]
            client.subscribe(
                [(topic, SubscribeOptions(qos=1, retainHandling=one)) for topic, one in zip(wanted, how, strict=True)]
            )
        else:
            client.subscribe([(topic, 1) for topic in wanted])
        said = client.publish(address.status_topic, ONLINE, qos=1, retain=True)
        self._published[said.mid] = address.status_topic
        # In place: the worker may be adding to it just now, and what it adds to one that is put aside is never sent.
        broker._to_publish.clear()
        broker._to_publish.extend([*broker._states])  # all that waited is among them

    def _refused(self, reason: ReasonCode) -> None:
        address = self._broker.address
        code = reason.value
        if code == UNSUPPORTED_PROTOCOL and self._v5:
            self.protocol_refused = True
            self.words = f"the broker at {address} does not speak MQTT 5; going on with MQTT 3.1.1"
            return
        if code in (NO_RETAIN, NO_SUCH_QOS) and not self._broker.will_refused:
            self._broker.will_refused = self.retry_at_once = True
            self.words = f"the broker at {address} keeps no last word of ours; going on without one"
            return
        self.installer_must_act = code in _INSTALLER_MUST_ACT
        who = f'the user "{address.username}"' if address.username else "a client without user name"
        todo = {
            BAD_PASSWORD: "Check username and password_file under [mqtt] against the broker's password list.",
            NOT_AUTHORIZED: "Check username and password_file under [mqtt]; or whoever runs the broker must allow it.",
            BAD_CLIENT_ID: f'The broker does not take the client id "{address.client_id}"; set another under [mqtt].',
            BANNED: "Whoever runs the broker must lift the ban.",
        }.get(code, "Trying again.")
        self.words = f"the broker at {address} refuses {who}: {reason.getName().lower()}. {todo}"

    def _on_subscribe(
        self, client: paho.Client, _: object, mid: int, reasons: list[ReasonCode], properties: object
    ) -> None:
        broker = self._broker
        asked = zip(broker.topics, reasons, strict=False)
        refused = [(topic, reason) for topic, reason in asked if reason.is_failure]
        if refused:
            topics = ", ".join(topic for topic, _ in refused if not topic.endswith("/status")) or refused[0][0]
            broker.tell(
                f"the broker at {broker.address} lets us in but not read {topics} "
                f"({refused[0][1].getName().lower()}). Whoever runs the broker must allow it in its access list."
            )

    def _on_disconnect(
        self, client: paho.Client, _: object, flags: Any, reason: ReasonCode, properties: object
    ) -> None:
        if reason.value == SESSION_TAKEN_OVER and flags.is_disconnect_packet_from_server:
            self.words = (
                f'another client took our client id "{self._broker.address.client_id}" at the broker '
                f"{self._broker.address}. Stop the other service, or give it another client_id."
            )
        elif flags.is_disconnect_packet_from_server:
            self.words = f"the broker at {self._broker.address} hung up: {reason.getName().lower()}; trying again"

    def _on_publish(self, client: paho.Client, _: object, mid: int, reason: object, properties: object) -> None:
        self._published.pop(mid, None)

    def _on_message(self, client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        # An exception here must cost neither the thread nor the message: un-acked, it comes again after a reconnect.
        try:
            try:
                topic = message.topic
            except UnicodeDecodeError:
                topic = f"{self._broker.address.root}/?/?/readings"
            if topic == self._broker.address.status_topic:  # a form with wildcards heard our own word
                self._broker.ack([Message(self._broker.generation, message.mid, topic, b"", True, 0.0, message.qos)])
                return
            payload = message.payload
            if len(payload) > PAYLOAD_KEPT:
                payload = payload[:PAYLOAD_KEPT]
            if not self._broker.put(message.mid, topic, bytes(payload), message.retain, message.qos):
                self.overflowed = True
                self.words = "the inbox is full: the worker cannot follow. Disconnecting until it has caught up."
        except Exception as exc:
            self._faulty = True
            self._broker.callback_faults += 1
            self.words = f"a message could not be taken in ({type(exc).__name__}: {exc}); it will come again"


def _readable(sock: Any, seconds: float) -> bool:
    if _pending(sock):
        return True
    with selectors.DefaultSelector() as selector:
        selector.register(sock, selectors.EVENT_READ)
        return bool(selector.select(seconds))


def _pending(sock: Any) -> int:
    pending: int = sock.pending() if hasattr(sock, "pending") else 0
    return pending

"""The broker: readings in, acknowledged when the worker says so; retained states out.

One thread of ours drives paho's client, one fresh client a connection (`connection.py`), so that
* an acknowledgement can never reach another connection than the one its message came over,
* nothing of paho is called from two threads,
* whatever ends a connection, the next one begins; the waits between grow to 30 s and never end.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from paho.mqtt.enums import MQTTProtocolVersion

from monitor.links.address import BrokerAddress, tls_context
from monitor.links.assembly import parts_of
from monitor.links.connection import CONNECT_SECONDS, Connection
from monitor.links.inbox import Inbox, Message

__all__ = ["Broker", "BrokerAddress", "Inbox", "Message"]

WAITS_SECONDS: Final = (0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 30.0)
STEADY_SECONDS: Final = 30.0
"""A connection that lasted so long was a good one: the waits begin anew."""
SHORT_SECONDS: Final = 5.0
"""A connection that ended so soon, for the third time in a row, has a cause that somebody must look for."""

_PUBACK: Final = struct.Struct("!BBH").pack


class Broker:
    """The link to the broker. All methods may be called from any thread; `inbox` is taken from by one worker."""

    def __init__(
        self,
        address: BrokerAddress,
        inbox: Inbox | None = None,
        *,
        also: Sequence[str] = (),
        say: Callable[[str], None] = lambda text: None,
        clock: Callable[[], float] = time.time,
        waits_seconds: Sequence[float] = WAITS_SECONDS,
    ) -> None:
        """
        Parameters
        ----------
        also : topics of other loggers to subscribe to, beside our own
        say : takes a line for the log; a line that repeats itself is said once
        clock : seconds since 1970, for the time of receipt
        waits_seconds : between attempts, growing; the last one for ever, and at once where the installer must act

        Raises
        ------
        ConfigError : a certificate or key file cannot be used
        """
        self.address = address
        self.inbox = Inbox() if inbox is None else inbox
        self._say = say
        self.topics = (f"{address.root}/+/+/readings", f"{address.root}/+/+/status", *also)
        """What to subscribe to."""
        self._clock = clock
        self._waits = tuple(waits_seconds)
        if address.tls:
            tls_context(address)
        self._protocol = MQTTProtocolVersion.MQTTv5
        self._fell_back = False
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._acks: deque[tuple[int, bytes]] = deque()
        self._states: dict[str, tuple[bytes, bool]] = {}
        self._to_publish: deque[str] = deque()
        self._said = ""
        self._short = 0
        self.will_refused = False
        """The broker takes no will; our own word is said without one."""
        self._last_message: float | None = None
        self.generation = 0
        """Number of the connection; 0 before the first."""
        self.connected = False
        """Whether the broker has accepted us. Says little: ask `last_message_age` as well."""
        self.words = "not connected yet"
        """The state of the link, for people."""
        self.since = time.monotonic()
        """When that began (time.monotonic)."""
        self.refused = False
        """The broker, or our own files, speak against the connection: somebody must act."""
        self.session_kept: bool | None = None
        """Whether the broker had kept our session at the first connection; None before it."""
        self.sessions_lost = 0
        """How often the broker had forgotten our session: messages may be lost each time."""
        self.callback_faults = 0
        """Messages that could not even be put aside; they come again."""
        self.failure: BaseException | None = None
        """Why the thread ended by itself, which is a bug; None while all is well."""

    # ------------------------------------------------------------------ for the service

    def start(self) -> None:
        """Begins, and goes on for ever; the broker may be away."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
            self._thread.start()

    def stop(self, timeout: float = 2 * CONNECT_SECONDS) -> None:
        """Sends what is to be sent, says goodbye and ends; the session stays at the broker."""
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join(timeout)
            self._thread = None
        self._wake_read.close()
        self._wake_write.close()

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    @property
    def last_message_age(self) -> float | None:
        """Seconds since a message came; None before the first."""
        last = self._last_message
        return None if last is None else time.monotonic() - last

    @property
    def protocol(self) -> str:
        return "MQTT 5" if self._protocol == MQTTProtocolVersion.MQTTv5 else "MQTT 3.1.1"

    def ack(self, messages: Sequence[Message]) -> None:
        """Acknowledges what is committed, in order; what came over an older connection is left out."""
        generation = self.generation
        mids = [one.mid for one in parts_of(messages) if one.generation == generation and one.qos == 1]
        if mids:
            # PUBACK without a reason code means success and has the same four bytes in MQTT 5 and 3.1.1.
            self._acks.append((generation, b"".join([_PUBACK(0x40, 2, mid) for mid in mids])))
            self._wake()

    def publish_state(self, topic_tail: str, payload: bytes, retain: bool = True) -> None:
        """Publishes under ROOT/topic_tail at QoS 1. A newer state of a topic replaces one still waiting; after a
        reconnect the newest of each retained topic is published again."""
        topic = f"{self.address.root}/{topic_tail}"
        self._states[topic] = (payload, retain)
        self._to_publish.append(topic)
        self._wake()

    # ------------------------------------------------------------------ the thread

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            self._wake_write.send(b"\0")

    def _run(self) -> None:
        try:
            attempt = 0
            while not self._stopping.is_set():
                connection = Connection(self)
                connection.run()
                self._ended(connection)
                if connection.retry_at_once:
                    continue
                if connection.lasted >= STEADY_SECONDS:
                    attempt = 0
                wait = self._waits[-1 if connection.installer_must_act else min(attempt, len(self._waits) - 1)]
                attempt += 1
                self._stopping.wait(wait)
                if connection.overflowed:
                    self._drain()
        except BaseException as exc:
            self.failure = exc
            raise
        finally:
            self.connected = False

    def _ended(self, connection: Connection) -> None:
        if connection.accepted:
            self.inbox.set_aside()
        if self.connected:
            self.connected = False
            self.since = time.monotonic()
        if self._stopping.is_set():
            self.words = "stopped"
            return
        self.refused = connection.installer_must_act
        self.tell(connection.words or self._lost_words(connection))
        if connection.protocol_refused and not self._fell_back:
            self._fell_back = True
            self._protocol = MQTTProtocolVersion.MQTTv311
            connection.retry_at_once = True
        elif connection.silent and not self._fell_back:
            # Some brokers hang up on a protocol they do not know. Alternate, and keep what works.
            v5 = self._protocol == MQTTProtocolVersion.MQTTv5
            self._protocol = MQTTProtocolVersion.MQTTv311 if v5 else MQTTProtocolVersion.MQTTv5
        elif not self._fell_back:
            self._protocol = MQTTProtocolVersion.MQTTv5

    def _lost_words(self, connection: Connection) -> str:
        self._short = self._short + 1 if connection.lasted < SHORT_SECONDS else 0
        if connection.accepted and self._short >= 3:
            # Many brokers do not say why.
            return (
                f"the broker at {self.address} takes us and hangs up, again and again. If another client has our "
                f'client id "{self.address.client_id}", stop it, or give it another one.'
            )
        return f"the connection to the broker at {self.address} was lost; trying again"

    def _drain(self) -> None:
        """After an overflow: no new messages until the worker has shown that it takes some."""
        takes = self.inbox.takes
        while not self._stopping.wait(0.1):
            if self.inbox.half_empty and self.inbox.takes != takes:
                return

    def tell(self, text: str) -> None:
        """Changes the words of the link; says each once until they change."""
        self.words = text
        if text != self._said:
            self._said = text
            self._say(text)

    def accept(self, session_present: bool) -> None:
        """A connection stands (network thread)."""
        first = self.generation == 0
        if first:
            self.session_kept = session_present
        self.refused = False
        self.generation += 1
        self.since = time.monotonic()
        if not session_present:
            self.inbox.give_back()
        self.connected = True
        old = "" if self._protocol == MQTTProtocolVersion.MQTTv5 else ", which speaks only MQTT 3.1.1"
        self.tell(f"connected to the broker at {self.address}{old}")
        if not session_present and not first:
            self.sessions_lost += 1
            self._say(
                f"the broker at {self.address} had forgotten our session: readings sent meanwhile may be lost. "
                "Set `persistence true` and a short `autosave_interval` there."
            )

    def put(self, mid: int, topic: str, payload: bytes, retain: bool, qos: int) -> bool:
        """A message came (network thread); False when the inbox is full."""
        self._last_message = time.monotonic()
        return self.inbox.put(Message(self.generation, mid, topic, payload, retain, self._clock() * 1000.0, qos))

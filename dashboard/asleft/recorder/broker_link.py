"""The recorder's connection to the broker: MQTT 5 with a persistent session, MQTT 3.1.1 where 5 is refused.

A thin shell round paho-mqtt, whose own thread does the network. Every callback catches whatever is raised in it,
because an exception there ends that thread while the client still says it is connected; `maintain` does the rest.
"""

from __future__ import annotations

import logging
import random
import ssl
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import paho.mqtt.client as mqtt
from asleft.recorder.outage import Outage, Repeats
from asleft.wire.broker_words import lost_words, unreachable_words
from asleft.wire.topics import is_own_topic
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

log = logging.getLogger(__name__)

KEEPALIVE_S = 20
SESSION_EXPIRY_S = 7 * 24 * 3600
RECEIVE_MAXIMUM = 200
"""Messages the broker may have under way to us, unacknowledged."""
STEADY_S = 10.0
"""A connection that has lasted so long ends what was wrong before; one that comes and goes does not."""
HANDSHAKE_S = 3.0
"""A broker that takes the connection and says nothing for so long does not speak the protocol version."""
_NAMES = {mqtt.MQTTv5: "MQTT 5", mqtt.MQTTv311: "MQTT 3.1.1"}


@dataclass(frozen=True, slots=True)
class BrokerAccess:
    """How the broker is told who we are, and we who it is; all absent for a broker on loopback that asks nothing."""

    ca_file: Path | None = None
    """Certificate (PEM) of the authority that signed the broker's; with it TLS, else plain."""
    certificate_file: Path | None = None
    """Our own certificate; always together with `key_file`."""
    key_file: Path | None = None
    """The private key of `certificate_file`."""
    username: str = ""
    """For a broker that asks for names and passwords."""
    password_file: Path | None = None
    """File whose first line is the password."""
    websocket_path: str = ""
    """Path of a broker that is reached by WebSockets, as "/mqtt"; empty for plain MQTT."""

    def context(self) -> ssl.SSLContext | None:
        """TLS 1.2 or later, the broker's certificate and name checked; None without `ca_file`.

        Raises:
            OSError: a file cannot be read or is no certificate or key.
        """
        if self.ca_file is None:
            return None
        context = ssl.create_default_context(cafile=self.ca_file)
        if self.certificate_file is not None:
            context.load_cert_chain(self.certificate_file, self.key_file)
        return context

    def name(self) -> str:
        """Who the broker takes us for: the common name of our certificate, else the user name; empty if unknown."""
        if self.certificate_file is None or self.key_file is None or self.ca_file is None:
            return self.username
        try:
            return _common_name(self.certificate_file, self.key_file, self.ca_file)
        except OSError:
            return self.username

    def password(self) -> str | None:
        """First line of the password file. Raises `OSError`."""
        if self.password_file is None:
            return None
        return next(iter(self.password_file.read_text(encoding="utf-8").splitlines()), "")


def _common_name(certificate: Path, key: Path, authority: Path) -> str:
    """The common name in a certificate: a handshake with ourselves, since only the other side is told the subject.

    Raises `OSError` for a certificate that the authority has not signed.
    """
    shows, asks = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    shows.check_hostname, shows.verify_mode, asks.verify_mode = False, ssl.CERT_NONE, ssl.CERT_REQUIRED
    asks.load_verify_locations(authority)
    for context in (shows, asks):
        context.load_cert_chain(certificate, key)
    to_asker, to_shower = ssl.MemoryBIO(), ssl.MemoryBIO()
    sides = [shows.wrap_bio(to_shower, to_asker), asks.wrap_bio(to_asker, to_shower, server_side=True)]
    for side in (*sides, *sides, sides[1]):
        with suppress(ssl.SSLWantReadError):
            side.do_handshake()
    subject: Any = (sides[1].getpeercert() or {}).get("subject", ())
    return next((str(value) for part in subject for what, value in part if what == "commonName"), "")


class Listener(Protocol):
    """Who is told what happens; called from the network thread."""

    def connected(self) -> None:
        """A connection is up."""
        ...

    def disconnected(self) -> None:
        """The connection is gone."""
        ...

    def message(self, topic: str, payload: bytes, packet: int) -> None:
        """A message; it is to be acknowledged by its packet id, on this connection only."""
        ...


class BrokerLink:
    """Keeps one session with a broker. Give it a listener with `start`, and call `maintain` every second or so."""

    def __init__(
        self,
        host: str,
        port: int,
        client_id: str,
        topics: Sequence[str],
        access: BrokerAccess | None = None,
        *,
        clean: bool = False,
    ) -> None:
        """`clean`: the broker is to keep neither subscriptions nor messages for us while we are away.

        Raises `OSError` if a file of `access` cannot be used.
        """
        self._clean = clean
        self.host, self.port = host, port
        access = access or BrokerAccess()
        self._tls = access.context()
        self._username, self._password = access.username, access.password()
        self._websocket_path = access.websocket_path
        self.client_id = client_id
        self.connected = False
        self.reconnects = 0
        self.callback_failures = 0
        self.thread_failures = 0
        self.last_error = "not connected yet"
        self._topics = list(topics)
        self._version = mqtt.MQTTv5
        self._listener: Listener | None = None
        self._client: mqtt.Client | None = None
        self._thread: threading.Thread | None = None
        self._changing = threading.Lock()
        self._other_version = threading.Event()
        self._connected_s = float("-inf")
        self._certificate = access.certificate_file is not None
        self.on_own: Callable[[str, bytes], None] = lambda _topic, _payload: None
        """Who is told what comes on topics in a recorder's own name; called from the network thread."""
        self._outage = Outage(log, f"no connection to the broker at {host}:{port}", time.monotonic)
        self._repeats = Repeats(log, time.monotonic)
        self._opened_s: float | None = None  # when the socket was opened, None once the broker has answered

    @property
    def protocol(self) -> str:
        """The protocol version in use."""
        return _NAMES[self._version]

    def start(self, listener: Listener) -> None:
        """Begin to connect; returns at once. A broker that is not there yet is tried again until it is."""
        self._listener = listener
        self._begin()

    def stop(self) -> None:
        """Disconnect and end the network thread."""
        self._end()

    def maintain(self) -> None:
        """Put right what went wrong since the last call: a refused version, a silent broker, a dead thread."""
        if self.connected and time.monotonic() - self._connected_s > STEADY_S:
            self._outage.over()
        waited_s = 0.0 if self._opened_s is None else time.monotonic() - self._opened_s
        if self._other_version.is_set() or waited_s > HANDSHAKE_S:
            self._other_version.clear()
            self._version = mqtt.MQTTv311 if self._version == mqtt.MQTTv5 else mqtt.MQTTv5
            self._repeats.happened(("version",), f"trying the broker with {self.protocol}")
            self.restart()
        elif self._thread is not None and not self._thread.is_alive():
            self.thread_failures += 1
            self._repeats.happened(("thread",), "the network thread has ended; starting another one")
            self.restart()

    def restart(self) -> None:
        """Drop the connection and make a new one; the session at the broker stays."""
        self._end()
        self._begin()

    def listen(self, topic: str) -> None:
        """Subscribe to one more topic, now and on every further connection."""
        self._topics = [*(one for one in self._topics if one != topic), topic]
        client = self._client
        if client is not None and self.connected:
            client.subscribe(topic, 1)

    def stop_listening(self, topic: str) -> None:
        """Take a subscription back."""
        self._topics = [one for one in self._topics if one != topic]
        client = self._client
        if client is not None and self.connected:
            client.unsubscribe(topic)

    def acknowledge(self, packet: int) -> None:
        """Acknowledge a message to the broker."""
        client = self._client
        if client is not None:
            client.ack(packet, 1)

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish retained, at most once (QoS 0): else words of a lost connection would be said again on the next."""
        client = self._client
        if client is not None:
            client.publish(topic, payload, qos=0, retain=True)

    def say(self, topic: str, payload: bytes) -> None:
        """Publish once, not retained, at most once (QoS 0)."""
        client = self._client
        if client is not None:
            client.publish(topic, payload, qos=0)

    def _begin(self) -> None:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            transport="websockets" if self._websocket_path else "tcp",
            protocol=self._version,
            manual_ack=True,
            clean_session=None if self._version == mqtt.MQTTv5 else self._clean,
        )
        client.max_queued_messages_set(100_000)
        if self._websocket_path:
            client.ws_set_options(self._websocket_path)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        if self._username:
            client.username_pw_set(self._username, self._password)
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        self._jitter(client)
        if self._version == mqtt.MQTTv5:
            wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            wanted.SessionExpiryInterval = 0 if self._clean else SESSION_EXPIRY_S
            wanted.ReceiveMaximum = RECEIVE_MAXIMUM
            client.connect_async(self.host, self.port, KEEPALIVE_S, clean_start=self._clean, properties=wanted)
        else:
            client.connect_async(self.host, self.port, KEEPALIVE_S)
        with self._changing:
            self._client = client
            before = set(threading.enumerate())
            client.loop_start()
            self._thread = next((one for one in threading.enumerate() if one not in before), None)

    def _end(self) -> None:
        with self._changing:
            client, self._client, self._thread = self._client, None, None
        if client is None:
            return
        client.disconnect()
        client.loop_stop()
        self._down()
        self._opened_s = None

    def _jitter(self, client: mqtt.Client) -> None:
        """Draw the next waits anew, lest two sides that wait for one another stay in anti-phase."""
        client.reconnect_delay_set(min_delay=random.uniform(0.2, 0.8), max_delay=random.uniform(1.5, 2.5))  # type: ignore[arg-type]

    def _down(self) -> None:
        if self.connected:
            self.connected = False
            if self._listener is not None:
                self._listener.disconnected()

    # ------------------------------------------------------------- callbacks, in the network thread

    def _on_socket_open(self, client: mqtt.Client, _userdata: object, _sock: object) -> None:
        if client is self._client:
            self._opened_s = time.monotonic()

    def _on_connect(
        self, client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        try:
            if client is not self._client:
                return
            self._opened_s = None
            if reason.is_failure:
                self.last_error = f"the broker refused the connection: {self._lost_words(reason, welcomed=False)}"
                self._outage.failed(self.last_error)
                if str(reason) == "Unsupported protocol version":
                    self._other_version.set()
                return
            self.connected = True
            self.reconnects += 1
            self.last_error = ""
            self._connected_s = time.monotonic()
            if self._outage.since_s is None:
                log.info("connected to the broker at %s:%d with %s", self.host, self.port, self.protocol)
            client.subscribe([(topic, 1) for topic in self._topics])
            if self._listener is not None:
                self._listener.connected()
        except Exception as error:  # noqa: BLE001 - see the module's text
            self._failed("after connecting", error)

    def _on_connect_fail(self, _client: mqtt.Client, _userdata: object) -> None:
        self.last_error = unreachable_words(sys.exc_info()[1])  # paho calls this while it handles the error
        self._outage.failed(self.last_error)

    def _on_disconnect(
        self, client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        try:
            if client is not self._client:
                return
            welcomed = self.connected
            if self._opened_s is not None:  # closed before it answered: brokers do that to a version they do not know
                self._opened_s = None
                self._other_version.set()
            self.last_error = f"the connection was lost: {self._lost_words(reason, welcomed=welcomed)}"
            self._outage.failed(self.last_error)
            self._down()
            self._jitter(client)
        except Exception as error:  # noqa: BLE001 - see the module's text
            self._failed("after the connection was lost", error)

    def _on_message(self, client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        try:
            if client is not self._client or self._listener is None:
                return
            if is_own_topic(message.topic):
                if message.qos:
                    client.ack(message.mid, message.qos)
                self.on_own(message.topic, bytes(message.payload))
            else:
                self._listener.message(message.topic, bytes(message.payload), message.mid)
        except Exception as error:  # noqa: BLE001 - see the module's text
            self._failed("on a message", error)

    def _lost_words(self, reason: ReasonCode, *, welcomed: bool) -> str:
        tls = self._tls is not None
        return lost_words(str(reason), tls=tls, certificate=self._certificate, welcomed=welcomed, client="recorder")

    def _failed(self, when: str, error: Exception) -> None:
        self.callback_failures += 1
        self.last_error = f"failed {when}: {error}"
        if self.callback_failures == 1:
            log.error("failed %s", when, exc_info=error)
        else:
            self._repeats.happened(("callback", when), self.last_error)

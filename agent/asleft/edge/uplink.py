"""One connection to the broker. The only module that knows the MQTT library.

Everything runs on the caller's thread: `pump` does the network's work, so there is no second thread that could die
unnoticed while the connection still looks alive. A connection that is lost is thrown away and a new one made, with
an empty queue: what was in it is still in the spool.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable

import paho.mqtt.client as mqtt
from asleft.instruments.broker import BrokerFilesError, BrokerSettings, prepare_connection, transport
from asleft.wire.broker_words import lost_words, too_large_words, unreachable_words
from asleft.wire.topics import ack_topic, block_topic, state_topic
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

logger = logging.getLogger(__name__)

_CONNECT_TIMEOUT_S = 5.0
_WELCOME_TIMEOUT_S = 3.0
_MOST_QUEUED = 100_000  # far above the window; 0 for "no limit" is broken in several releases
_IN_FLIGHT = 200
_MOST_HEADER_BYTES = 256
"""More than a packet of ours takes beside its payload: topic (at most 80 bytes), lengths, properties."""
_NO_MATCHING_SUBSCRIBERS = 0x10  # MQTT 5.0, 3.4.2.1


class SessionLost(Exception):  # noqa: N818 - reads as what it says
    """The connection is gone or was never made.

    `speech` is true if the broker was there and hung up before it welcomed us, as one does that does not speak this
    version of MQTT.
    """

    def __init__(self, sentence: str, *, speech: bool = False) -> None:
        self.speech = speech
        super().__init__(sentence)


class BrokerSession:
    """One connection, from connecting to loss. For one thread."""

    def __init__(
        self, settings: BrokerSettings, agent: str, will: bytes, on_ack: Callable[[bytes], None], *, mqtt5: bool
    ) -> None:
        """`will` is the state the broker publishes for us when we vanish; `on_ack` takes acknowledgements' bytes."""
        self._settings = settings
        self._agent = agent
        self._on_ack = on_ack
        self._welcomed = False
        self._refusal = ""
        self._lost = ""
        self._waiting: deque[tuple[str, bytes, bool]] = deque()  # topic, payload, whether retained
        self._under_way: set[int] = set()
        self._most_under_way = _IN_FLIGHT
        self.last_taken_s = time.monotonic()
        """When the broker last took a message from us."""
        self.refused = ""
        """Why the broker took our messages but does not pass them on; empty when it does."""
        self.unheard = False
        """Whether the broker said of the last message that nobody has asked for it (only MQTT 5 tells)."""
        self.too_large = ""
        """What was not sent because the broker had told that it takes no packet of this size; empty for nothing."""
        self._most_bytes: int | None = None  # of a packet, as the broker told
        self._largest_bytes = 0  # of what was published on this connection
        self._client = self._make_client(will, mqtt5)

    @property
    def in_flight(self) -> int:
        """Messages handed over that the broker has not yet taken."""
        return len(self._waiting) + len(self._under_way)

    def open(self) -> None:
        """Connect and wait for the broker's welcome. Raises `SessionLost`."""
        where = f"{self._settings.host}:{self._settings.port}"
        try:
            self._client.connect(self._settings.host, self._settings.port, self._settings.keepalive_s)
        except (OSError, ValueError) as error:
            words = unreachable_words(error) if isinstance(error, OSError) else str(error)
            raise SessionLost(f"broker {where}: {words}") from error
        until_s = time.monotonic() + _WELCOME_TIMEOUT_S
        while not self._welcomed:
            if self._refusal:
                raise SessionLost(
                    f"broker {where} refuses: {self._refusal}", speech="version" in self._refusal.lower()
                )
            if time.monotonic() > until_s:
                raise SessionLost(f"broker {where} does not answer", speech=True)
            try:
                self.pump(0.1)
            except SessionLost as error:
                if self._refusal:
                    continue
                raise SessionLost(f"broker {where}: {error}", speech=True) from error

    def pump(self, timeout_s: float) -> None:
        """Do the network's work for up to `timeout_s`, less if something arrives. Raises `SessionLost`."""
        self._publish_waiting()
        try:
            outcome = self._client.loop(timeout_s)
        except OSError as error:
            raise SessionLost(str(error)) from error
        if outcome != MQTTErrorCode.MQTT_ERR_SUCCESS or self._lost:
            raise SessionLost(self._lost or mqtt.error_string(outcome))

    def send_upload(self, payload: bytes) -> None:
        """Hand over a block or gap; one that the broker would hang up on is kept back. Raises `SessionLost`."""
        needs_bytes = len(payload) + _MOST_HEADER_BYTES
        if self._most_bytes is not None and needs_bytes > self._most_bytes:
            self.too_large = too_large_words(needs_bytes, self._most_bytes)
            return
        self._waiting.append((block_topic(self._agent), payload, False))
        self._publish_waiting()

    def send_state(self, payload: bytes) -> None:
        """Publish our state, retained, before the blocks that wait. Raises `SessionLost`."""
        self._waiting.appendleft((state_topic(self._agent), payload, True))
        self._publish_waiting()

    def close(self, last_state: bytes | None = None) -> None:
        """Say goodbye, so that the broker does not publish the will; `last_state` is published before."""
        if last_state is not None and self._client.is_connected():
            try:
                self.send_state(last_state)
                for _ in range(10):
                    self.pump(0.05)
            except SessionLost as error:
                logger.info("goodbye was not heard: %s", error)
        self._client.disconnect()

    def _publish_waiting(self) -> None:
        """As many as the broker takes at a time; the library itself does not keep to what a broker of MQTT 5 says."""
        while self._waiting and len(self._under_way) < self._most_under_way:
            if not self._under_way:  # the broker's time to take something begins now
                self.last_taken_s = time.monotonic()
            topic, payload, retain = self._waiting.popleft()
            self._under_way.add(self._publish(topic, payload, retain=retain))

    def _publish(self, topic: str, payload: bytes, *, retain: bool) -> int:
        self._largest_bytes = max(self._largest_bytes, len(payload))
        try:
            info = self._client.publish(topic, payload, qos=1, retain=retain)
        except (OSError, ValueError) as error:
            raise SessionLost(f"publishing failed: {error}") from error
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise SessionLost(f"publishing failed: {mqtt.error_string(info.rc)}")
        return info.mid

    def _make_client(self, will: bytes, mqtt5: bool) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"asleft-agent-{self._agent}",
            transport=transport(self._settings),
            clean_session=None if mqtt5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_TIMEOUT_S
        client.max_queued_messages_set(_MOST_QUEUED)
        client.max_inflight_messages_set(_IN_FLIGHT)
        client.will_set(state_topic(self._agent), will, qos=1, retain=True)
        try:
            prepare_connection(client, self._settings)
        except BrokerFilesError as error:
            raise SessionLost(str(error)) from error
        client.on_connect = self._when_connected
        client.on_disconnect = self._when_disconnected
        client.on_message = self._when_message
        client.on_publish = self._when_taken
        return client

    # Callbacks, called from within `pump`. None of them may raise: paho would leave its state half changed.

    def _when_connected(
        self, client: mqtt.Client, _d: object, _f: object, code: ReasonCode, said: Properties | None
    ) -> None:
        if code.is_failure:
            self._refusal = self._words(code, welcomed=False)
            return
        # Limits of MQTT 5.0, 3.2.2.3; whoever breaks one is hung up on.
        self._most_under_way = min(_IN_FLIGHT, getattr(said, "ReceiveMaximum", _IN_FLIGHT))
        self._most_bytes = getattr(said, "MaximumPacketSize", None)
        client.subscribe(ack_topic(self._agent), qos=1)
        self._welcomed = True

    def _when_disconnected(self, _client: mqtt.Client, _d: object, _f: object, code: ReasonCode, _m: object) -> None:
        self._lost = f"the connection ended: {self._words(code, welcomed=self._welcomed)}"

    def _words(self, code: ReasonCode, *, welcomed: bool) -> str:
        settings = self._settings
        tls, certificate = settings.ca_file is not None, settings.certificate_file is not None
        return lost_words(
            str(code), tls=tls, certificate=certificate, welcomed=welcomed, client="agent", bytes_=self._largest_bytes
        )

    def _when_message(self, _client: mqtt.Client, _d: object, message: mqtt.MQTTMessage) -> None:
        try:
            self._on_ack(bytes(message.payload))
        except Exception:
            logger.exception("an acknowledgement could not be handled")

    def _when_taken(self, _client: mqtt.Client, _d: object, mid: int, code: ReasonCode, _m: object) -> None:
        self._under_way.discard(mid)
        self.last_taken_s = time.monotonic()
        # Nobody listening at the moment is no refusal; it is the recorder's mark that counts.
        self.unheard = code.value == _NO_MATCHING_SUBSCRIBERS
        self.refused = str(code) if code.is_failure else ""

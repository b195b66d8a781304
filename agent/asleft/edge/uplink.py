"""One connection to the broker. The only module that knows the MQTT library.

Everything runs on the caller's thread: `pump` does the network's work, so there is no second thread that could die
unnoticed while the connection still looks alive. A connection that is lost is thrown away and a new one made, with
an empty queue: what was in it is still in the spool.
"""

from __future__ import annotations

import logging
import ssl
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from asleft.edge.config import BrokerSettings
from asleft.wire.topics import ack_topic, block_topic, state_topic
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

logger = logging.getLogger(__name__)

_CONNECT_TIMEOUT_S = 5.0
_WELCOME_TIMEOUT_S = 3.0
_MOST_QUEUED = 100_000  # far above the window; 0 for "no limit" is broken in several releases
_IN_FLIGHT = 200


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
        self._sent: set[int] = set()
        self.last_taken_s = time.monotonic()
        """When the broker last took a message from us."""
        self.refused = ""
        """Why the broker took our messages but does not pass them on; empty when it does."""
        self._client = self._make_client(will, mqtt5)

    @property
    def in_flight(self) -> int:
        """Blocks handed over that the broker has not yet taken."""
        return len(self._sent)

    def open(self) -> None:
        """Connect and wait for the broker's welcome. Raises `SessionLost`."""
        where = f"{self._settings.host}:{self._settings.port}"
        try:
            self._client.connect(self._settings.host, self._settings.port, self._settings.keepalive_s)
        except (OSError, ValueError) as error:
            raise SessionLost(f"broker {where}: {error}") from error
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
        try:
            outcome = self._client.loop(timeout_s)
        except OSError as error:
            raise SessionLost(str(error)) from error
        if outcome != MQTTErrorCode.MQTT_ERR_SUCCESS or self._lost:
            raise SessionLost(self._lost or mqtt.error_string(outcome))

    def send_upload(self, payload: bytes) -> None:
        """Hand over a block or gap. Raises `SessionLost`."""
        if not self._sent:  # the broker's time to take something begins now
            self.last_taken_s = time.monotonic()
        self._sent.add(self._publish(block_topic(self._agent), payload, retain=False))

    def send_state(self, payload: bytes) -> None:
        """Publish our state, retained. Raises `SessionLost`."""
        self._publish(state_topic(self._agent), payload, retain=True)

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

    def _publish(self, topic: str, payload: bytes, *, retain: bool) -> int:
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
            clean_session=None if mqtt5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_TIMEOUT_S
        client.max_queued_messages_set(_MOST_QUEUED)
        client.max_inflight_messages_set(_IN_FLIGHT)
        client.will_set(state_topic(self._agent), will, qos=1, retain=True)
        if self._settings.username:
            client.username_pw_set(self._settings.username, _password(self._settings.password_file))
        if self._settings.ca_file is not None:
            client.tls_set_context(tls_context(self._settings))
        client.on_connect = self._when_connected
        client.on_disconnect = self._when_disconnected
        client.on_message = self._when_message
        client.on_publish = self._when_taken
        return client

    # Callbacks, called from within `pump`. None of them may raise: paho would leave its state half changed.

    def _when_connected(self, client: mqtt.Client, _d: object, _f: object, code: ReasonCode, _m: object) -> None:
        if code.is_failure:
            self._refusal = str(code)
            return
        client.subscribe(ack_topic(self._agent), qos=1)
        self._welcomed = True

    def _when_disconnected(self, _client: mqtt.Client, _d: object, _f: object, code: ReasonCode, _m: object) -> None:
        self._lost = f"the connection ended: {code}"

    def _when_message(self, _client: mqtt.Client, _d: object, message: mqtt.MQTTMessage) -> None:
        try:
            self._on_ack(bytes(message.payload))
        except Exception:
            logger.exception("an acknowledgement could not be handled")

    def _when_taken(self, _client: mqtt.Client, _d: object, mid: int, code: ReasonCode, _m: object) -> None:
        self._sent.discard(mid)
        self.last_taken_s = time.monotonic()
        # 0x10 only says that nobody listens at the moment; it is the recorder's mark that counts.
        self.refused = str(code) if code.is_failure else ""


def tls_context(settings: BrokerSettings) -> ssl.SSLContext:
    """TLS 1.2 or later, the broker's certificate and name checked; made anew for every connection, as files change.

    Raises `SessionLost` naming the files if they cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
        if settings.certificate_file is not None:
            context.load_cert_chain(settings.certificate_file, settings.key_file)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        names = ", ".join(
            str(file) for file in (settings.ca_file, settings.certificate_file, settings.key_file) if file
        )
        raise SessionLost(f"the files for TLS ({names}) cannot be used: {error}") from error
    return context


def _password(file: Path | None) -> str | None:
    """First line of the password file; read anew for every connection, so that it can be changed while we run."""
    if file is None:
        return None
    try:
        lines = file.read_text().splitlines()
    except OSError as error:
        raise SessionLost(f"password file: {error}") from error
    return lines[0] if lines else ""

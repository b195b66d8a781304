"""A connection to an MQTT broker that only says things: kept up by a thread of its own, with a will."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import paho.mqtt.client as mqtt
from asleft.outlets.settings import Broker
from asleft.wire.broker_words import unreachable_words
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

log = logging.getLogger(__name__)

KEEPALIVE_S = 20
MOST_QUEUED = 2000


@dataclass(frozen=True, slots=True)
class Message:
    """What is said, and where."""

    topic: str
    payload: bytes
    retain: bool = False
    qos: int = 1


def _none(*_: object) -> None:
    return None


@dataclass
class Link:
    """One session. `will`: what the broker says when we are gone, asked for before each connection.

    `connected` and `heard` are called from the network's thread; what they raise is logged, because an exception
    there would end the thread.
    """

    broker: Broker
    client_id: str
    will: Callable[[], Message]
    connected: Callable[[], None] = _none
    heard: Callable[[str, bytes], None] = _none
    filters: tuple[str, ...] = ()
    up: bool = field(default=False, init=False)
    _client: mqtt.Client | None = field(default=None, init=False)

    def start(self) -> None:
        """Connect, and again whenever it is lost. Raises `OSError` if a file of the settings cannot be used."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, self.client_id, clean_session=True, protocol=mqtt.MQTTv311)
        context = self.broker.access.context()
        if context is not None:
            client.tls_set_context(context)
        if self.broker.access.username:
            client.username_pw_set(self.broker.access.username, self.broker.access.password())
        client.max_queued_messages_set(MOST_QUEUED)
        client.reconnect_delay_set(1, 60)
        client.on_pre_connect = self._before
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        self._client = client
        client.connect_async(self.broker.host, self.broker.port, KEEPALIVE_S)
        client.loop_start()

    def say(self, message: Message) -> bool:
        """Hand a message over; False, and nothing is kept, while there is no connection."""
        if self._client is None or not self.up:
            return False
        done = self._client.publish(message.topic, message.payload, message.qos, message.retain)
        return done.rc == mqtt.MQTT_ERR_SUCCESS

    def stop(self, last: Message | None = None) -> None:
        """Say a last thing and go, so that the broker has no need of the will."""
        if self._client is None:
            return
        if last is not None and self.up:
            self._client.publish(last.topic, last.payload, last.qos, last.retain).wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()
        self.up = False

    def _before(self, client: mqtt.Client, _userdata: object) -> None:
        will = self.will()
        client.will_set(will.topic, will.payload, will.qos, will.retain)

    def _on_connect(
        self, client: mqtt.Client, _userdata: object, _flags: object, code: ReasonCode, _more: object
    ) -> None:
        if code.is_failure:
            log.warning("%s:%d refuses: %s", self.broker.host, self.broker.port, code)
            return
        for one in self.filters:
            client.subscribe(one, 1)
        self.up = True
        log.info("connected to %s:%d", self.broker.host, self.broker.port)
        self._guarded(self.connected)

    def _on_fail(self, _client: mqtt.Client, _userdata: object) -> None:
        # Called while the error is being handled: it says what is the matter.
        log.warning("%s:%d: %s", self.broker.host, self.broker.port, unreachable_words(sys.exc_info()[1]))

    def _on_disconnect(self, _client: mqtt.Client, *_: object) -> None:
        if self.up:
            log.warning("%s:%d: the connection is lost", self.broker.host, self.broker.port)
        self.up = False

    def _on_message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        self._guarded(self.heard, message.topic, message.payload)

    def _guarded(self, call: Callable[..., None], *given: object) -> None:
        try:
            call(*given)
        except Exception:
            log.exception("a message of the broker could not be worked on")

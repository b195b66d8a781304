"""Values that a gateway publishes by MQTT, as a feed. It subscribes and never publishes.

With the time in the payload the session at the broker is kept, so that what is published while the connection is away
comes afterwards. With the time of arrival that would give old values a new time: then the session begins anew.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Mapping

import paho.mqtt.client as mqtt
from asleft.instruments.broker import BrokerFilesError, prepare_connection, transport
from asleft.instruments.feed import FeedCounts, TimedReading
from asleft.instruments.feed_base import FeedBase, S
from asleft.instruments.json_values import Malformed, find, is_absent, number_of, parse_document, time_of
from asleft.instruments.mqtt_in_settings import MqttInSettings, Place
from asleft.instruments.rows import RowJoiner
from asleft.wire.block import Reason
from asleft.wire.broker_words import lost_words, unreachable_words
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

logger = logging.getLogger(__name__)

_CONNECT_TIMEOUT_S = 5.0
_SETTLE_S = 0.3
_SAY_AGAIN_S = 60.0


class MqttInFeed(FeedBase):
    """See `asleft.instruments.feed.Feed`, which it implements."""

    def __init__(self, settings: MqttInSettings) -> None:
        self._settings = settings
        hold_ns = round(settings.hold_s * S)
        counts = FeedCounts()
        joiners = [
            RowJoiner(
                len(valve.places),
                counts,
                join_ns=round(settings.join_s * S),
                settle_ns=round((settings.join_s + (_SETTLE_S if settings.time is not None else 0.02)) * S),
                hold_ns=[None if place.on_change else hold_ns for place in valve.places],
            )
            for valve in settings.valves
        ]
        super().__init__(settings.name, [valve.form() for valve in settings.valves], counts, joiners)
        self._places: dict[str, list[tuple[int, int, Place]]] = {}
        for index, valve in enumerate(settings.valves):
            for channel, place in enumerate(valve.places):
                self._places.setdefault(place.topic, []).append((index, channel, place))
        self._client: mqtt.Client | None = None
        self._refused: set[str] = set()
        self._heard_ns = [time.monotonic_ns()] * len(self._forms)
        self._said_s = float("-inf")
        self._why = [""] * len(self._forms)  # what is wrong with the newest message of a valve

    @property
    def patience_s(self) -> float:
        """How long the first reading may take."""
        return _CONNECT_TIMEOUT_S + self._settings.silent_s

    def open(self, after_ns: Mapping[str, int]) -> None:
        """Connect in the background; a broker that is not there is tried again."""
        settings = self._settings
        with self._lock:
            self._go_on_after(after_ns)
            self._heard_ns = [time.monotonic_ns()] * len(self._forms)
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            transport=transport(settings.broker),
            clean_session=settings.time is None,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        client.connect_timeout = _CONNECT_TIMEOUT_S
        client.reconnect_delay_set(1, 10)
        try:
            prepare_connection(client, settings.broker)
        except BrokerFilesError as error:
            self._lost(str(error))
            return
        client.on_connect = self._when_connected
        # The library calls this while it handles the error.
        client.on_connect_fail = lambda *_: self._lost(unreachable_words(sys.exc_info()[1]))
        client.on_disconnect = self._when_disconnected
        client.on_subscribe = self._when_subscribed
        client.on_message = self._when_message
        client.connect_async(settings.broker.host, settings.broker.port, settings.broker.keepalive_s)
        client.loop_start()
        self._client = client

    def take(self, index: int) -> list[TimedReading]:
        """Rows that have settled; a marked one a second while nothing comes."""
        now_ns = time.monotonic_ns()
        with self._lock:
            silent = now_ns - self._heard_ns[index] > self._settings.silent_s * S
            # What the broker keeps for us comes later, with its own times.
            waits = bool(self._away) and self._settings.time is not None
            if silent and not waits:
                self._mark(index, Reason.NOT_CONNECTED if self._away else Reason.NO_ANSWER)
            return self._joiners[index].take(now_ns)

    def trouble(self, index: int) -> str:
        """Why nothing comes."""
        if self._away:
            return self._away
        if self._refused:
            return f"the broker refuses {', '.join(sorted(self._refused))}"
        if self._why[index]:
            return self._why[index]
        if (time.monotonic_ns() - self._heard_ns[index]) > self._settings.silent_s * S:
            topics = sorted({place.topic for place in self._settings.valves[index].places})
            return f"nothing is published on {', '.join(topics)}"
        back_s, apart = self._clock(index)
        if back_s:
            return f"the times published were put back: for {back_s:.0f} s values are not taken"
        return f"the times published are {apart} the clock of this box" if apart else ""

    def close(self) -> None:
        """Let go of the connection; the broker keeps what it keeps."""
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            client.loop_stop()

    # Callbacks, on the library's thread. None of them may raise: the thread would end.

    def _when_connected(
        self, client: mqtt.Client, _data: object, _flags: object, code: ReasonCode, _properties: Properties | None
    ) -> None:
        if code.is_failure:
            self._lost(f"the broker refuses: {self._words(code, welcomed=False)}")
            return
        logger.info("%s: connected", self.name)
        with self._lock:
            self._away = ""
            self._refused = set()
            now_ns = time.monotonic_ns()
            self._heard_ns = [now_ns] * len(self._forms)
            if self._settings.time is None:
                # What changed meanwhile was not told, unless it is retained and comes again now.
                for joiner in self._joiners:
                    joiner.forget()
        for topic in self._places:
            client.subscribe(topic, self._settings.qos)

    def _when_subscribed(
        self,
        _client: mqtt.Client,
        _data: object,
        _mid: int,
        codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        if any(code.is_failure for code in codes):
            self._refused.add("a topic (its rules do not let this name read it)")
            logger.error("%s: the broker refuses a topic", self.name)

    def _when_disconnected(
        self, _client: mqtt.Client, _data: object, _flags: object, code: ReasonCode, _properties: Properties | None
    ) -> None:
        if self._client is not None:
            self._lost(f"connection lost: {self._words(code, welcomed=not self._away)}")

    def _words(self, code: ReasonCode, *, welcomed: bool) -> str:
        """What the broker said at the end, and what to look at."""
        broker = self._settings.broker
        tls, certificate = broker.ca_file is not None, broker.certificate_file is not None
        return lost_words(str(code), tls=tls, certificate=certificate, welcomed=welcomed, client="reader")

    def _when_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        try:
            with self._lock:
                self._take_in(message.topic, bytes(message.payload), retained=message.retain)
        except Exception:
            logger.exception("%s: a message on %s", self.name, message.topic)

    def _take_in(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """One message. A retained one is no new reading: it says what held when somebody last looked."""
        wall_ns, now_ns = time.time_ns(), time.monotonic_ns()
        places = self._places.get(topic, [])
        if retained:
            places = [one for one in places if one[2].on_change]
            self.counts.repeated += not places
        try:
            document = parse_document(payload)
            timed = None if retained else self._time_in(document, places)
            at_ns = wall_ns + self._ahead_ns if timed is None else time_of(timed, self._settings.time_form)
            found = [(index, channel, place, find(document, place.path)) for index, channel, place in places]
            if found and all(is_absent(value) for *_, value in found):
                wanted = " or ".join(dict.fromkeys("/" + "/".join(place.path) for _, _, place, _ in found))
                raise Malformed(f"there is no {wanted} in it")
        except Malformed as error:
            self._malformed(topic, places, error, wall_ns, now_ns)
            return
        if timed is not None:
            self._ahead_ns = at_ns - wall_ns
        for index, channel, place, value in found:
            if is_absent(value):
                continue
            number = number_of(value, place.scale, place.offset)
            if retained:
                self._joiners[index].hold(channel, number)
            else:
                self._joiners[index].add(channel, at_ns, number, now_ns)
                self._heard_ns[index] = now_ns
                self._why[index] = ""

    def _time_in(self, document: object, places: list[tuple[int, int, Place]]) -> object:
        """What a message says of its time; None where its arrival counts."""
        if self._settings.time is None:
            return None
        timed = find(document, self._settings.time)
        if is_absent(timed) and all(place.on_change for *_, place in places):
            return None  # what comes on change may come bare
        return timed

    def _malformed(
        self, topic: str, places: list[tuple[int, int, Place]], error: Malformed, wall_ns: int, now_ns: int
    ) -> None:
        self.counts.malformed += 1
        words = f"a message on {topic} cannot be read: {error}"
        if time.monotonic() - self._said_s > _SAY_AGAIN_S:
            self._said_s = time.monotonic()
            logger.warning("%s: %s", self.name, words)
        for index, channel, _ in places:
            self._joiners[index].add(channel, wall_ns + self._ahead_ns, Reason.NOT_FINITE, now_ns)
            self._heard_ns[index] = now_ns
            self._why[index] = words

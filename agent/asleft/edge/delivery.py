"""Sends what the spool holds and takes the recorder's acknowledgements, through any number of connections."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Protocol

from asleft.edge import clock as agent_clock
from asleft.edge.delivery_core import DeliveryCore
from asleft.edge.spool import Spool
from asleft.edge.uplink import SessionLost
from asleft.instruments.backoff import Backoff
from asleft.wire.block import AgentState, Sent
from asleft.wire.broker_words import nobody_words
from asleft.wire.codec import encode_state, with_sent

logger = logging.getLogger(__name__)

STATE_EVERY_S = 5.0
"""How often the agent says how it is, at least."""

_SAY_AGAIN_S = 60.0
_STEADY_S = 10.0
"""A connection that lasts so long is news, and ends the waiting; one that comes and goes is neither."""
_PUMP_S = 0.05
_SILENCE_S = 30.0
_FIRST_WAIT_S = 0.5
_MOST_WAIT_S = 2.5
"""A broker that is back is found within this, and one that is away costs no more than a try every so often."""


class Session(Protocol):
    """What delivery needs of a connection; see `asleft.edge.uplink.BrokerSession`."""

    last_taken_s: float
    refused: str
    unheard: bool
    too_large: str

    @property
    def in_flight(self) -> int:
        """Blocks handed over that the broker has not yet taken."""
        ...

    def open(self) -> None:
        """Connect. Raises `SessionLost`."""
        ...

    def pump(self, timeout_s: float) -> None:
        """Do the network's work. Raises `SessionLost`."""
        ...

    def send_upload(self, payload: bytes) -> None:
        """Hand over a block or gap. Raises `SessionLost`."""
        ...

    def send_state(self, payload: bytes) -> None:
        """Publish the state. Raises `SessionLost`."""
        ...

    def close(self, last_state: bytes | None = None) -> None:
        """Say goodbye."""
        ...


class SessionMaker(Protocol):
    """Makes a connection that is not open yet."""

    def __call__(self, will: bytes, on_ack: Callable[[bytes], None], *, mqtt5: bool) -> Session:
        """`will` is published for us when we vanish, `on_ack` takes acknowledgements' bytes."""
        ...


class Delivery:
    """Runs until `stop` is set. `state` gives the agent's word about itself, online or not."""

    def __init__(
        self,
        spool: Spool,
        make_session: SessionMaker,
        state: Callable[[bool], AgentState],
        stop: threading.Event,
        random: Callable[[], float],
        clock: Callable[[], float] = time.monotonic,
        boot_id: str = "",
    ) -> None:
        self._boot_id = boot_id
        self._make_session = make_session
        self._state = state
        self._stop = stop
        self._clock = clock
        self._backoff = Backoff(_FIRST_WAIT_S, _MOST_WAIT_S, random)
        self._core = DeliveryCore(spool, random, clock(), stamp=self._stamp, begin_anew=spool.begin_anew)
        self._mqtt5 = True
        self._was_connected: bool | None = None
        self._said_s: float | None = None  # when a loss was last said; None while the connection is steady
        self._refused = ""
        self._agent = spool.agent
        self._unheard = False
        self._lost = ""  # why the last connection ended; empty while one holds
        self._too_large = ""
        self.connections = 0
        """Connections made since the start."""
        self.alive_at_s = clock()
        """Last sign of life of this thread, for a watchdog."""

    @property
    def go_backs(self) -> int:
        """Times everything unacknowledged was sent again for lack of progress."""
        return self._core.go_backs

    @property
    def connected(self) -> bool:
        """Whether there is a connection to the broker."""
        return self._was_connected is True

    @property
    def alarm(self) -> str:
        """An acknowledgement, a refusal or a standstill that needs a person; empty when there is none."""
        standstill = self._core.stalled(self._clock())
        if standstill:
            words = nobody_words(
                self._agent,
                connected=self.connected,
                unheard=self._unheard,
                lost=self._lost,
                too_large=self._too_large,
            )
            standstill += f"; {words}"
        return "; ".join(text for text in (self._refused, self._core.alarm, standstill) if text)

    def run(self) -> None:
        """Connect, deliver, and after a loss wait a jittered while and connect again."""
        while not self._stop.is_set():
            self.alive_at_s = self._clock()
            try:
                self._one_connection()
            except SessionLost as lost:
                if lost.speech:
                    self._mqtt5 = not self._mqtt5
                self._was_connected = False
                self._lost = str(lost)
                if self._said_s is None or self._clock() - self._said_s >= _SAY_AGAIN_S:
                    self._said_s = self._clock()
                    logger.warning("%s; blocks wait in the spool, and this is said once a minute", lost)
            except Exception:
                logger.exception("delivery failed, connecting anew")
                self._was_connected = False
            self._core.disconnected()
            self._stop.wait(self._backoff.next_s())

    def _one_connection(self) -> None:
        session = self._make_session(encode_state(self._state(False)), self._on_ack, mqtt5=self._mqtt5)
        last_state = None
        try:
            session.open()
            self.connections += 1
            if self._said_s is None:
                self._backoff.reset()
                logger.info("connected to the broker with MQTT %s", "5" if self._mqtt5 else "3.1.1")
            self._was_connected = True
            self._deliver(session)
            last_state = encode_state(self._state(False))
        finally:
            session.close(last_state)

    def _deliver(self, session: Session) -> None:
        self._core.connected(self._clock())
        state_due_s = began_s = self._clock()
        while not self._stop.is_set():
            now_s = self.alive_at_s = self._clock()
            if now_s - began_s >= _STEADY_S:
                self._lost = ""
            if self._said_s is not None and now_s - began_s >= _STEADY_S:
                self._said_s = None
                self._backoff.reset()
                logger.info("connected to the broker again, with MQTT %s", "5" if self._mqtt5 else "3.1.1")
            if now_s >= state_due_s:
                session.send_state(encode_state(self._state(True)))
                state_due_s = now_s + STATE_EVERY_S
            sent = self._core.send(session, now_s)
            session.pump(0.0 if sent else _PUMP_S)
            self._unheard, self._too_large = session.unheard, session.too_large
            self._refused = f"the broker does not accept blocks: {session.refused}" if session.refused else ""
            if session.in_flight and self._clock() - session.last_taken_s > _SILENCE_S:
                raise SessionLost(f"the broker has taken nothing for {_SILENCE_S:g} s")

    def _stamp(self, payload: bytes, echo_ns: int, held_s: float) -> bytes:
        held_ns = round(held_s * 1e9)
        sent = Sent(agent_clock.wall_ns(), agent_clock.monotonic_ns(), self._boot_id, echo_ns, held_ns)
        return with_sent(payload, sent)

    def _on_ack(self, payload: bytes) -> None:
        self._core.take(payload, self._clock())

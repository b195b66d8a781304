"""The edge node at a broker. Commands come on the network's thread, rounds on another: a lock keeps them apart."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from threading import Lock

from asleft.outlets.events import SILENT_AFTER_S
from asleft.outlets.link import Link, Message
from asleft.outlets.plant import Plant
from asleft.outlets.settings import SparkplugSettings
from asleft.outlets.sparkplug.metrics import Metric, commands_in, of_valve
from asleft.outlets.sparkplug.node import Node
from asleft.store.outbox import Outbox
from asleft.web.app import installed_version
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)

REBIRTH_EVERY_S = 1.0
"""Births asked for in a row come no faster; the last that was asked for comes all the same, with the next round."""


@dataclass
class Sparkplug:
    """Says births, changes and deaths. `clock_ns` is unix ns."""

    settings: SparkplugSettings
    outbox: Outbox
    clock_ns: Callable[[], int] = time.time_ns
    node: Node = field(init=False)
    link: Link = field(init=False)
    _lock: Lock = field(default_factory=Lock, init=False)
    _devices: dict[str, list[Metric]] | None = field(default=None, init=False)  # None: nobody has looked yet
    _asked: bool = field(default=False, init=False)  # a birth is due
    _born_s: float = field(default=-1e9, init=False)

    def __post_init__(self) -> None:
        broker = self.settings.broker
        kept = self.outbox.state(self._key)
        before = int(kept) if kept is not None else -1
        self.node = Node(self.settings.group, broker.name, installed_version(), before)
        self.link = Link(broker, broker.name, self._will, self._begin, self._heard, self.node.filters)

    def round(self, plant: Plant) -> int:
        """Say what has changed; how many messages."""
        with self._lock:
            self._devices = devices_of(plant)
            return self._say()

    def blind(self) -> None:
        """Nothing is known of any valve: their last values must not pass for present ones."""
        with self._lock:
            if self._devices:
                self._devices = {}
                self._say()

    def stop(self) -> None:
        """Say the node's death and go."""
        with self._lock:
            last = self.node.death(self._ms()) if self.node.born else None
        self.link.stop(last)

    @property
    def _key(self) -> str:
        return f"sparkplug:{self.settings.group}/{self.settings.broker.name}"[:64]

    def _ms(self) -> int:
        return self.clock_ns() // 10**6

    def _will(self) -> Message:
        with self._lock:
            will = self.node.connecting(self._ms())
            with suppress(SQLAlchemyError):  # where that cannot be kept, bdSeq is right until the next start
                self.outbox.advance(self._key, str(self.node.bd_seq), [])
            return will

    def _begin(self) -> None:
        with self._lock:
            self._asked = True
            if self._devices is not None:
                self._say()

    def _heard(self, topic: str, raw: bytes) -> None:
        with self._lock:
            before = self.node.refused
            if self.node.asks_rebirth(topic, commands_in(raw)):
                self._asked = True
                if time.monotonic() - self._born_s >= REBIRTH_EVERY_S and self._devices is not None:
                    self._say()
            if self.node.refused != before and (before == 0 or self.node.refused // 1000 != before // 1000):
                log.warning("a command was refused: this node only says how valves stand (%d)", self.node.refused)

    def _say(self) -> int:
        if not self.link.up or self._devices is None:
            return 0
        if self._asked:
            self._asked, self._born_s = False, time.monotonic()
            messages = self.node.birth(self._devices, self._ms())
        else:
            messages = self.node.data(self._devices, self._ms())
        return sum(self.link.say(message) for message in messages)


def devices_of(plant: Plant) -> dict[str, list[Metric]]:
    """The valves that are heard. One that is silent, or of which that is not known, is no device meanwhile."""
    return {
        valve: of_valve(row, plant.quantities[valve], plant.judged_until_ns.get(valve))
        for valve, row in plant.rows.items()
        if row.liveness.word == "live"
        or (row.liveness.word == "silent" and (row.liveness.age_s or SILENT_AFTER_S) < SILENT_AFTER_S)
    }

"""How each valve stands, as a retained message: whoever connects knows at once, and nobody need ask.

A message that stays at the broker outlives who said it, so each says until when it holds. It is said anew before
that, and when anything in it changes; `asleft/1/outlet/<name>` says whether somebody is there to say it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import msgspec
from asleft.alarms.figures import called
from asleft.alarms.states import WAITS, fold_all
from asleft.outlets.link import Link, Message
from asleft.outlets.plant import Plant
from asleft.outlets.settings import Broker
from asleft.web.api.answers import Form
from asleft.web.csv_text import utc
from asleft.web.presses.view import Row
from asleft.wire.topics import outlet_topic, status_topic, valid_valve

HOLDS_NS = 180 * 10**9
AGAIN_NS = 60 * 10**9
STATUS, OUTLET = Form("asleft.status", 1), Form("asleft.outlet", 1)


class StatusNow(msgspec.Struct):
    """How a valve stands. Past `holds_until` it says nothing any more."""

    schema: Form
    valve: str
    press: str
    name: str
    status: str
    sentence: str
    data: str
    machine_state: str
    verdicts: dict[str, str]
    alarms_active: int
    alarms_waiting: int
    judged_until: str  # empty where nothing was
    at: str
    holds_until: str


class OutletNow(msgspec.Struct):
    """Whether who says statuses is there."""

    schema: Form
    name: str
    online: bool


def status_of(
    row: Row, verdicts: dict[str, str], active: int, waiting: int, judged_until_ns: int | None, now_ns: int
) -> StatusNow:
    """A valve's status, said at `now_ns`."""
    return StatusNow(
        schema=STATUS,
        valve=row.name.id,
        press=row.name.press,
        name=row.name.name,
        status=row.heard.status,
        sentence=row.heard.sentence,
        data=row.liveness.word,
        machine_state=row.state,
        verdicts=verdicts,
        alarms_active=active,
        alarms_waiting=waiting,
        judged_until=utc(judged_until_ns),
        at=utc(now_ns),
        holds_until=utc(now_ns + HOLDS_NS),
    )


@dataclass
class Statuses:
    """Says them."""

    broker: Broker
    link: Link = field(init=False)
    _said: dict[str, tuple[int, StatusNow]] = field(default_factory=dict, init=False)
    _anew: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        name = self.broker.name
        self.link = Link(self.broker, name, lambda: self._presence(online=False), self._begin)

    def round(self, plant: Plant) -> int:
        """Say what has changed or is about to hold no longer; how many messages."""
        if not self.link.up:
            return 0
        if self._anew:
            self._anew = False
            self._said.clear()
        views = [view for view in fold_all(plant.log, plant.now_ns) if called(view, plant.now_ns)]
        active = Counter(view.valve for view in views if view.active)
        waiting = Counter(view.valve for view in views if view.state in WAITS)
        count = 0
        for valve, row in plant.rows.items():
            verdicts = {one.id: one.verdict for one in plant.quantities[valve]}
            until_ns = plant.judged_until_ns.get(valve)
            now = status_of(row, verdicts, active[valve], waiting[valve], until_ns, plant.now_ns)
            then_ns, before = self._said.get(valve, (0, None))
            same = _but_times(now) == before
            if (same and 0 <= plant.now_ns - then_ns < AGAIN_NS) or not valid_valve(valve):
                continue
            if self.link.say(Message(status_topic(valve), msgspec.json.encode(now), retain=True)):
                self._said[valve] = (plant.now_ns, _but_times(now))
                count += 1
        for gone in self._said.keys() - plant.rows.keys():
            if self.link.say(Message(status_topic(gone), b"", retain=True)):  # takes away what was kept
                del self._said[gone]
        return count

    def stop(self) -> None:
        """Say that nobody says statuses any more."""
        self.link.stop(self._presence(online=False))

    def _begin(self) -> None:
        self._anew = True  # a broker may have forgotten; on this thread of the network no more than a note of it
        self.link.say(self._presence(online=True))

    def _presence(self, *, online: bool) -> Message:
        said = OutletNow(OUTLET, self.broker.name, online)
        return Message(outlet_topic(self.broker.name), msgspec.json.encode(said), retain=True)


def _but_times(status: StatusNow) -> StatusNow:
    """What of a status, where it changes, is told at once."""
    return msgspec.structs.replace(status, judged_until="", at="", holds_until="")

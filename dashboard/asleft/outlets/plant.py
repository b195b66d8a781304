"""What outlets say of, read once a round."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from asleft.alarms.events import AlarmEvent
from asleft.outlets.events import NEWS_NS
from asleft.web.api.answers import Quantity
from asleft.web.api.plant import quantities_of
from asleft.web.presses.view import Row, presses_view
from asleft.web.source import Source
from asleft.web.views.valves import judged_until_ns


@dataclass(frozen=True, slots=True)
class Plant:
    """All valves and alarms at one time. Keys are valves."""

    now_ns: int
    rows: Mapping[str, Row]
    quantities: Mapping[str, Sequence[Quantity]]
    log: Sequence[AlarmEvent]
    judged_until_ns: Mapping[str, int | None]


def look(source: Source) -> Plant:
    """Ask the stores."""
    now_ns = source.now_ns()
    judgements = source.records.judgements()
    rows = {row.name.id: row for row in presses_view(source, everything=True).rows}
    quantities = {valve: quantities_of(judgements.get(valve, {}).get("quantities", ())) for valve in rows}
    until_ns = {valve: judged_until_ns(judgements.get(valve)) for valve in rows}
    return Plant(now_ns, rows, quantities, source.records.alarm_events_lately(now_ns - NEWS_NS), until_ns)

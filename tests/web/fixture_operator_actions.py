"""The plant of the tests over a real records store for what people enter: alarms, contacts, sheets."""

from __future__ import annotations

from typing import Any

from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.records import open_records

S = 10**9
KEPT = frozenset({"alarm_events", "alarm_events_lately", "append_alarm_events"})
SHEETS = frozenset({"put_sheet", "sheets", "effective_sheet", "effective_sheets", "sheet_valves"})


class Desked:
    """`RecordStore`: alarms from the door's own file, all else from the plant."""

    def __init__(self, plant: Any, door: Any, folder: Any) -> None:
        self._plant = plant
        self.kept = open_records(folder / "records.db")
        self.door = door
        for valve in plant.sheet_valves():
            for record in plant.sheets(valve):
                self.kept.put_sheet(record)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.kept if name in KEPT | SHEETS else self._plant, name)

    def raise_alarm(
        self,
        valve: str,
        kind: str,
        part: str,
        severity: int,
        evidence: str,
        at_ns: int,
        *,
        gone_ns: int | None = None,
    ) -> str:
        """An alarm as the recorder would raise it; its name."""
        alarm = f"{valve}/{kind}/{at_ns}"

        def event(seq: int, what: EventKind, when_ns: int) -> AlarmEvent:
            return AlarmEvent(alarm, seq, what, when_ns, "judge", "", valve, kind, severity, part, evidence, at_ns)

        events = [event(1, EventKind.RAISED, at_ns)]
        if gone_ns is not None:
            events.append(event(2, EventKind.RETURNED, gone_ns))
        self.kept.append_alarm_events(events)
        return alarm

    def raise_usual(self, now_ns: int) -> dict[str, str]:
        """One of each class, one that is gone, and one that follows from another."""
        hour = 3600 * S
        return {
            "now": self.raise_alarm(
                "press-3.knock-out", "current-lost", "coil-wiring", 3,
                "Command asks for 64 %, the driver is enabled, current reads 0.", now_ns - 42 * 60 * S,
            ),
            "shift": self.raise_alarm(
                "press-2.clamp", "ramp-up-changed", "driver-setting", 2,
                "Ramp up takes 2.10 s, left at 1.60 s.", now_ns - 251 * hour,
            ),
            "follows": self.raise_alarm(
                "press-2.clamp", "response-changed", "driver-setting", 1,
                "Pressure arrives 0.5 s later.", now_ns - 240 * hour,
            ),
            "digest": self.raise_alarm(
                "press-3.platen", "pressure-changed", "valve", 1,
                "Pressure at equal current has fallen steadily, current has not.", now_ns - 22 * 24 * hour,
            ),
            "gone": self.raise_alarm(
                "press-1.ejector", "current-clipped", "supply", 2,
                "Current stops at 0.88 A where 0.95 A is demanded.", now_ns - 30 * hour, gone_ns=now_ns - 28 * hour,
            ),
        }  # fmt: skip

    def close(self) -> None:
        self.kept.close()

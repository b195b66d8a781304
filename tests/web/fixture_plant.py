"""A small plant in memory: eight valves in every status, with both store Protocols answered from plain functions.

Samples are a function of time, so that the plant can be looked at live, whenever.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
from asleft.alarms.events import AlarmEvent
from asleft.judge.types import ChartPoint, State, StateInterval
from asleft.store.actor import Actor
from asleft.store.protocols import (
    Backfill,
    BlockRef,
    Health,
    JudgeCursor,
    JudgeStep,
    Overview,
    SheetRecord,
    StoredSamples,
    StreamMark,
)

SECOND = 10**9
DAY = 86_400 * SECOND
RATE_HZ = 50
CYCLE_S = 30.0

I0, I1, UP_S, DOWN_S = 0.18, 0.92, 1.6, 2.4
P0, P1 = 12.0, 210.0

SHEET = """[valve]
id = "{id}"
press = "{press}"
name = "{name}"
controls = "pressure"
[signal]
kind = "4-20mA"
made_by = "fixed steps"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.6
ramp_down = 2.4
pressure_at_zero = 12.0
pressure_at_full = 210.0
supply_voltage = 24.0
coil_resistance = 11.0
[characteristic]
current = [0.18, 0.4, 0.6, 0.92]
rising = [12.0, 66.0, 119.0, 210.0]
falling = [12.0, 73.0, 126.0, 210.0]
[revision]
number = 3
at = 2026-03-02T08:10:00Z
by = "rk"
why = "pump replaced"
"""

LEFT = {
    "current_at_zero": (0.18, 0.015, "A"),
    "current_at_full": (0.92, 0.015, "A"),
    "ramp_up": (1.6, 0.16, "s"),
    "ramp_down": (2.4, 0.24, "s"),
    "dither_frequency": (115.0, 11.5, "Hz"),
    "dither_amplitude": (0.06, 0.015, "A"),
    "pressure_at_zero": (12.0, 4.2, "bar"),
    "pressure_at_full": (210.0, 4.2, "bar"),
    "hysteresis": (3.1, [None, 2.0], "%"),
    "coil_resistance": (11.0, 1.1, "ohm"),
    "supply_voltage": (24.0, [-2.4, None], "V"),
    "headroom": (None, [-12.0, None], "%"),
}


def iso(at_ns: int) -> str:
    """As a judgement writes times."""
    return datetime.fromtimestamp(at_ns / 1e9, tz=UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def quantity(
    name: str,
    used: float | None,
    *,
    verdict: str = "in",
    reason: str = "",
    bound: dict[str, float] | None = None,
    spread: float = 0.12,
) -> dict[str, Any]:
    """One quantity of a judgement that has used `used` percent of its tolerance."""
    left, tolerance, unit = LEFT[name]
    width = tolerance if isinstance(tolerance, float) else abs(next(t for t in tolerance if t is not None))
    base = 22.0 if left is None else left
    return {
        "id": name,
        "unit": unit,
        "as_left": left,
        "as_left_measured": left,
        "as_found": None if used is None else base + used / 100 * width,
        "uncertainty": None if used is None else spread * width,
        "change_uncertainty": None if used is None else spread * width / 2,
        "tolerance": tolerance,
        "tolerance_used": used,
        "verdict": verdict,
        "reason": reason,
        "bound": bound,
        "trend_per_day": None,
        "coverage": {"segments": 120, "from": None, "to": None, "command_min": 5.0, "command_max": 90.0},
    }


def finding(kind: str, part: str, onset_ns: int | None, severity: int, evidence: str, **more: Any) -> dict[str, Any]:
    """One finding of a judgement."""
    return {
        "kind": kind,
        "part": part,
        "alternatives": more.get("alternatives", []),
        "onset": None if onset_ns is None else iso(onset_ns),
        "severity": severity,
        "evidence": evidence,
        "consequence_of": more.get("consequence_of"),
    }


def agent_details(stream: str, highest: int, lag_s: float) -> dict[str, Any]:
    """What an agent says of itself."""
    return {
        "online": True,
        "stream": stream,
        "highest_seq": highest,
        "acknowledged": highest - 2,
        "version": "0.1.0",
        "lag_s": lag_s,
    }


CALM = {
    "current_at_zero": 5.0,
    "current_at_full": -9.0,
    "ramp_up": 4.0,
    "ramp_down": -12.0,
    "dither_frequency": 4.0,
    "dither_amplitude": -8.0,
    "pressure_at_zero": 9.0,
    "pressure_at_full": -6.0,
    "hysteresis": 18.0,
    "coil_resistance": 12.0,
    "supply_voltage": -20.0,
    "headroom": 28.0,
}


#: Valves of a press in a plant of many.
NAMES = (
    ("platen", "platen pressure"),
    ("clamp", "clamp pressure"),
    ("ejector", "ejector"),
    ("cushion", "die cushion"),
)
RECOVERED = "recovered"
#: In a plant of many, which valves (by number) behave like which of the eight; all others are as they were left.
UNUSUAL = {
    9: "press-2.clamp", 13: "press-4.platen", 26: "press-3.knock-out", 40: RECOVERED, 47: "press-4.cushion",
    66: "press-3.platen", 81: "press-1.ejector", 85: "press-3.platen", 111: RECOVERED, 130: "press-2.clamp",
    152: "press-2.platen", 171: "press-4.platen", 188: "press-3.knock-out",
}  # fmt: skip


class Plant:
    """Eight valves. Satisfies `SampleReader` and `RecordStore` structurally; `now_ns` is its clock."""

    def __init__(self, now_ns: int, *, empty: bool = False, waiting: bool = False, many: int = 0) -> None:
        self.start_ns = now_ns
        self.now = now_ns
        self.reading_lag_ns = 800_000_000
        self.silent = False
        self.hands: dict[str, list[Any]] = {}  # valve -> who commanded it by hand, and when
        self._events: list[AlarmEvent] = []
        self._revisions: dict[str, list[SheetRecord]] = {}
        self._valves: dict[str, tuple[str, str]] = (
            {}
            if empty
            else {
                "press-1.platen": ("Press 1", "platen pressure"),
                "press-1.ejector": ("Press 1", "ejector"),
                "press-2.platen": ("Press 2", "platen pressure"),
                "press-2.clamp": ("Press 2", "clamp pressure"),
                "press-3.platen": ("Press 3", "platen pressure"),
                "press-3.knock-out": ("Press 3", "knock-out"),
                "press-4.platen": ("Press 4", "platen pressure"),
                "press-4.cushion": ("Press 4", "die cushion"),
            }
        )
        self.like = {valve: valve for valve in self._valves}  # which of the eight each valve behaves like
        if many:
            self._valves, self.like = {}, {}
            for index in range(many):
                name, spoken = NAMES[index % len(NAMES)]
                press = index // len(NAMES) + 1
                self._valves[f"press-{press}.{name}"] = (f"Press {press}", spoken)
                self.like[f"press-{press}.{name}"] = UNUSUAL.get(index, "press-1.platen")
        self._judgements = {valve: self._judge(valve) for valve in self._valves}
        self._backfills = [Backfill(valve, now_ns, 18 if waiting else 60, 60, not waiting) for valve in self._valves]
        self.healths = (
            []
            if empty
            else [
                Health(
                    "recorder",
                    now_ns - 2 * SECOND,
                    {
                        "queue_depth": 3,
                        "quarantined": 0,
                        "version": "0.1.0",
                        "broker": "127.0.0.1:1883",
                        "broker_connected": True,
                        "judging_alive": True,
                        "blocks_per_s": 8.0,
                        "store": {
                            "where": "/srv/asleft/samples.db",
                            "keeps_raw": "for ever",
                            "keeps_overview": "for ever",
                            "unmerged_blocks": 41,
                            "folder_bytes": 214_900_000,
                            "free_bytes": 61_300_000_000,
                            "sizes": [[now_ns - DAY, 158_200_000]],
                        },
                    },
                ),
                Health(
                    "agent/hall-1",
                    now_ns - SECOND,
                    {
                        "online": True,
                        "stream": "s1",
                        "highest_seq": 48_231,
                        "acknowledged": 48_229,
                        "version": "0.1.0",
                        "lag_s": 0.8,
                        "clock": {"offset_s": 0.004, "drift_ppm": 2.1, "trouble": ""},
                    },
                ),
                Health(
                    "agent/hall-2",
                    now_ns - SECOND,
                    {
                        "online": True,
                        "stream": "s2",
                        "highest_seq": 9_120,
                        "acknowledged": 9_118,
                        "version": "0.1.0",
                        "lag_s": 1.1,
                        "clock": {"offset_s": 95.0, "drift_ppm": 0.3, "trouble": "its clock was put 95 s back"},
                    },
                ),
            ]
        )

    # ------------------------------------------------------------------ what the judge would have said

    def _judge(self, named: str) -> dict[str, Any]:
        now, valve = self.start_ns, self.like.get(named, named)
        used: dict[str, float | None] = dict(CALM)
        verdicts: dict[str, str] = {}
        reasons: dict[str, str] = {}
        bounds: dict[str, dict[str, float]] = {}
        findings: list[dict[str, Any]] = []
        status, sentence, state = "good", "As left. Nothing moved since the retune of 2 March.", "producing"
        remarks: list[str] = []
        if valve == "press-2.clamp":
            used["ramp_up"], verdicts["ramp_up"] = 312.0, "out"
            status = "out-of-specification"
            sentence = "Ramp up takes 2.10 s; it was left at 1.60 s. Likely the driver's setting."
            findings = [
                finding(
                    "ramp-up-changed",
                    "driver-setting",
                    now - 10 * DAY - 11 * 3600 * SECOND,
                    2,
                    "The slope of rising current fell from 0.463 to 0.352 A/s and has not moved since; falling "
                    "slope, end currents and supply did not change. 1,204 rises since then agree within 1 %.",
                ),
                finding(
                    "response-changed",
                    "driver-setting",
                    now - 10 * DAY,
                    1,
                    "Pressure arrives 0.5 s later.",
                    consequence_of="ramp-up-changed",
                ),
            ]
        elif valve == "press-3.platen":
            used["pressure_at_full"], used["hysteresis"], used["pressure_at_zero"] = -88.0, 55.0, -42.0
            verdicts["pressure_at_full"] = "undecided"
            status = "maintenance-required"
            sentence = (
                "Full pressure falls 0.4 bar a day; 12 % of its tolerance is left, for about 9 days. Valve or "
                "pressure source, cannot tell which."
            )
            findings = [
                finding(
                    "pressure-changed",
                    "valve",
                    now - 22 * DAY,
                    1,
                    "Pressure at equal current has fallen steadily, current has not.",
                    alternatives=["pressure-source"],
                )
            ]
        elif valve == "press-1.ejector":
            used["current_at_full"], used["headroom"], used["coil_resistance"] = -76.0, -140.0, 62.0
            verdicts["headroom"] = "out"
            status = "maintenance-required"
            sentence = (
                "Current stops at 0.88 of 0.95 A when the coil is above 84 °C. Headroom is gone on hot afternoons."
            )
            findings = [
                finding(
                    "current-clipped",
                    "supply",
                    now - 4 * DAY,
                    1,
                    "Current lies flat below what is commanded whenever the coil is hot.",
                    alternatives=["coil"],
                )
            ]
        elif valve == "press-3.knock-out":
            status, state = "failure", "producing"
            sentence = "Commanded and enabled, but no current flows. Likely the coil wiring."
            for name in ("current_at_full", "ramp_up", "ramp_down", "pressure_at_full"):
                used[name] = None
                reasons[name] = "no current flows"
            findings = [
                finding(
                    "current-lost",
                    "coil-wiring",
                    now - 42 * 60 * SECOND,
                    3,
                    "Command asks for 64 %, the driver is enabled, current reads 0.",
                    alternatives=["coil"],
                )
            ]
        elif valve == "press-2.platen":
            for name in ("ramp_up", "ramp_down"):
                used[name] = None
                reasons[name] = "the controller makes its own ramps"
                bounds[name] = {"below": 0.8}
            sentence = "As left. Ramps: not observed, the controller makes its own; not slower than 0.8 s."
        elif valve == "press-4.cushion":
            for name in CALM:
                if not name.startswith("pressure") and name != "supply_voltage":
                    used[name] = None
                    reasons[name] = "no current reading on this valve"
            sentence = "As left. No current reading on this valve: judged by pressure alone."
            remarks = ["Uncertainty is repeatability only: the sheet has no entry for the pressure sensor."]
        elif valve == "press-4.platen":
            status, state = "function-check", "work-in-progress"
            sentence = "Work in progress until 18:00: ramp being tuned. Not judged."
        return {
            "valve": named,
            "sheet_revision": 3,
            "from": iso(now - 3600 * SECOND),
            "to": iso(now - 3 * SECOND),
            "samples": 360_000,
            "status": status,
            "sentence": sentence,
            "states": {"producing": 211.4, "stopped": 180.2, "set-up": 3.1},
            "state": state,
            "basis": {"producing": "pump running and enabled, from their own channels"},
            "quantities": [
                quantity(
                    name,
                    used[name],
                    verdict="not-observed" if used[name] is None else verdicts.get(name, "in"),
                    reason=reasons.get(name, ""),
                    bound=bounds.get(name),
                    spread=0.3 if name in ("hysteresis", "coil_resistance") else 0.12,
                )
                for name in CALM
            ],
            "findings": findings,
            "remarks": remarks,
        }

    # ------------------------------------------------------------------ samples

    def feeds(self):
        return {valve: "hall-1" if valve.startswith(("press-1", "press-2")) else "hall-2" for valve in self.valves()}

    def valves(self) -> list[str]:
        return sorted(self._valves)

    def check(self) -> None:
        """Both stores are there."""

    def marks(self) -> list[StreamMark]:
        if not self._valves:
            return []
        return [
            StreamMark("hall-1", "s1", 48_230, 0, 12, self.now - SECOND),
            StreamMark("hall-2", "s2", 9_119, 14, 3, self.now - SECOND),
        ]

    def span(self, valve: str) -> tuple[int, int] | None:
        if valve not in self._valves:
            return None
        last = self.newest_ns(valve)
        return self.start_ns - 21 * DAY, last

    def newest_ns(self, valve: str) -> int:
        """Time of the newest sample; one valve fell silent."""
        silent = self.start_ns - 17 * 60 * SECOND
        return silent if self.like.get(valve, valve) == "press-4.cushion" else self.now - self.reading_lag_ns

    def all_spans(self) -> Mapping[str, tuple[int, int]]:
        spans = {valve: self.span(valve) for valve in self.valves()}
        return {valve: span for valve, span in spans.items() if span is not None}

    def samples(self, valve: str, from_ns: int, to_ns: int) -> StoredSamples:
        if valve not in self._valves:
            return StoredSamples(valve, np.empty(0, np.int64), {}, {})
        step = SECOND // RATE_HZ
        last = min(to_ns, self.newest_ns(valve) + 1)
        first = -(-from_ns // step) * step
        time_ns = np.arange(first, max(last, first), step, dtype=np.int64)
        channels = cycle(time_ns / 1e9, slow_up=self.like.get(valve) == "press-2.clamp", seed=len(valve))
        if valve == "press-4.cushion":
            channels.pop("current")
        if valve == "press-3.knock-out":
            channels["current"] = channels["current"] * 0.0
            channels["pressure"] = channels["pressure"] * 0.0 + 4.0
        for hand in self.hands.get(valve, ()):
            hand.put_into(time_ns, channels)
        return StoredSamples(valve, time_ns, channels, {"command": "mA", "current": "A", "pressure": "bar"})

    def channels(self, valve: str, from_ns: int, to_ns: int) -> list[tuple[str, str]]:
        stored = self.samples(valve, from_ns, min(from_ns + SECOND, to_ns))
        return [(name, stored.units[name]) for name in stored.channels if name in stored.units]

    def bursts(self, valve: str, from_ns: int, to_ns: int) -> list[Any]:
        return []

    def overview(self, valve: str, channel: str, from_ns: int, to_ns: int, points: int) -> Overview:
        step = (to_ns - from_ns) // points
        time_ns = from_ns + step * np.arange(points, dtype=np.int64)
        hours = (time_ns / 1e9 / 3600 + 1) % 24
        kept = (hours > 5) & (hours < 22) & (time_ns <= self.newest_ns(valve))
        time_ns = time_ns[kept]
        low, high = {"command": (4.0, 19.0), "current": (0.18, 0.87), "pressure": (10.0, 196.0)}.get(channel, (0, 0))
        if not high or (channel == "current" and valve == "press-4.cushion"):
            none = np.empty(0)
            return Overview(np.empty(0, np.int64), none, none, none)
        wave = np.sin(time_ns / 1e9 / 5000) * 0.06
        mean = low + (high - low) * (0.45 + wave)
        return Overview(time_ns, np.full(time_ns.size, low), mean, np.full(time_ns.size, high))

    def blocks_after(self, valve: str, cursor: Mapping[str, int], limit: int) -> list[tuple[BlockRef, Any]]:
        return []

    def size_bytes(self) -> int:
        return 212_400_000

    # ------------------------------------------------------------------ records

    def put_sheet(self, record: SheetRecord, filed_by: Actor | None = None) -> bool:
        raise AssertionError("the pages must not write")

    def sheets(self, valve: str) -> list[SheetRecord]:
        first = self.effective_sheet(valve, self.start_ns - 100 * DAY)
        return [] if first is None else [first, *self._revisions.get(valve, ())]

    def revise(self, valve: str, at_ns: int, **settings: object) -> None:
        """Another revision from then on, with those lines of the sheet changed."""
        text = self.sheets(valve)[-1].toml
        number = self.sheets(valve)[-1].number + 1
        for name, value in {**settings, "number": number, "at": iso(at_ns)}.items():
            text = re.sub(rf"(?m)^{name} = .*$", f"{name} = {value}", text)
        self._revisions.setdefault(valve, []).append(SheetRecord(valve, number, at_ns, "rk", "", text, at_ns))

    def effective_sheet(self, valve: str, at_ns: int) -> SheetRecord | None:
        if valve not in self._valves:
            return None
        later = [record for record in self._revisions.get(valve, ()) if record.at_ns <= at_ns]
        if later:
            return later[-1]
        press, name = self._valves[valve]
        text = SHEET.format(id=valve, press=press, name=name)
        return SheetRecord(
            valve, 3, self.start_ns - 200 * DAY, "rk", "pump replaced", text, self.start_ns - 200 * DAY
        )

    def effective_sheets(self, at_ns: int) -> Mapping[str, SheetRecord]:
        found = {valve: self.effective_sheet(valve, at_ns) for valve in self._valves}
        return {valve: record for valve, record in found.items() if record is not None}

    def sheet_valves(self) -> list[str]:
        return sorted(self._valves)

    def judge_cursor(self, valve: str) -> JudgeCursor | None:
        return JudgeCursor(valve, {"s1": 48_228}, 1, 3, self.newest_ns(valve) - 2 * SECOND, "{}")

    def judged_until(self) -> Mapping[str, int]:
        return {valve: self.newest_ns(valve) - 2 * SECOND for valve in self._valves}

    def commit_step(self, step: JudgeStep) -> None:
        raise AssertionError("the pages must not write")

    def judgement(self, valve: str) -> Mapping[str, Any] | None:
        found = self._judgements.get(valve)
        return None if found is None else {**found, "to": iso(self.newest_ns(valve) - 3 * SECOND)}

    def judgement_at(self, valve: str, at_ns: int) -> Mapping[str, Any] | None:
        found = self._judgements.get(valve)
        like = self.like.get(valve, valve)
        if found is not None and like == RECOVERED:
            lost = [finding("supply-low", "supply", at_ns, 1, "Supply fell under load.")]
            return {**found, "status": "maintenance-required", "findings": lost}
        if found is None or like != "press-3.knock-out":
            return found
        return {**found, "status": "good", "findings": []}

    def judgements(self) -> Mapping[str, Mapping[str, Any]]:
        found = {valve: self.judgement(valve) for valve in self._valves}
        return {valve: one for valve, one in found.items() if one is not None}

    def judgements_at(self, at_ns: int) -> Mapping[str, Mapping[str, Any]]:
        found = {valve: self.judgement_at(valve, at_ns) for valve in self._valves}
        return {valve: one for valve, one in found.items() if one is not None}

    def intervals(self, valve: str, from_ns: int, to_ns: int) -> list[StateInterval]:
        out = []
        day = from_ns // DAY * DAY
        while day < to_ns:
            for first_h, last_h, state in ((0, 5, State.STOPPED), (5, 5.4, State.SET_UP), (5.4, 24, State.PRODUCING)):
                start, end = day + int(first_h * 3600) * SECOND, day + int(last_h * 3600) * SECOND
                end = min(end, self.now - 3 * SECOND)
                if end > start and end > from_ns and start < to_ns:
                    out.append(StateInterval(state, start / 1e9, end / 1e9, "pump running"))
            day += DAY
        return out

    def points(self, valve: str, quantity: str, from_ns: int, to_ns: int) -> list[ChartPoint]:
        found = next((q for q in self._judgements[valve]["quantities"] if q["id"] == quantity), None)
        if found is None or found["as_found"] is None:
            return []
        rng = np.random.default_rng(len(valve) + len(quantity))
        left = found["as_left"] if found["as_left"] is not None else found["as_found"]
        final, spread = found["as_found"], found["uncertainty"] / 4
        out = []
        for hour in range(0, 21 * 24, 4):
            at = self.start_ns - 21 * DAY + hour * 3600 * SECOND
            share = hour / (21 * 24)
            value = left + (final - left) * share
            if quantity == "ramp_up" and abs(found["tolerance_used"]) > 100:
                value = final if at > self.start_ns - 10 * DAY - 11 * 3600 * SECOND else left
            if from_ns <= at < to_ns:
                out.append(ChartPoint(quantity, at / 1e9, value + spread * float(rng.normal()), spread))
        return out

    def append_alarm_events(self, events: Iterable[AlarmEvent]) -> None:
        raise AssertionError("the pages must not write")

    def alarm_events(self, valve: str | None = None, since_ns: int = 0) -> list[AlarmEvent]:
        return [event for event in self._events if valve is None or event.valve == valve]

    def alarm_events_lately(self, since_ns: int) -> list[AlarmEvent]:
        return list(self._events)

    def put_backfill(self, backfill: Backfill) -> None:
        raise AssertionError("the pages must not write")

    def backfills(self) -> list[Backfill]:
        return list(self._backfills)

    def put_health(self, health: Health) -> None:
        self.healths.append(health)

    def health(self) -> list[Health]:
        """As if every process had just reported, unless told to fall silent."""
        if self.silent:
            return list(self.healths)
        return [Health(row.source, self.now - SECOND, row.details) for row in self.healths]

    def close(self) -> None:
        return None


def cycle(time_s: np.ndarray, *, slow_up: bool, seed: int) -> dict[str, np.ndarray]:
    """A press cycle of 30 s: steps of command, ramped current, pressure with a slow approach. Own numbers."""
    phase = np.mod(time_s + seed * 1.7, CYCLE_S)
    edges = np.array([0.0, 3.0, 9.0, 17.0, 22.0, 26.0])
    levels = np.array([5.0, 55.0, 92.0, 40.0, 65.0, 5.0]) / 100
    index = np.searchsorted(edges, phase, side="right") - 1
    demand = levels[index]
    before = levels[index - 1]
    since = phase - edges[index]
    up, down = (2.1 if slow_up else UP_S), DOWN_S
    travelled = np.where(demand > before, since / up, -since / down)
    ramped = np.where(demand > before, np.minimum(before + travelled, demand), np.maximum(before + travelled, demand))
    noise = np.random.default_rng(seed).normal(size=4096)
    jitter = noise[(np.round(time_s * RATE_HZ).astype(np.int64) * 7919) % noise.size]
    other = noise[(np.round(time_s * RATE_HZ).astype(np.int64) * 104_729 + 17) % noise.size]
    current = I0 + ramped * (I1 - I0) + 0.0015 * jitter
    pressure = P0 + ramped * (P1 - P0) + 0.6 * other
    approach = (index == 1) & (since < 2.5)
    pressure = np.where(approach, np.minimum(pressure, 20 + since * 18), pressure)
    return {"command": 4 + 16 * demand + 0.004 * other, "current": current, "pressure": pressure}

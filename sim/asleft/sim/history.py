"""Three weeks of the demo plant, sampled: a few windows of ten minutes per valve and working day."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from asleft.sim.calendar import ZONE, Kind, Stretch, midnight_s, stretches
from asleft.sim.model import ValveModel
from asleft.sim.plant import valves
from asleft.sim.recording import Recording, simulate

WINDOW_S = 600.0
#: Parts of the shift (local hours) out of which windows of production are taken.
PARTS = ((6.0, 11.0), (11.0, 16.5), (16.5, 22.0))
#: A valve with a fault has a window of production in every part of the shift on so many last days; else one a day.
DENSE_DAYS = 8
#: Recordings simulated at once, at first and at most: more are faster in all but keep the first one waiting.
FIRST_LANES, LANES = 10, 80
#: Valves whose windows all come before those of the others: one for each of two cores that judge them.
AHEAD = 2


@dataclass(frozen=True, slots=True)
class Window:
    """Ten minutes of one valve; `why` says what they show ("production", "emergency", "night", ...)."""

    valve: ValveModel
    start_s: float
    duration_s: float
    why: str


def plan(now_s: float, days: int = 21) -> list[Window]:
    """Windows of all valves over the `days` before `now_s`; none reaches beyond `now_s`.

    Valves with a fault come first, and of those the two whose fault is seen earliest; each in the order of time. Who
    looks at a demo that has just begun soon sees a finding, and not eight healthy valves.

    Each working day gives each valve a window of production, three where a fault is followed over the last days; and
    some windows show what must not alarm anybody: ends of shifts, cold Mondays, breaks, set-up, emergency stops. More
    would only take longer: judging ten minutes takes three quarters of a second of a core.
    """
    windows: list[Window] = []
    today = datetime.fromtimestamp(now_s, ZONE).date()
    everyone = valves(now_s)
    for valve in everyone:
        chance = random.Random(f"{valve.valve_id} history")
        for days_ago in range(days, -1, -1):
            day = today - timedelta(days=days_ago)
            from_s, to_s = midnight_s(day), midnight_s(day + timedelta(days=1))
            calendar = list(stretches(valve.press_key, from_s, to_s))
            parts = PARTS if valve.faults and days_ago <= DENSE_DAYS else (chance.choice(PARTS),)
            windows += _production(valve, calendar, chance, parts)
            windows += _events(valve, calendar, chance)
    earliest_s = now_s - days * 86_400.0
    inside = [w for w in windows if w.start_s >= earliest_s and w.start_s + w.duration_s <= now_s]
    ahead = {valve.valve_id for valve in sorted(everyone, key=_seen_from_s)[:AHEAD]}
    return sorted(
        inside,
        key=lambda window: (
            window.valve.valve_id not in ahead,
            not window.valve.faults,
            window.start_s,
            window.valve.valve_id,
        ),
    )


def _seen_from_s(valve: ValveModel) -> float:
    """About when a fault of the valve shows (unix seconds): a drift only after weeks, no fault never."""
    return min((fault.onset_s for fault in valve.faults if fault.shape != "drift"), default=math.inf)


def _production(
    valve: ValveModel, calendar: Sequence[Stretch], chance: random.Random, parts: Sequence[tuple[float, float]]
) -> Iterator[Window]:
    """One window out of each of these parts of the shift that has room for it between two interruptions."""
    for first_h, last_h in parts:
        rooms = [
            (
                max(s.from_s + 60.0, calendar[0].from_s + first_h * 3600),
                min(s.to_s, calendar[0].from_s + last_h * 3600),
            )
            for s in calendar
            if s.kind == "producing"
        ]
        rooms = [(from_s, to_s) for from_s, to_s in rooms if to_s - from_s > WINDOW_S]
        if rooms:
            from_s, to_s = chance.choice(rooms)
            yield Window(valve, round(chance.uniform(from_s, to_s - WINDOW_S)), WINDOW_S, "production")


def _events(valve: ValveModel, calendar: Sequence[Stretch], chance: random.Random) -> Iterator[Window]:
    """Windows round some of the day's interruptions."""
    monday = datetime.fromtimestamp(calendar[0].from_s + 3600, ZONE).weekday() == 0
    for index, stretch in enumerate(calendar):
        before = calendar[index - 1].kind if index else None
        likely: dict[Kind, float] = {"emergency": 0.35, "set-up": 0.25, "break": 0.05, "night": 0.12}
        if chance.random() >= likely.get(stretch.kind, 0.0) or before is None:
            continue
        yield Window(valve, round(stretch.from_s - chance.uniform(120, 300)), WINDOW_S, stretch.kind)
    begins = next((s.from_s for s in calendar if s.kind in ("producing", "set-up")), None)
    if begins is not None and monday and chance.random() < 0.35:
        yield Window(valve, round(begins - 60.0), WINDOW_S, "cold start")


def simulate_windows(windows: Sequence[Window], *, seed: int = 1, lanes: int = LANES) -> Iterator[Recording]:
    """Recordings of `windows`, in their order, simulated in batches of `lanes`; the first batches are smaller.

    Raises ValueError if the windows differ in length.
    """
    lengths = {window.duration_s for window in windows}
    if len(lengths) > 1:
        raise ValueError(f"windows of one history must be equally long, not {sorted(lengths)} s")
    first, size = 0, min(FIRST_LANES, lanes)
    while first < len(windows):
        batch = windows[first : first + size]
        first, size = first + size, min(2 * size, lanes)
        yield from simulate(
            [window.valve for window in batch],
            [window.start_s for window in batch],
            batch[0].duration_s,
            seed=seed,
            programme="day",
            burst_every_s=120.0,
        )

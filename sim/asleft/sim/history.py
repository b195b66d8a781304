"""Three weeks of the demo plant, sampled: a few windows of ten minutes per valve and working day."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from asleft.sim.calendar import ZONE, Kind, Stretch, midnight_s, stretches
from asleft.sim.model import ValveModel
from asleft.sim.plant import valves
from asleft.sim.recording import Recording, simulate

WINDOW_S = 600.0
#: Parts of the shift (local hours) out of each of which one window of production is taken.
PARTS = ((6.0, 11.0), (11.0, 16.5), (16.5, 22.0))
#: Recordings simulated at once; more are faster in all but keep the first one waiting.
LANES = 80


@dataclass(frozen=True, slots=True)
class Window:
    """Ten minutes of one valve; `why` says what they show ("production", "emergency", "night", ...)."""

    valve: ValveModel
    start_s: float
    duration_s: float
    why: str


def plan(now_s: float, days: int = 21) -> list[Window]:
    """Windows of all valves over the `days` before `now_s`; none reaches beyond `now_s`.

    Valves that have something to tell come first, each in the order of time: who looks at a demo that has just begun
    sees what it is there to show, and not eight healthy valves.

    Each working day gives each valve about three windows of production; and each press, in turn for its valves, some
    that show what must not alarm anybody: ends of shifts, weekends, cold Mondays, breaks, set-up, emergency stops.
    """
    windows: list[Window] = []
    today = datetime.fromtimestamp(now_s, ZONE).date()
    for valve in valves(now_s):
        chance = random.Random(f"{valve.valve_id} history")
        for days_ago in range(days, -1, -1):
            day = today - timedelta(days=days_ago)
            from_s, to_s = midnight_s(day), midnight_s(day + timedelta(days=1))
            calendar = list(stretches(valve.press_key, from_s, to_s))
            windows += _production(valve, calendar, chance)
            windows += _events(valve, calendar, chance)
    earliest_s = now_s - days * 86_400.0
    inside = [w for w in windows if w.start_s >= earliest_s and w.start_s + w.duration_s <= now_s]
    return sorted(inside, key=lambda window: (not window.valve.faults, window.start_s, window.valve.valve_id))


def _production(valve: ValveModel, calendar: Sequence[Stretch], chance: random.Random) -> Iterator[Window]:
    """One window out of each part of the shift that has room for it between two interruptions."""
    for first_h, last_h in PARTS:
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
        likely: dict[Kind, float] = {"emergency": 0.7, "set-up": 0.5, "break": 0.08, "night": 0.25}
        if chance.random() >= likely.get(stretch.kind, 0.0) or before is None:
            continue
        yield Window(valve, round(stretch.from_s - chance.uniform(120, 300)), WINDOW_S, stretch.kind)
    begins = next((s.from_s for s in calendar if s.kind in ("producing", "set-up")), None)
    if begins is not None and monday and chance.random() < 0.7:
        yield Window(valve, round(begins - 60.0), WINDOW_S, "cold start")


def simulate_windows(windows: Sequence[Window], *, seed: int = 1, lanes: int = LANES) -> Iterator[Recording]:
    """Recordings of `windows`, in their order, simulated in batches of `lanes`.

    Raises ValueError if the windows differ in length.
    """
    lengths = {window.duration_s for window in windows}
    if len(lengths) > 1:
        raise ValueError(f"windows of one history must be equally long, not {sorted(lengths)} s")
    for first in range(0, len(windows), lanes):
        batch = windows[first : first + lanes]
        yield from simulate(
            [window.valve for window in batch],
            [window.start_s for window in batch],
            batch[0].duration_s,
            seed=seed,
            programme="day",
            burst_every_s=120.0,
        )

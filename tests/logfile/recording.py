"""A true recording to be written in many dialects: a valve's command, its coil current behind ramps, its pressure.

Its values have few digits, so that every dialect can hold them exactly. It shares nothing with the judge.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

START = datetime(2026, 3, 2, 8, 0, 0, tzinfo=UTC)
RATE_HZ = 25

SHEET = """\
[valve]
id = "press-4.platen"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.2
ramp_down = 2.0
pressure_at_zero = 12.0
pressure_at_full = 210.0
[revision]
number = 1
at = 2026-03-01T00:00:00Z
"""


@dataclass
class Recording:
    """Columns of one length: seconds from the start, command in mA, current in A, pressure in bar."""

    time_s: np.ndarray
    command_ma: np.ndarray
    current_a: np.ndarray
    pressure_bar: np.ndarray
    start: datetime = field(default=START)

    def moments(self) -> list[datetime]:
        return [self.start + timedelta(milliseconds=round(each * 1000)) for each in self.time_s.tolist()]


def recording(seconds: float = 48.0, rate_hz: float = RATE_HZ, seed: int = 7) -> Recording:
    """Steps between six levels, every four seconds; the current follows in 1.2 s up and 2.0 s down of its span."""
    rng = np.random.default_rng(seed)
    count = round(seconds * rate_hz)
    time_s = np.round(np.arange(count) / rate_hz, 3)
    levels = np.array([0.0, 0.7, 0.25, 1.0, 0.5, 0.0, 0.9, 0.1])
    demand = levels[(time_s // 4).astype(int) % levels.size]
    followed = np.empty(count)
    now = demand[0]
    for k, wanted in enumerate(demand):
        now += np.clip(wanted - now, -1 / (2.0 * rate_hz), 1 / (1.2 * rate_hz))
        followed[k] = now
    lagged = np.empty(count)
    state = followed[0]
    for k, wanted in enumerate(followed):
        state += (wanted - state) * (1 - np.exp(-1 / (0.04 * rate_hz)))
        lagged[k] = state
    noise = rng.normal(size=(3, count))
    return Recording(
        time_s,
        np.round(4 + 16 * demand + 0.004 * noise[0], 3),
        np.round(0.18 + 0.74 * lagged + 0.0008 * noise[1], 4),
        np.round(12 + 198 * lagged + 0.15 * noise[2], 2),
    )

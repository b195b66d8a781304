"""Somebody at the command of a valve: full strokes and a sweep, as the plant of the tests would have recorded them.

A few lines of its own for driver and valve, so that what is graded is not made by what grades it.
"""

from __future__ import annotations

import numpy as np

SECOND = 10**9
RATE_HZ = 50
I0, I1 = 0.18, 0.92
#: The characteristic of the plant's sheets.
CURRENT_A = (0.18, 0.4, 0.6, 0.92)
RISING_BAR = (12.0, 66.0, 119.0, 210.0)
FALLING_BAR = (12.0, 73.0, 126.0, 210.0)


def strokes(count: int = 2) -> list[tuple[float, float]]:
    """(seconds, level): full strokes in one step each way, resting at both ends."""
    return [(5.0, 0.0), *[(4.5, 1.0), (5.5, 0.0)] * count]


def sweep(step_pct: int = 10, hold_s: float = 2.6) -> list[tuple[float, float]]:
    """0-100-0 % in steps."""
    up = [(hold_s, k / 100) for k in range(step_pct, 101, step_pct)]
    down = [(hold_s, k / 100) for k in range(100 - step_pct, -1, -step_pct)]
    return [*up, *down, (4.0, 0.0)]


class Hand:
    """What is recorded from `start_ns` on, while the script lasts; `bar` moves the pressure at full."""

    def __init__(
        self,
        start_ns: int,
        script: list[tuple[float, float]],
        *,
        up_s: float = 1.6,
        down_s: float = 2.4,
        full_a: float = I1,
        bar: float = 0.0,
    ) -> None:
        seconds = sum(s for s, _ in script)
        n = round(seconds * RATE_HZ)
        step_ns = SECOND // RATE_HZ
        self.start_ns = -(-start_ns // step_ns) * step_ns
        self.end_ns = self.start_ns + n * step_ns
        edges = np.cumsum([0.0, *(s for s, _ in script)])
        at = np.searchsorted(edges, np.arange(n) / RATE_HZ, side="right") - 1
        demand = np.array([u for _, u in script])[np.minimum(at, len(script) - 1)]
        ramped, current, way = np.empty(n), np.empty(n), np.empty(n)
        y, lagged, going = demand[0], 0.0, 1.0
        lagged = I0 + y * (full_a - I0)
        for k in range(n):
            before = y
            y += min(max(demand[k] - y, -1.0 / down_s / RATE_HZ), 1.0 / up_s / RATE_HZ)
            going = np.sign(y - before) or going
            lagged += (I0 + y * (full_a - I0) - lagged) * (1.0 - np.exp(-1.0 / RATE_HZ / 0.02))
            ramped[k], current[k], way[k] = y, lagged, going
        rising = np.interp(current, CURRENT_A, RISING_BAR)
        falling = np.interp(current, CURRENT_A, FALLING_BAR)
        pressure = np.where(way > 0, rising, falling) + bar * ramped
        noise = np.random.default_rng(7).normal(size=(3, n))
        self.channels = {
            "command": 4 + 16 * demand + 0.002 * noise[0],
            "current": current + 0.0008 * noise[1],
            "pressure": pressure + 0.15 * noise[2],
        }

    def put_into(self, time_ns: np.ndarray, channels: dict[str, np.ndarray]) -> None:
        """Replace what was recorded while this lasted."""
        inside = (time_ns >= self.start_ns) & (time_ns < self.end_ns)
        index = (time_ns[inside] - self.start_ns) // (SECOND // RATE_HZ)
        for name, values in self.channels.items():
            if name in channels:
                channels[name][inside] = values[index]

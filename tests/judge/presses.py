"""A healthy press from first principles, as rows of readings: a straight driver and a straight valve."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from asleft.judge.judge import judge_log
from asleft.judge.types import Judgement, Samples
from asleft.sheet.model import Sheet
from synth import drive, sheet

LEVELS = (0.0, 0.5, 1.0, 0.7, 0.3, 0.9, 0.0, 0.8, 0.1, 1.0, 0.2, 0.6, 0.4, 0.95)
_WITHOUT = ("dither_frequency", "dither_amplitude", "supply_voltage")
VALVE = sheet(as_left={name: value for name, value in sheet().as_left.items() if name not in _WITHOUT})
ZERO_A, SPAN_A, ZERO_BAR, SPAN_BAR = 0.2, 0.8, 10.0, 190.0


def press(levels=LEVELS, cycles: int = 5, *, goes_on: bool = False, seed: int = 3) -> dict[str, np.ndarray]:
    """A healthy press, 100 readings a second, each level held for 4 s; pressure straight in the current, no loop.

    `goes_on`: the driver goes on along its line beyond full command; else it stops there.
    """
    rng = np.random.default_rng(seed)
    held = np.concatenate([np.full(round(1000 * (4.0 + rng.uniform(0.0, 0.2))), u) for u in levels * cycles])
    most = held.max() if goes_on else 1.0
    acting = most * drive(held / most, up_s=most, down_s=most)[::10]
    n = acting.size
    return {
        "time": 1000.0 + np.arange(n) / 100.0,
        "command": 4.0 + 16.0 * held[::10] + 0.003 * rng.standard_normal(n),
        "current": ZERO_A + SPAN_A * acting + 5e-4 * rng.standard_normal(n),
        "pressure": ZERO_BAR + SPAN_BAR * acting + 0.05 * rng.standard_normal(n),
    }


def judged(rows: Mapping[str, np.ndarray], valve: Sheet = VALVE) -> Judgement:
    """The whole recording, held against the sheet of this press."""
    return judge_log(valve, Samples(rows["time"], {name: v for name, v in rows.items() if name != "time"}))

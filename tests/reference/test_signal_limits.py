from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.intake.intake import DEMAND, ENABLED, ROWS, STATE, TIME
from asleft.judge.intake.states import PRODUCING
from asleft.judge.watching.stretches import WatchCarry
from asleft.judge.watching.watch import watch
from asleft.sheet.model import Sheet, Signal, SignalKind, Tolerance

# NAMUR NE 43 (published, read in secondary sources that agree): the measuring range is 3.8 to 20.5 mA; at or under
# 3.6 mA and at or over 21 mA the signal has failed.
READINGS = [
    (0.0, {"command-failed"}),
    (3.6, {"command-failed"}),
    (3.61, {"command-clipped"}),
    (3.79, {"command-clipped"}),
    (3.8, set()),
    (4.0, set()),
    (20.0, set()),
    (20.5, set()),
    (20.51, {"command-clipped"}),
    (20.99, {"command-clipped"}),
    (21.0, {"command-failed"}),
    (22.5, {"command-failed"}),
]


def seen(signal: Signal, reading: float) -> set[str]:
    """What is said of a command that stands at `reading` for 3 s in production."""
    columns = np.full((ROWS, 300), np.nan)
    columns[TIME] = 1000.0 + np.arange(300) / 100.0
    columns[DEMAND] = signal.demand(reading)
    columns[STATE], columns[ENABLED] = PRODUCING, 1.0
    sheet = Sheet("press-1.test", signal, {"ramp_up": 1.0}, {"ramp_up": Tolerance(0.1, 0.1)})
    return {stretch.kind for stretch in watch(columns, sheet, WatchCarry(), (1.0, 1.0), 0.02)}


@pytest.mark.parametrize(("reading_ma", "expected"), READINGS)
def test_limits_of_a_live_zero(reading_ma: float, expected: set[str]) -> None:
    assert seen(Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0), reading_ma) == expected


@pytest.mark.parametrize("reading_v", [0.0, 5.0, 10.0, 10.15])
def test_without_a_live_zero_a_broken_wire_cannot_be_told_from_zero_command(reading_v: float) -> None:
    """IEC 60381-2 voltage signals (closed form): zero volts is a command like any other."""
    assert seen(Signal(SignalKind.V_0_10, "V", 0.0, 10.0), reading_v) == set()

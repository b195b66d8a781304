"""A healthy valve read ever less often: what can no longer be told is not observed, and nothing is told wrongly."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from asleft.judge.judge import judge_log
from asleft.judge.types import FloatArray, Samples, Verdict
from asleft.sheet.reader import read_sheet

SHEET = """\
[valve]
id = "press-4.platen"
press = "Press 4"
name = "platen pressure"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = {up}
ramp_down = {down}
pressure_at_zero = 12.0
pressure_at_full = 210.0
[revision]
number = 1
at = 2026-03-02T08:10:00Z
by = "kl"
why = "first"
"""
BEGIN_S = 1_772_500_000.0
STEP_S = 0.002


@cache
def machine(up: float, down: float, hold_s: float) -> tuple[FloatArray, ...]:
    """Five minutes of steps between 0 and 50 %, a limiter written out in 2 ms steps, noise of 1 mA and 0.3 bar."""
    time_s = np.arange(150_000) * STEP_S
    target = np.where((time_s / hold_s).astype(int) % 2 == 1, 0.5, 0.0)
    level, demand = 0.0, np.empty(time_s.size)
    for at, wanted in enumerate(target):
        most = STEP_S / (up if wanted > level else down)
        level += max(-most, min(most, wanted - level))
        demand[at] = level
    noise = np.random.default_rng(1).normal(0.0, 1.0, (2, time_s.size))
    return time_s, 4 + 16 * target, 0.18 + 0.74 * demand + 0.001 * noise[0], 12 + 198 * demand + 0.3 * noise[1]


@pytest.mark.parametrize("hold_s", [6.0, 6.137])  # in step with the readings, and not
@pytest.mark.parametrize(("up", "down"), [(1.2, 2.0), (0.3, 0.3)])
@pytest.mark.parametrize("rate_hz", [50, 20, 10, 5, 2, 1])
def test_no_ramp_is_told_wrongly_at_any_rate(rate_hz: float, up: float, down: float, hold_s: float) -> None:
    time_s, command, current, pressure = (
        column[:: round(1 / rate_hz / STEP_S)] for column in machine(up, down, hold_s)
    )
    channels = {"command": command, "current": current, "pressure": pressure}
    judgement = judge_log(read_sheet(SHEET.format(up=up, down=down)), Samples(BEGIN_S + time_s, channels))
    found = {quantity.id: quantity for quantity in judgement.quantities}
    assert not judgement.findings
    for name, true_s in (("ramp_up", up), ("ramp_down", down)):
        quantity = found[name]
        assert quantity.verdict is not Verdict.OUT
        stroke_s = 0.5 * true_s
        if rate_hz * stroke_s >= 3.0:
            assert quantity.as_found == pytest.approx(true_s, rel=0.01)
        elif rate_hz * stroke_s < 1.0:
            assert quantity.as_found is None
            if quantity.bound_below is not None:
                assert quantity.bound_below >= true_s
        elif quantity.as_found is not None:
            assert quantity.as_found == pytest.approx(true_s, rel=0.05)

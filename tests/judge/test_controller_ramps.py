"""A controller that makes its own ramps: a bound on the driver's, or the driver's own where it is the slower one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.judge import judge_log
from asleft.judge.types import Samples
from asleft.sheet.model import MadeBy, Signal, SignalKind
from lanes import by_id
from synth import drive, sheet

LEVELS = (0.0, 0.5, 1.0, 0.3, 0.9, 0.1, 0.7, 0.2, 1.0, 0.0, 0.6, 0.0)
RAMPS = ("ramp_up", "ramp_down")


def shaped(ramp_s: float, shape: str, every_ms: int, step_pct: float) -> np.ndarray:
    """Demand, a value each millisecond: lines or S-curves between levels, renewed and rounded as controllers do."""
    pieces, last = [np.zeros(1500)], 0.0
    for level in LEVELS[1:]:
        x = np.arange(1, max(round(1000 * ramp_s * abs(level - last)), 1) + 1)
        x = x / x.size
        pieces += [last + (level - last) * (x * x * (3 - 2 * x) if shape == "s" else x), np.full(1500, level)]
        last = level
    demand = np.concatenate(pieces)
    demand = demand[np.arange(demand.size) // every_ms * every_ms]
    return np.rint(demand / (step_pct / 100)) * (step_pct / 100) if step_pct else demand


def judged(ramp_s: float, driver_s: float, how: tuple[str, int, float], signal: Signal, seed: int = 3):
    rng = np.random.default_rng(seed)
    demand = shaped(ramp_s, *how)
    current = 0.2 + 0.8 * drive(demand, up_s=driver_s, down_s=driver_s, lags_s=(0.012, 0.012))[::10]
    read = drive(demand, up_s=0.0, down_s=0.0, lags_s=(0.008,))[::10] + 3e-4 * rng.standard_normal(current.size)
    command = signal.at_zero + (signal.at_full - signal.at_zero) * np.round(read * 4095) / 4095
    current = current + 8e-4 * rng.standard_normal(current.size)
    plain = sheet()
    left = {**plain.as_left, "ramp_up": driver_s, "ramp_down": driver_s}
    samples = Samples(1e9 + np.arange(current.size) / 100.0, {"command": command, "current": current})
    return by_id(judge_log(replace(plain, signal=signal, as_left=left), samples))


LOOP = Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0, made_by=MadeBy.CONTROLLER_RAMPS)
HOW = [("line", 1, 0.0), ("s", 1, 0.0), ("line", 10, 0.0), ("line", 20, 0.5), ("line", 100, 0.0), ("s", 50, 0.0)]


@pytest.mark.parametrize("how", HOW)
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_never_an_invented_time(how, share) -> None:
    driver_s = share * 1.6
    found = judged(1.6, driver_s, how, LOOP)
    for name in RAMPS:
        if found[name].as_found is None:
            assert found[name].bound_below is not None, found[name].reason
            assert driver_s <= found[name].bound_below <= 3.0
        else:  # an S-curve is steeper in its middle than a driver nearly as slow
            assert found[name].as_found == pytest.approx(driver_s, abs=max(found[name].uncertainty, 0.02 * driver_s))


@pytest.mark.parametrize("how", HOW)
def test_a_driver_clearly_slower_than_the_controller_is_measured(how) -> None:
    found = judged(1.2, 2.4, how, LOOP)
    for name in RAMPS:
        assert found[name].as_found == pytest.approx(2.4, rel=0.02)


@pytest.mark.parametrize(
    "signal",
    [
        Signal(SignalKind.V_0_5, "V", 0.0, 5.0),
        Signal(SignalKind.V_0_10, "V", 0.0, 10.0),
        Signal(SignalKind.EXPLICIT, "V", 10.0, 0.0),  # turned round
        Signal(SignalKind.EXPLICIT, "mA", 6.0, 15.0),  # part of the range
        Signal(SignalKind.V_0_10, "V", 2.0, 8.0),
    ],
)
def test_other_signals_give_the_same_currents_and_ramps(signal) -> None:
    found = judged(0.0, 1.0, ("line", 1, 0.0), signal)
    assert found["current_at_zero"].as_found == pytest.approx(0.2, abs=0.001)
    assert found["current_at_full"].as_found == pytest.approx(1.0, abs=0.001)
    for name in RAMPS:
        assert found[name].as_found == pytest.approx(1.0, rel=0.01)

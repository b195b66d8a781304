"""A controller that makes its own ramps: a bound on the driver's, or the driver's own where it is the slower one."""

from __future__ import annotations

from collections.abc import Sequence
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


def shaped(ramp_s: float, shape: str, every_ms: int, step_pct: float, levels: Sequence[float] = LEVELS) -> np.ndarray:
    """Demand, a value each millisecond: lines or S-curves between levels, renewed and rounded as controllers do."""
    pieces, last = [np.zeros(1500)], 0.0
    for level in levels[1:]:
        x = np.arange(1, max(round(1000 * ramp_s * abs(level - last)), 1) + 1)
        x = x / x.size
        pieces += [last + (level - last) * (x * x * (3 - 2 * x) if shape == "s" else x), np.full(1500, level)]
        last = level
    demand = np.concatenate(pieces)
    demand = demand[np.arange(demand.size) // every_ms * every_ms]
    return np.rint(demand / (step_pct / 100)) * (step_pct / 100) if step_pct else demand


def judged(
    ramp_s: float,
    driver_s: float,
    how: tuple[str, int, float],
    signal: Signal,
    *,
    seed: int = 3,
    left_s: float | None = None,
    noise: float = 3e-4,
    rattle: float = 0.0,
    levels: Sequence[float] = LEVELS,
):
    """`left_s`: the sheet's ramps, the driver's own if not given. `noise` of the reading, `rattle` of the command."""
    rng = np.random.default_rng(seed)
    demand = shaped(ramp_s, *how, levels)
    demand = demand + rattle * np.sign(np.sin(2.0 * np.pi * 0.037 * np.arange(demand.size)))
    current = 0.2 + 0.8 * drive(demand, up_s=driver_s, down_s=driver_s, lags_s=(0.012, 0.012))[::10]
    read = drive(demand, up_s=0.0, down_s=0.0, lags_s=(0.008,))[::10] + noise * rng.standard_normal(current.size)
    command = signal.at_zero + (signal.at_full - signal.at_zero) * np.round(read * 4095) / 4095
    current = current + 8e-4 * rng.standard_normal(current.size)
    plain = sheet()
    as_left_s = driver_s if left_s is None else left_s
    left = {**plain.as_left, "ramp_up": as_left_s, "ramp_down": as_left_s}
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


#: Stairs of 40 ms: controller's ramp, driver's ramp (s over the full span).
STAIRS = ("line", 40, 0.0)


@pytest.mark.parametrize("left_s", [0.01, 0.6, 1.0])
@pytest.mark.parametrize("driver_s", [0.0, 0.1, 0.39])
@pytest.mark.parametrize("how", [STAIRS, ("line", 80, 0.0)])
def test_short_stairs_give_a_bound_whatever_the_sheet_says(how, driver_s, left_s) -> None:
    found = judged(0.4, driver_s, how, LOOP, left_s=left_s)
    for name in RAMPS:
        assert found[name].as_found is None
        assert max(driver_s, 0.4) <= found[name].bound_below <= 0.8


@pytest.mark.parametrize("noise", [3e-4, 2e-3])
@pytest.mark.parametrize("driver_s", [5.4, 5.95])
def test_a_bound_contains_the_truth_with_noise_and_stairs(driver_s, noise) -> None:
    found = judged(6.0, driver_s, STAIRS, LOOP, noise=noise)
    for name in RAMPS:
        assert found[name].as_found is None
        assert driver_s < 6.0 < found[name].bound_below < 8.5
        said = float(found[name].reason.split("not slower than ")[1].split()[0])
        assert said >= found[name].bound_below


@pytest.mark.parametrize("left_s", [1.0, 6.0, 12.0])
def test_a_driver_twice_as_slow_that_never_settles_is_measured(left_s) -> None:
    """Between moves the command rests for 1.5 s: this driver is under way from the first move to the last."""
    found = judged(6.0, 12.0, STAIRS, LOOP, left_s=left_s)
    for name in RAMPS:
        assert found[name].as_found == pytest.approx(12.0, rel=0.006)
        assert found[name].uncertainty < 0.01 * 12.0


def test_a_dithered_command_gives_a_bound() -> None:
    """A command source that rattles by half a percent at 37 Hz, in stairs."""
    found = judged(2.0, 1.0, STAIRS, LOOP, rattle=0.005)
    for name in RAMPS:
        assert found[name].as_found is None
        assert found[name].bound_below is None or 2.0 <= found[name].bound_below < 4.0


@pytest.mark.parametrize(("ramp_s", "driver_s"), [(60.0, 30.0), (600.0, 300.0)])
def test_ramps_of_minutes_invent_nothing(ramp_s, driver_s) -> None:
    levels = (0.0, 0.5, 0.0) if ramp_s > 100.0 else LEVELS[:5]
    found = judged(ramp_s, driver_s, STAIRS, LOOP, levels=levels)
    for name in RAMPS:
        assert found[name].as_found is None
        assert found[name].bound_below is None or found[name].bound_below > driver_s

"""A pressure that comes late as a whole, told from volumes, spools and accumulators that only take their time."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.judge import judge_log
from asleft.judge.segments.dwells import pressure_delay
from asleft.judge.types import Samples
from hydraulics import Press, run_of

STEP_S, REST_S = 0.01, 0.25


def lagged(values: np.ndarray, lag_s: float) -> np.ndarray:
    """First-order answer of a volume."""
    out, now = np.empty_like(values), values[0]
    share = 1.0 - np.exp(-STEP_S / lag_s)
    for k, value in enumerate(values):
        now += share * (value - now)
        out[k] = now
    return out


def move(
    ramp_s: float, *, dead_s: float = 0.0, lags_s: tuple[float, ...] = (0.05,), loop: float = 0.0, up: bool = True
):
    """Times, current and pressure of one move from zero to full or back, 0.2 to 1.0 A and 10 to 200 bar."""
    time_s = np.arange(0.0, REST_S + ramp_s + 6.0, STEP_S)
    current = lagged(np.clip((time_s - REST_S) / ramp_s, 0.0, 1.0), 0.05)
    pressure = np.clip((current - loop) / (1.0 - loop), 0.0, 1.0)
    for lag_s in lags_s:
        pressure = lagged(pressure, lag_s)
    pressure = np.interp(time_s - dead_s, time_s, pressure)
    if not up:
        current, pressure = 1.0 - current, 1.0 - pressure
    rng = np.random.default_rng(1)
    noise_a, noise_bar = 1e-3 * rng.standard_normal(time_s.size), 0.5 * rng.standard_normal(time_s.size)
    return time_s, 0.2 + 0.8 * current + noise_a, 10.0 + 190.0 * pressure + noise_bar


@pytest.mark.parametrize("up", [True, False])
@pytest.mark.parametrize("lag_s", [0.03, 0.2])
@pytest.mark.parametrize("ramp_s", [0.02, 0.5, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("dead_s", [0.6, 0.9, 1.5])
def test_a_dead_time_is_told(dead_s, ramp_s, lag_s, up) -> None:
    told = pressure_delay(*move(ramp_s, dead_s=dead_s, lags_s=(lag_s,), up=up), 0.8)
    assert told is not None
    assert told.dead_s == pytest.approx(dead_s, abs=0.15)


@pytest.mark.parametrize("lags_s", [(0.03,), (0.2,), (0.6,), (1.2,), (0.2, 0.2), (0.6, 0.6)])
@pytest.mark.parametrize("loop", [0.0, 0.05, 0.15])
@pytest.mark.parametrize("ramp_s", [0.02, 0.5, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("dead_s", [0.0, 0.2])
def test_what_takes_its_time_is_not_late(dead_s, ramp_s, loop, lags_s) -> None:
    """Slow volumes of first and second order, friction of up to 15 % of the span, 0.2 s between two channels."""
    told = pressure_delay(*move(ramp_s, dead_s=dead_s, lags_s=lags_s, loop=loop), 0.8)
    assert told is None or not told.dead_s


@pytest.mark.parametrize("limit", [0.5, 0.7, 0.9])
def test_an_accumulator_that_fills_at_a_limited_flow_is_not_late(limit) -> None:
    """Its pressure rises straight on after the current has stopped, but it began with the current."""
    time_s, current, _ = move(3.0)
    filled = np.minimum(np.clip((time_s - REST_S) / 3.0 * limit, 0.0, 1.0), (current - 0.2) / 0.8 + 0.01)
    told = pressure_delay(time_s, current, 10.0 + 190.0 * filled, 0.8)
    assert told is None or not told.dead_s


def test_nothing_is_told_of_a_pressure_that_a_load_makes_or_that_has_not_arrived() -> None:
    time_s, current, pressure = move(2.0, dead_s=0.8)
    assert pressure_delay(time_s, current, np.full_like(pressure, 40.0), 0.8) is None
    assert pressure_delay(time_s, current, 210.0 - pressure, 0.8) is None
    short = time_s < REST_S + 2.0 + 0.5
    assert pressure_delay(time_s[short], current[short], pressure[short], 0.8) is None
    assert pressure_delay(time_s, current, np.full_like(pressure, np.nan), 0.8) is None


@pytest.mark.parametrize("from_s", [0.0, 150.0])
def test_a_log_whose_pressure_is_read_late_says_so(from_s) -> None:
    press = Press(up_s=1.0, down_s=0.6)
    log = run_of(press, 4)
    now = log.time_s - log.time_s[0]
    late = np.interp(log.time_s - np.where(now >= from_s, 0.8, 0.0), log.time_s, log.channels["pressure"])
    judgement = judge_log(press.sheet(), Samples(log.time_s, {**log.channels, "pressure": late}))
    finding = next(one for one in judgement.findings if one.kind == "response-changed")
    assert finding.part is Part.DATA
    assert "0.8 s" in finding.evidence
    assert finding.onset_s == pytest.approx(log.time_s[0] + from_s, abs=15.0)

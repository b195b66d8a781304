"""Noise that command and current share, against readings made here by filters written out sample by sample."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.noise import LAGS, SharedNoise, WireDensity, _shared

STEP_S = 0.001
COMMAND_S, DRIVER_S, READING_S = 0.010, 0.014, 0.009
DENSITY_S = 1.25e-9  # 0.05 % of noise, new each 5 ms


def followed(values: np.ndarray, lag_s: float) -> np.ndarray:
    keep, y, out = np.exp(-STEP_S / lag_s), 0.0, np.empty_like(values)
    for k, x in enumerate(values.tolist()):
        y = keep * y + (1.0 - keep) * x
        out[k] = y
    return out


def readings(
    level: float, seed: int, *, hz: int = 100, wire: float = 1.0, late_s: float = 0.0, tone: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Command and current (shares) of a dwell of two seconds, behind their filters, with noise of their own."""
    rng = np.random.default_rng(seed)
    noise = wire * np.sqrt(DENSITY_S / STEP_S) * rng.standard_normal(2300)
    demand = np.clip(level + noise, 0.0, 1.0) - level
    every, late = round(1.0 / (hz * STEP_S)), round(late_s / STEP_S)
    command = followed(noise, COMMAND_S)[300::every]
    current = np.roll(followed(followed(demand, DRIVER_S), READING_S), late)[300::every]
    n = command.size
    current = current + tone * np.sin(2.0 * np.pi * 11.3 * np.arange(n) / hz + rng.uniform(0.0, 6.0))
    return level + command + 2e-4 * rng.standard_normal(n), level + current + 1e-3 * rng.standard_normal(n)


def seen_noise(levels: tuple[float, ...] = (0.6, 0.3), dwells: int = 90, hz: int = 100, **more: float) -> SharedNoise:
    known = SharedNoise()
    time_s = np.arange(2 * hz) / hz
    turns = 2.0 * np.pi * 11.3 * time_s
    beside = np.column_stack((np.cos(turns), np.sin(turns))) if more.get("tone") else np.empty((2 * hz, 0))
    for k in range(dwells):
        command, current = readings(levels[k % len(levels)], 1000 + k, hz=hz, **more)
        known = known.updated(command, current, 1.0 / hz, beside)
    return known


def told(known: SharedNoise, hz: int = 100, late_s: float = 0.0, alike: float = 0.0) -> WireDensity:
    """By the current alone: what the command says by itself is given no weight."""
    return known.on_wire(
        (1e4, 1e-4, alike), 1.0 / hz, COMMAND_S, (DRIVER_S, READING_S), late_s - COMMAND_S
    )  # fmt: skip


@pytest.mark.parametrize("hz", [50, 100, 200])
def test_the_density_on_the_wire_is_found_whatever_the_sample_rate(hz: int) -> None:
    found = told(seen_noise(hz=hz), hz)
    assert abs(found.density_s - DENSITY_S) < 2.5 * found.u_s
    assert found.u_s < 0.3 * DENSITY_S
    assert found.lag_s == pytest.approx(DRIVER_S + READING_S)


def test_a_late_channel_does_not_hide_it() -> None:
    found = told(seen_noise(late_s=0.03), late_s=0.03)
    assert abs(found.density_s - DENSITY_S) < 2.5 * found.u_s
    assert found.u_s < 0.3 * DENSITY_S


def test_noise_of_the_readings_themselves_is_not_on_the_wire() -> None:
    found = told(seen_noise(wire=0.0))
    assert abs(found.density_s) < 2.5 * found.u_s
    assert found.u_s < 0.3 * DENSITY_S


def moving(seed: int, *, ends: float, step: float) -> tuple[np.ndarray, np.ndarray]:
    """A dwell of four seconds on a quiet wire: the end of a soft stroke of `ends`, and a level `step` further on."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 4.0, STEP_S)
    demand = 0.5 - ends * np.clip(1.0 - time_s / 0.3, 0.0, None) ** 2 + step * (time_s > rng.uniform(1.0, 3.0))
    current = followed(followed(demand - demand[0], DRIVER_S), READING_S)[::10] + demand[0]
    return demand[::10] + 1e-3 * rng.standard_normal(400), current + 1e-3 * rng.standard_normal(400)


@pytest.mark.parametrize(("ends", "step"), [(0.01, 0.0), (0.0, 0.0008)])
def test_what_moves_slowly_within_dwells_is_no_noise_on_the_wire(ends: float, step: float) -> None:
    known = SharedNoise()
    for k in range(60):
        known = known.updated(*moving(300 + k, ends=ends, step=step), 0.01, np.empty((400, 0)))
    found = told(known)
    assert abs(found.density_s) < 3.0 * found.u_s
    assert found.u_s < 2.5 * DENSITY_S


def test_a_tone_in_the_current_is_taken_out() -> None:
    clear, toned = told(seen_noise()), told(seen_noise(tone=5e-3))
    assert toned.u_s == pytest.approx(clear.u_s, rel=0.1)
    assert toned.density_s == pytest.approx(clear.density_s, abs=clear.u_s)


def test_the_half_that_the_driver_does_not_clip_tells_of_all() -> None:
    """A press that is only switched on and off has no other dwells."""
    found = told(seen_noise(levels=(0.0, 1.0)))
    assert abs(found.density_s - DENSITY_S) < 2.5 * found.u_s
    assert found.u_s < 0.6 * DENSITY_S


def test_stated_uncertainty_is_the_scatter() -> None:
    found = []
    for seed in range(40):
        known = SharedNoise()
        for k in range(6):
            command, current = readings(0.5, 50 * seed + k)
            known = known.updated(command, current, 0.01, np.empty((200, 0)))
        found.append(told(known))
    off = np.array([(d.density_s - DENSITY_S) / d.u_s for d in found])
    assert 0.75 < off.std() < 1.6
    assert abs(off.mean()) < 0.6


def test_the_command_alone_tells_too_and_nothing_heard_tells_nothing() -> None:
    alike = DENSITY_S * np.exp(-1.0) / (2.0 * COMMAND_S)
    alone = SharedNoise().on_wire((2e4, 1e-7, alike), 0.01, COMMAND_S, (DRIVER_S, READING_S), 0.0)
    assert alone.density_s == pytest.approx(DENSITY_S)
    assert alone.most_s == pytest.approx(2.0 * COMMAND_S * 1e-7)
    blind = SharedNoise().on_wire((2e4, 1e-7, alike), 0.01, None, (DRIVER_S, READING_S), 0.0)
    assert blind.density_s == 0.0
    assert blind.u_s == blind.most_s > 0.0
    assert SharedNoise().on_wire((0.0, 0.0, 0.0), 0.01, None, (DRIVER_S, READING_S), 0.0).most_s == 0.0


def test_sums_go_to_a_row_and_back() -> None:
    known = seen_noise(dwells=3)
    assert SharedNoise.from_row(known.row()) == known
    assert len(known.cross) == LAGS


def test_a_single_lag_is_no_division_by_zero() -> None:
    """A shape of the lag at its end, one lag and none beside it, is the limit of a very small one."""
    assert _shared(0.01, 0.008, (0.02, 0.0)) == pytest.approx(_shared(0.01, 0.008, (0.02, 1e-5)), rel=2e-3)


@pytest.mark.parametrize("new_each_ms", [2, 5, 10])
def test_what_is_found_on_the_wire_is_believed_up_to_what_readings_can_hide(new_each_ms: int) -> None:
    """Noise that is new every 2 to 10 ms, read every 10 ms without a filter that shows: its density is the step."""
    rng, known = np.random.default_rng(5), SharedNoise()
    squares = 0.0
    for _ in range(60):
        noise = np.repeat(1e-3 * rng.standard_normal(2300 // new_each_ms + 1), new_each_ms)[:2300]
        command = noise[300::10]
        current = followed(followed(noise, DRIVER_S), READING_S)[300::10] + 1e-4 * rng.standard_normal(200)
        known = known.updated(0.5 + command, 0.5 + current, 0.01, np.empty((200, 0)))
        squares += float(command.var()) / 60.0
    found = known.on_wire((12_000.0, squares, 0.0), 0.01, None, (DRIVER_S, READING_S), 0.0)
    density_s = 1e-6 * new_each_ms * STEP_S
    assert found.most_s > 0.8 * density_s, "all of it may be there"
    assert found.most_s <= 1.02 * 0.01 * squares
    silent = SharedNoise().on_wire((12_000.0, squares, 0.0), 0.01, None, (DRIVER_S, READING_S), 0.0)
    assert silent.most_s < 0.5 * 0.01 * squares, "and no such wire is presumed"

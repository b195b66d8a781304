"""Dither that beats slowly with the sampling, in the means of dwells made here sample by sample."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.driver.beat import without_beat
from asleft.judge.features import Dwell
from synth import dwell

INTERVAL_S, SPAN_A = 0.01, 0.8
LEVELS = (0.0, 0.22, 0.61, 1.0)


def dwells_of(seed: int, beside: object, *, count: int = 120, noise_a: float = 8e-4) -> list[Dwell]:
    """Dwells of 2 to 5 s at four levels in turn; `beside(time_s)` (A) comes on top of the current."""
    rng = np.random.default_rng(seed)
    out, now_s = [], 0.0
    for k in range(count):
        u, time_s = LEVELS[k % len(LEVELS)], now_s + np.arange(0.0, rng.uniform(2.0, 5.0), INTERVAL_S)
        current = 0.2 + SPAN_A * u + beside(time_s) + noise_a * rng.standard_normal(time_s.size)
        own = dwell(u, float(current.mean()), current_se_a=float(current.std() / np.sqrt(time_s.size)))
        out.append(own._replace(from_s=float(time_s[0]), to_s=float(time_s[-1])))
        now_s = float(time_s[-1]) + rng.uniform(0.5, 2.0)
    return out


def errors_a(dwells: list[Dwell]) -> np.ndarray:
    return np.array([d.current_a - 0.2 - SPAN_A * d.demand for d in dwells])


@pytest.mark.parametrize("beat_hz", [0.005, 0.07, 0.453, 0.89])
def test_a_slow_beat_is_taken_off(beat_hz: float) -> None:
    for seed in range(4):
        dwells = dwells_of(seed, lambda t, phase=seed: 0.02 * np.sin(2.0 * np.pi * beat_hz * t + phase))
        found = without_beat(dwells, SPAN_A, INTERVAL_S)
        assert found.amplitude_a == pytest.approx(0.02, rel=0.05)
        assert [d.from_s for d in found.dwells] == [d.from_s for d in dwells]
        by_level = [np.mean(errors_a(found.dwells)[k :: len(LEVELS)]) for k in range(len(LEVELS))]
        assert np.abs(by_level).max() < 1.2e-4, "two standard errors of the fit"


def faulty(kind: str) -> object:
    return {
        "steps": lambda t: np.where(t > 200.0, 0.02, 0.0),
        "creeps": lambda t: 0.02 * t / 400.0,
        "creeps at last": lambda t: -0.0035 * np.maximum(t - 400.0, 0.0),
        "comes and goes": lambda t: np.where((t // 70.0) % 2 > 0, 0.02, 0.0),
        "a loose contact": lambda t: np.where((t // 17.0) % 5 == 3, -0.05, 0.0),
        "nothing": lambda t: 0.0 * t,
    }[kind]


@pytest.mark.parametrize(
    "kind", ["steps", "creeps", "creeps at last", "comes and goes", "a loose contact", "nothing"]
)
def test_what_moves_a_current_otherwise_stays(kind: str) -> None:
    for seed in range(6):
        dwells = dwells_of(seed, faulty(kind))
        assert without_beat(dwells, SPAN_A, INTERVAL_S).dwells == dwells


def test_few_dwells_tell_no_beat() -> None:
    dwells = dwells_of(1, lambda t: 0.02 * np.sin(2.0 * np.pi * 0.1 * t), count=29)
    assert without_beat(dwells, SPAN_A, INTERVAL_S).dwells == dwells

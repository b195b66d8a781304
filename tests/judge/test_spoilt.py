"""Spoilt logs: right within what is stated, or not observed with the reason, and never an invented time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.judge import judge_log
from asleft.judge.types import FloatArray, QuantityResult, Samples, Verdict
from asleft.sheet.model import MadeBy
from lanes import by_id
from synth import MA, drive, recording, sheet

LEVELS = [0.0, 0.4, 1.0, 0.6, 0.2, 0.8, 0.0] * 4
TRUE = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": 0.7, "ramp_down": 1.3}
Spoil = Callable[[Samples, np.random.Generator], Samples]


@pytest.fixture(scope="module")
def fine() -> Samples:
    """Seventy seconds of steps at 1 kHz, ramps 0.7 and 1.3 s."""
    return recording(LEVELS, hold_s=2.4, up_s=0.7, down_s=1.3, lags_s=(0.012, 0.015), rate_hz=1000.0)


def every(samples: Samples, k: int) -> Samples:
    return Samples(samples.time_s[::k], {name: v[::k] for name, v in samples.channels.items()})


def with_current(samples: Samples, current_a: FloatArray) -> Samples:
    return Samples(samples.time_s, {**samples.channels, "current": current_a})


def judged(samples: Samples, left: dict[str, float] | None = None) -> dict[str, QuantityResult]:
    wanted = sheet()
    tolerance = {name: wanted.tolerance[name] for name in TRUE}
    return by_id(judge_log(replace(wanted, as_left={**TRUE, **(left or {})}, tolerance=tolerance), samples))


def assert_right(found: dict[str, QuantityResult], *, times: float = 1.5) -> None:
    """Every quantity seen lies within `times` its U (95 % intervals may miss now and then), none is wild."""
    for name, true in TRUE.items():
        quantity = found[name]
        assert quantity.as_found is not None, (name, quantity.reason)
        assert quantity.uncertainty is not None
        assert abs(quantity.as_found - true) <= times * quantity.uncertainty, (name, quantity)
        assert quantity.uncertainty < 0.1 * true + 0.01


def late(samples: Samples, seconds: float) -> Samples:
    return with_current(
        samples, np.interp(samples.time_s - seconds, samples.time_s, np.asarray(samples.channels["current"]))
    )


def spiked(samples: Samples, rng: np.random.Generator) -> Samples:
    current = np.array(samples.channels["current"])
    at = rng.random(current.size) < 0.002
    current[at] += 0.4 * rng.choice((-1.0, 1.0), int(at.sum()))
    return with_current(samples, current)


def stuck(samples: Samples, _: np.random.Generator) -> Samples:
    current = np.array(samples.channels["current"])
    n = current.size
    current[n // 2 : n // 2 + n // 5] = current[n // 2]
    return with_current(samples, current)


def gaps(samples: Samples, rng: np.random.Generator) -> Samples:
    keep = np.ones(samples.time_s.size, dtype=bool)
    for first in rng.integers(keep.size, size=6).tolist():
        keep[first : first + int(rng.integers(20, 200))] = False
    return Samples(samples.time_s[keep], {name: v[keep] for name, v in samples.channels.items()})


def aliased(samples: Samples, _: np.random.Generator) -> Samples:
    """Unfiltered dither of 120.7 Hz, 30 mA peak, read 100 times a second."""
    tone = 0.03 * np.sin(2.0 * np.pi * 120.7 * samples.time_s)
    return with_current(samples, np.asarray(samples.channels["current"]) + tone)


def stepped(samples: Samples, _: np.random.Generator) -> Samples:
    """Twelve bits over 2 A and 22 mA."""
    return Samples(
        samples.time_s,
        {
            "command": np.round(samples.channels["command"] / (22 / 4095)) * (22 / 4095),
            "current": np.round(samples.channels["current"] / (2 / 4095)) * (2 / 4095),
        },
    )


SPOILS: dict[str, Spoil] = {
    "late by 50 ms": lambda samples, _: late(samples, 0.05),
    "spikes": spiked,
    "stuck": stuck,
    "gaps": gaps,
    "aliased": aliased,
    "stepped": stepped,
}


@pytest.mark.parametrize("name", list(SPOILS))
def test_a_spoilt_log_is_right_within_what_it_states(fine: Samples, name: str) -> None:
    assert_right(judged(SPOILS[name](every(fine, 10), np.random.default_rng(5))))


@pytest.mark.parametrize("k", [5, 20, 50, 100])
def test_from_ten_to_two_hundred_readings_a_second(fine: Samples, k: int) -> None:
    assert_right(judged(every(fine, k)))


def test_irregular_sampling(fine: Samples) -> None:
    taken = np.sort(np.random.default_rng(9).choice(fine.time_s.size, fine.time_s.size // 10, replace=False))
    assert_right(judged(Samples(fine.time_s[taken], {name: v[taken] for name, v in fine.channels.items()})))


def test_ramps_twice_as_long_as_left(fine: Samples) -> None:
    found = judged(every(fine, 10), {"ramp_up": 0.35, "ramp_down": 0.65})
    assert_right(found)
    assert found["ramp_up"].verdict is found["ramp_down"].verdict is Verdict.OUT


def test_aliased_dither_costs_little_where_it_is_taken_out(fine: Samples) -> None:
    """Thirty times the noise, and the ramps hardly less sure."""
    plain, toned = judged(every(fine, 10)), judged(aliased(every(fine, 10), np.random.default_rng(1)))
    for name in ("ramp_up", "ramp_down"):
        assert (toned[name].uncertainty or 9.0) < 1.6 * (plain[name].uncertainty or 0.0)


def test_the_uncertainty_grows_with_smaller_strokes_and_fewer() -> None:
    def ramp_u(levels: list[float]) -> float:
        log = recording(levels, hold_s=2.0, up_s=0.7, down_s=1.3, lags_s=(0.012, 0.015))
        found = judged(log)["ramp_up"]
        assert abs((found.as_found or 0.0) - 0.7) <= 1.5 * (found.uncertainty or 0.0)
        return found.uncertainty or 0.0

    large, small, few = ramp_u([0.1, 0.9] * 8), ramp_u([0.4, 0.6] * 8), ramp_u([0.4, 0.6] * 3)
    assert small > 2.0 * large
    assert few > 1.3 * small


def test_a_controllers_own_ramp_gives_a_bound_and_no_time() -> None:
    grid = np.arange(90_000) * 1e-3
    saw = np.interp(grid % 10.0, [0.0, 1.0, 5.0, 6.0, 10.0], [0.0, 0.0, 1.0, 1.0, 0.0])  # 4 s over the full span
    rng = np.random.default_rng(3)
    current = 0.2 + 0.8 * drive(saw, up_s=0.7, down_s=1.3, lags_s=(0.012, 0.015))[::10]
    n = current.size
    samples = Samples(
        1000.0 + np.arange(n) / 100,
        {
            "command": 4.0 + 16.0 * (saw[::10] + 3e-4 * rng.standard_normal(n)),
            "current": current + 5e-4 * rng.standard_normal(n),
        },
    )
    made = replace(sheet(), signal=replace(MA, made_by=MadeBy.CONTROLLER_RAMPS))
    found = by_id(judge_log(made, samples))
    for name, true in (("ramp_up", 0.7), ("ramp_down", 1.3)):
        assert found[name].verdict is Verdict.NOT_OBSERVED
        assert "controller makes its own" in found[name].reason
        assert found[name].bound_below is not None
        # Seen would be a limiter an eighth behind at the end of the climb, 4 s / (7/8), and what the noise allows.
        assert true < found[name].bound_below < 5.5

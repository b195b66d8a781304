"""A current that is cut off at times is no gain, no offset and no reading that comes and goes."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.driver.supply import cut_by_supply
from asleft.judge.finding.departures import _lower_as_ever, _one_current
from asleft.judge.judge import judge_log
from asleft.judge.onset import Times
from asleft.judge.types import Samples
from lanes import by_id, causes
from synth import dwell, recording, sheet

LEFT = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": 1.0, "ramp_down": 1.0}


def log(cut_a: float = np.inf, gain: float = 1.0, *, top: float = 0.02, every_s: float = 60.0) -> Samples:
    """Ten minutes; in every other minute, or other time, the current ends at `cut_a` or is read `gain` too high."""
    rng = np.random.default_rng(5)
    tops = 1.0 - top * rng.uniform(size=80)
    levels = np.stack([np.zeros(80), np.full(80, 0.45), tops], axis=1).ravel()
    whole = recording(levels.tolist(), hold_s=2.5, rate_hz=50.0, noise_a=0.0, seed=5)
    odd = ((whole.time_s - whole.time_s[0]) // every_s) % 2 == 1
    current = whole.channels["current"]
    current = np.where(odd, gain * np.minimum(current, cut_a), current) + 5e-4 * rng.standard_normal(current.size)
    return replace(whole, channels={**whole.channels, "current": current})


@pytest.mark.parametrize("top", [0.0, 0.03])
def test_a_limit_that_comes_and_goes_is_a_limit(top: float) -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(cut_a=0.93, top=top))
    assert "current-clipped" in causes(judgement)
    assert "current-full-changed" not in {f.kind for f in judgement.findings}
    finding = next(f for f in judgement.findings if f.kind == "current-clipped")
    assert Part.CURRENT_SENSOR not in {finding.part, *finding.alternatives}


@pytest.mark.parametrize(("limit_a", "taken_a", "told"), [(0.93, 0.0, True), (0.93, 0.06, False), (0.9, 0.0, False)])
def test_a_limit_just_above_the_second_highest_level_is_told_by_that_level(
    limit_a: float, taken_a: float, told: bool
) -> None:
    """0.92 A at 90 % command stays beside a limit of 0.93 A; a gain takes from it, and so does a lower limit."""
    visits = [(k, u) for k in range(20) for u in (0.0, 0.9, 1.0)]
    dwells = [
        dwell(u, 0.2 + 0.8 * u - (taken_a if u == 0.9 and k % 2 else 0.0), from_s=10.0 * k + u, flat=1.0)
        for k, u in visits
    ]
    context: Any = SimpleNamespace(seen=SimpleNamespace(dwells=dwells))
    times = Times(frozenset(10.0 * k + 1.0 for k in range(1, 20, 2)), None)
    assert _lower_as_ever(context, times, 20, (limit_a, 1.0 - limit_a)) is told


@pytest.mark.parametrize("top", [0.0, 0.03])
def test_a_gain_that_comes_and_goes_is_no_limit(top: float) -> None:
    judgement = judge_log(sheet(as_left=LEFT), log(gain=0.94, top=top))
    assert "current-clipped" not in {f.kind for f in judgement.findings}
    assert by_id(judgement)["current_at_full"].as_left == 1.0
    assert "current-full-changed" in {f.kind for f in judgement.findings}


@pytest.mark.parametrize("every_s", [3.4, 5.0, 6.8])
def test_a_gain_that_comes_and_goes_within_a_cycle_is_no_limit(every_s: float) -> None:
    """Away between two visits of the top that both met it, it leaves the levels in between as they are."""
    judgement = judge_log(sheet(as_left=LEFT), log(gain=0.94, top=0.0, every_s=every_s))
    assert "current-clipped" not in {f.kind for f in judgement.findings}


def creeping(begins_s: float, per_s: float, *, limit: bool) -> Samples:
    """Ten cycles of 0, 55, 100 and 55 % command; a limit creeps down by `per_s` (A/s), or a gain by as much."""
    whole = recording([0.0, 0.55, 1.0, 0.55] * 10, hold_s=6.0, rate_hz=50.0, noise_a=5e-4, seed=7)
    lost_a = per_s * np.maximum(whole.time_s - whole.time_s[0] - begins_s, 0.0)
    current = whole.channels["current"]
    current = np.minimum(current, 1.0 - lost_a) if limit else current - lost_a * (current - 0.2) / 0.8
    return replace(whole, channels={**whole.channels, "current": current})


#: The limit comes to more than two tolerances in one cycle; or it is first met at the last visit of the top.
_CREEPS = pytest.mark.parametrize(("begins_s", "per_s"), [(170.0, 0.0022), (205.0, 0.0035)])


@_CREEPS
def test_a_limit_that_creeps_is_a_limit(begins_s: float, per_s: float) -> None:
    judgement = judge_log(sheet(as_left=LEFT), creeping(begins_s, per_s, limit=True))
    assert [f.kind for f in judgement.findings if f.consequence_of is None] == ["current-clipped"]


@_CREEPS
def test_a_gain_that_creeps_is_no_limit(begins_s: float, per_s: float) -> None:
    judgement = judge_log(sheet(as_left=LEFT), creeping(begins_s, per_s, limit=False))
    assert "current-clipped" not in {f.kind for f in judgement.findings}


@pytest.mark.parametrize("seed", range(8))
def test_visits_of_one_command_are_no_commands_that_have_one_current(seed: int) -> None:
    """Where they differ by a ten-thousandth, chance may give the line through them any slope, and none at all."""
    rng = np.random.default_rng(seed)
    visits = [
        dwell(1.0 + 1e-4 * rng.uniform(), 0.93 + 2e-6 * rng.standard_normal(), from_s=10.0 * k, flat=1.0)
        for k in range(8)
    ]
    line = SimpleNamespace(at_zero_a=0.2, at_full_a=1.0)
    context: Any = SimpleNamespace(seen=SimpleNamespace(dwells=visits), found=SimpleNamespace(line=line))
    assert not _one_current(context, Times(frozenset(d.from_s for d in visits), None))


@pytest.mark.parametrize(("low_v", "takes_a", "told"), [(9.0, 0.35, True), (23.0, 0.35, False), (9.0, 0.0, False)])
def test_what_lacks_current_while_the_supply_had_sagged_is_cut_by_it(
    low_v: float, takes_a: float, told: bool
) -> None:
    """Currents wander by 0.04 A from visit to visit, so that what is cut off has no one current of its own."""
    wander, rng = (0.04, 0.0, -0.04), np.random.default_rng(3)
    dwells = []
    for k in range(12):
        sags = k % 3 == 1
        for n, u in enumerate((0.1, 0.8, 1.0)):
            whole = 0.2 + 0.8 * u + wander[int(rng.integers(3))]
            current = min(whole, 1.0 - takes_a + 0.03 * rng.uniform()) if sags and takes_a else whole
            volts = low_v if sags else 24.0
            dwells.append(dwell(u, current, from_s=10.0 * (3 * k + n), supply_v=volts, flat=1.0))
    cut = cut_by_supply(dwells, 22.0, 0.1, 0.8)
    sagged = {d.from_s for d in dwells if d.supply_v == low_v and d.demand > 0.5}
    assert cut == (sagged if told else frozenset())


def test_a_supply_that_was_low_all_along_is_no_cut_that_comes_and_goes() -> None:
    low = [dwell(u, 0.2 + 0.4 * u, from_s=10.0 * k, supply_v=9.0) for k, u in enumerate((0.1, 0.8, 1.0) * 4)]
    assert cut_by_supply(low, 22.0, 0.016, 0.8) == frozenset()

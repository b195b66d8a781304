"""The envelope and the other running conditions against the same rule followed sample by sample, however cut."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from asleft.judge.intake.holding import STANDS_S, UnansweredCarry, gaps, unanswered
from asleft.judge.intake.intake import CURRENT, DEMAND, PRESSURE, ROWS, STATE, TIME
from asleft.judge.intake.states import NOT_ENABLED, PRODUCING, STOPPED
from asleft.judge.watching.asked import expected_envelope, pressure_unasked
from asleft.judge.watching.stretches import WatchCarry
from synth import sheet

SLOW, LAG_S = (1.2, 2.0), 0.03


def data(seed: int, n: int = 3000) -> np.ndarray:
    """A command that steps, fails now and then, and pauses."""
    rng = np.random.default_rng(seed)
    out = np.full((ROWS, n), np.nan)
    step_s = np.full(n, 0.01)
    step_s[rng.integers(1, n, 3)] = (2.0, 40.0, 4000.0)
    out[TIME] = 1.7e9 + np.cumsum(step_s)
    out[DEMAND] = np.repeat(rng.uniform(-0.05, 1.05, 60), n // 60) + rng.normal(0.0, 3e-4, n)
    for first in rng.integers(0, n, 4):
        out[DEMAND, first : first + rng.choice([1, 20, 90, 300])] = np.nan
    out[PRESSURE] = np.where(rng.random(n) < 0.05, np.nan, 40.0 + np.cumsum(rng.normal(0.0, 1.0, n)))
    out[STATE] = np.repeat(rng.choice([PRODUCING, STOPPED, NOT_ENABLED], 30), n // 30)
    out[CURRENT] = 0.2
    return out


def cuts_of(seed: int, n: int) -> list[int]:
    rng = np.random.default_rng(seed + 1000)
    return sorted({0, n, *rng.integers(1, n, int(rng.integers(0, 40))).tolist()})


def by_hand(columns: np.ndarray) -> tuple[list[float], list[float]]:
    rise, fall = 1.0 / (3.0 * SLOW[0]), 1.0 / (3.0 * SLOW[1])
    high = low = unknown_s = 0.0
    highs, lows = [], []
    before = None
    for t, u in zip(columns[TIME].tolist(), columns[DEMAND].tolist(), strict=True):
        dt = math.inf if before is None or t - before > 1.5 else t - before
        before = t
        if u == u:
            unknown_s = 0.0
            high, low = max(high - fall * dt, u), min(low + rise * dt, u)
        else:
            unknown_s += dt
            if unknown_s > 0.5:
                high, low = 1.0, 0.0
        highs.append(high)
        lows.append(low)
    return highs, lows


@pytest.mark.parametrize("seed", range(12))
def test_the_envelope_is_that_of_the_rule(seed) -> None:
    columns = data(seed)
    carry, highs, lows = WatchCarry(), [], []
    for a, b in itertools.pairwise(cuts_of(seed, columns.shape[1])):
        part = columns[:, a:b]
        gap = gaps(part[TIME], carry.last_s if np.isfinite(carry.last_s) else None)
        gap[0] |= not np.isfinite(carry.last_s)
        high, low = expected_envelope(part, carry, SLOW, LAG_S, gap)
        carry.last_s = float(part[TIME, -1])
        highs += high.tolist()
        lows += low.tolist()
    expected_high, expected_low = by_hand(columns)
    assert highs == pytest.approx(expected_high, abs=1e-12)
    assert lows == pytest.approx(expected_low, abs=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_commands_that_stay_unanswered(seed) -> None:
    """The rule as a loop over samples: standing without current, or risen twice; then until current flows."""
    columns = data(seed)
    columns[TIME] = 1.7e9 + 5.0 * (columns[TIME] - 1.7e9)
    off = np.random.default_rng(seed).random(50).repeat(60) < 0.7
    gap = gaps(columns[TIME], None)
    rises, was_low, up, since, lost, expected = 0, False, math.inf, None, False, []
    for u, at, quiet, pause in zip(
        columns[DEMAND].tolist(), columns[TIME].tolist(), off.tolist(), gap.tolist(), strict=True
    ):
        if not quiet:
            was_low = u < 0.15 if u == u else was_low
            rises, since, up, lost = 0, None, math.inf if was_low else -math.inf, False
        else:
            since = at if since is None else since
            up = math.inf if pause or u < 0.15 else up
            if u > 0.3 and was_low:
                rises, was_low, up = rises + 1, False, at
            elif u < 0.15:
                was_low = True
            lost = lost or rises >= 2 or at - max(up, since) >= STANDS_S
        expected.append(lost)
    carry, found = UnansweredCarry(), []
    for a, b in itertools.pairwise(cuts_of(seed, off.size)):
        part, carry = unanswered(columns[TIME, a:b], columns[DEMAND, a:b], off[a:b], gap[a:b], carry)
        found += part.tolist()
    assert any(expected)
    assert found == expected
    assert (carry.rises, carry.was_low, carry.lost) == (rises, was_low, lost)


@pytest.mark.parametrize("seed", range(12))
def test_pressure_above_the_lowest_of_a_rest(seed) -> None:
    columns, valve = data(seed), sheet(as_left={**sheet().as_left, "pressure_at_full": 100.0})
    full = valve.as_left["pressure_at_full"]
    lowest, expected = math.inf, []
    for p, state in zip(columns[PRESSURE].tolist(), columns[STATE].tolist(), strict=True):
        still = state in {STOPPED, NOT_ENABLED}
        if not still:
            lowest = math.inf
        elif p == p:
            lowest = min(lowest, p)
        let_through = -math.inf if state == STOPPED else valve.as_left["pressure_at_zero"] + 0.1 * full
        expected.append(still and p > max(lowest + 0.1 * full, let_through))
    carry, found = WatchCarry(), []
    for a, b in itertools.pairwise(cuts_of(seed, columns.shape[1])):
        found += pressure_unasked(columns[:, a:b], valve, carry).tolist()
    assert any(expected)
    assert found == expected

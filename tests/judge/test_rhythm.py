from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict

import numpy as np
import pytest
from asleft.judge.intake.rhythm import Rhythm, RhythmCarry
from asleft.judge.intake.states import StateCarry
from stored import stored

CYCLES = {
    "pressing": (0.0, 0.35, 0.7, 1.0, 0.4),
    "cushion": (0.0, 0.6, 1.0, 0.6, 0.25),
    "clamping": (0.0, 0.25, 0.5, 1.0),
    "one low level": (0.0, 0.3),
    "never at zero": (0.1, 0.3, 0.45, 0.3),
}


def production(levels, cycles, start_s=0.0, rng=None) -> list[tuple[float, float]]:
    """Events of some cycles: two seconds a level, the levels as read."""
    rng = rng or np.random.default_rng(1)
    out = []
    for _ in range(cycles):
        for u in levels:
            out.append((start_s, u + 5e-4 * rng.standard_normal()))
            start_s += 2.0 * rng.normal(1.0, 0.05)
    return out


def jogs(n, start_s=0.0, seed=2) -> list[tuple[float, float]]:
    """A hand: to odd levels below half, and back."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(n):
        out += [(start_s, rng.uniform(0.05, 0.45)), (start_s + 1.5, 0.0)]
        start_s += 4.0
    return out


def odds(events, carry=None) -> tuple[list[float], Rhythm]:
    rhythm = Rhythm(carry or RhythmCarry())
    out = []
    for at_s, u in events:
        rhythm.take(at_s, u)
        out.append(rhythm.odds)
    return out, rhythm


@pytest.mark.parametrize("name", CYCLES)
def test_production_is_production_from_its_first_cycle_on(name) -> None:
    seen, rhythm = odds(production(CYCLES[name], 60))
    assert max(seen) < 0.0
    assert max(seen[-30:]) < -4.0
    assert rhythm.carry().cycle_pct() == sorted({round(100 * u) for u in CYCLES[name]})


def test_jogging_is_found_by_its_second_odd_level_and_over_in_the_second_step_of_the_cycle() -> None:
    cycle = CYCLES["pressing"]
    first = production(cycle, 40)
    hand = jogs(40, first[-1][0] + 2.0)
    again = production(cycle, 10, hand[-1][0] + 2.0)
    seen, _ = odds([*first, *hand, *again])
    a, b = len(first), len(first) + len(hand)
    assert max(seen[:a]) < 0.0
    assert min(seen[a + 3 : b]) > 0.0
    assert max(seen[b + 3 :]) < 0.0


def test_jogging_is_found_before_anything_was_learnt_and_is_not_learnt_itself() -> None:
    hand = jogs(300)
    seen, rhythm = odds(hand)
    assert min(seen[12:]) > 0.0
    assert rhythm.carry().cycle_pct() == []
    after, _ = odds(production(CYCLES["clamping"], 5, hand[-1][0] + 2.0), rhythm.carry())
    assert max(after[5:]) < 0.0


def test_a_new_programme_is_production_from_its_second_cycle_on() -> None:
    first = production(CYCLES["pressing"], 100)
    seen, _ = odds([*first, *production((0.0, 0.22, 0.55, 0.81), 20, first[-1][0] + 2.0)])
    assert max(seen[len(first) + 5 :]) < 0.0


def test_a_sweep_is_no_set_up() -> None:
    up = [k / 10 for k in range(11)]
    seen, _ = odds(production([0.0, 1.0, *up, *up[-2:0:-1]], 1))
    assert max(seen) < 0.0


def test_the_same_level_told_again_is_no_news() -> None:
    events = production(CYCLES["pressing"], 20)
    twice = [x for e in events for x in (e, (e[0] + 0.5, e[1]))]
    assert odds(events)[1].carry() == odds(twice)[1].carry()


def test_a_usual_rest_is_learnt_and_one_odd_rest_is_not() -> None:
    assert RhythmCarry().rest_hold_s == 120.0
    _, rhythm = odds(production(CYCLES["clamping"], 30))
    assert 2.0 * 2.0 * 0.9 < rhythm.rest_hold_s < 2.0 * 2.0 * 1.7
    later = production(CYCLES["clamping"], 1, 500.0)
    _, odd = odds([later[0], (600.0, 0.25)], rhythm.carry())
    assert odd.rest_hold_s == pytest.approx(rhythm.rest_hold_s, rel=0.2)


def test_after_a_long_rest_a_set_up_is_likelier_than_in_the_middle_of_production() -> None:
    first = production(CYCLES["pressing"], 40)
    end_s = first[-1][0]
    for rest_s, found in ((600.0, True), (3.0, False)):
        seen, _ = odds([*first, (end_s + 2.0, 0.0), (end_s + 2.0 + rest_s, 0.17)])
        assert (seen[-1] > 0.0) is found


def test_memory_is_bounded_and_long_production_does_not_overflow() -> None:
    rng = np.random.default_rng(3)
    _, rhythm = odds([(2.0 * k, u) for k, u in enumerate(rng.uniform(0, 1, 6000))])
    carry = rhythm.carry()
    assert len(carry.known) <= 48
    assert len(carry.follows) <= 48 * 48
    assert len(json.dumps(asdict(carry))) < 60_000
    assert np.isfinite(carry.odds)


def test_text_between_any_two_levels_changes_nothing() -> None:
    events = [*production(CYCLES["pressing"], 12), *jogs(15, 200.0), *production(CYCLES["pressing"], 4, 300.0)]
    seen, rhythm = odds(events)
    carry = RhythmCarry()
    for event, expected in zip(events, seen, strict=True):
        one = Rhythm(stored("states", StateCarry(rhythm=carry)).rhythm)
        one.take(*event)
        carry = one.carry()
        assert carry.odds == expected
    assert carry == rhythm.carry()


def test_weights_are_scaled_back_before_they_grow_too_large() -> None:
    def long(n: int) -> Iterator[tuple[float, float]]:
        yield from production(CYCLES["one low level"], n)

    _, rhythm = odds(long(2500))
    assert 1.0 <= rhythm.carry().grown <= 1e6 / 0.995
    assert max(w for _, _, w in rhythm.carry().known) < 1e9


def test_a_set_up_that_lasts_for_hours_is_production_and_is_learnt() -> None:
    rhythm, states = Rhythm(RhythmCarry()), []
    for at_s, u in jogs(3000, seed=5):
        rhythm.take(at_s, u)
        states.append((at_s, rhythm.set_up))
    assert np.mean([on for at_s, on in states if 60.0 < at_s < 7000.0]) > 0.98
    assert not any(on for at_s, on in states if at_s > 7300.0)
    assert len(rhythm.carry().known) > 10


def test_a_rest_between_two_set_ups_counts_to_neither() -> None:
    first = jogs(100)
    seen, rhythm = odds([*first, *jogs(100, first[-1][0] + 9000.0, seed=6)])
    assert seen[-1] > 0.0
    assert rhythm.set_up

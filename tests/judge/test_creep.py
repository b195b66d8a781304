"""What creep leaves in a dwell, against a pressure of which it is known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.features import Dwell
from asleft.judge.segments.dwells import settling_of
from asleft.judge.valve.creep import creep_of
from synth import dwell

#: Commands of one cycle and how long each is held (s); none rests for as long as creep takes.
CYCLE = ((0.0, 4.0), (0.5, 3.0), (1.0, 6.0), (0.5, 3.0))
FULL_BAR = 200.0


def stays(*, share: float, creep_s: float = 20.0, volume_s: float = 0.0, noise_bar: float = 0.3, cycles: int = 60):
    """Dwells of a press whose pressure creeps by a share, each with what its pressure still had to go (bar).

    Between two dwells the pressure steps. The readings of a dwell are 100 a second, of white noise.
    """
    rng = np.random.default_rng(5)
    at_s, slow, before = 0.0, 0.0, 0.0
    out: list[tuple[Dwell, float]] = []
    for _ in range(cycles):
        for demand, held_s in CYCLE:
            rest = FULL_BAR * demand
            t = np.arange(0.0, held_s, 0.01)
            behind = (rest - slow) * np.exp(-t / creep_s)
            bar = rest - share * behind + noise_bar * rng.standard_normal(t.size)
            if volume_s:
                bar += (before - rest) * np.exp(-(t + 0.3) / volume_s)
            last = int(0.4 * t.size)
            late, part = bar[-last:], bar[-2 * last : -last]
            moves, moved = (x[x.size // 2 :].mean() - x[: x.size // 2].mean() for x in (late, part))
            left = share * float(behind[-last:].mean())
            one = dwell(
                demand,
                from_s=at_s,
                to_s=at_s + held_s,
                n=float(t.size),
                arrival=float(np.sign(rest - before)) or 1.0,
                pressure_bar=float(late.mean()),
                pressure_se_bar=noise_bar / math.sqrt(last),
                pressure_moves_bar=float(moves),
                pressure_moved_bar=float(moved),
            )
            out.append((one, left))
            slow = rest - (rest - slow) * math.exp(-held_s / creep_s)
            at_s, before = at_s + held_s, rest
    return out


def full(pairs: list[tuple[Dwell, float]]) -> list[Dwell]:
    """Those of the last cycles at full command: by then slow has forgotten where it began."""
    return [one for one, _ in pairs[80:] if one.demand == 1.0]


@pytest.mark.parametrize(("share", "creep_s"), [(0.004, 20.0), (0.01, 20.0), (0.01, 10.0), (0.015, 35.0)])
def test_what_creep_leaves_is_known_within_its_uncertainty(share: float, creep_s: float) -> None:
    pairs = stays(share=share, creep_s=creep_s)
    creep = creep_of([one for one, _ in pairs])
    true = float(np.mean([left for one, left in pairs[80:] if one.demand == 1.0]))
    told = float(np.mean([creep.at_rest(one).pressure_bar - one.pressure_bar for one in full(pairs)]))
    u = abs(creep.u_bar(full(pairs)))
    assert abs(told - true) < 2.0 * u
    assert u < 0.9 * true


def test_the_branches_come_together_where_creep_held_them_apart() -> None:
    pairs = stays(share=0.01)
    creep = creep_of([one for one, _ in pairs])

    def apart(rows: list[Dwell]) -> float:
        rising, falling = (np.mean([d.pressure_bar for d in rows if d.arrival == way]) for way in (1.0, -1.0))
        return float(falling - rising)

    middle = [one for one, _ in pairs[80:] if one.demand == 0.5]
    rested = [creep.at_rest(one) for one in middle]
    by_chance = 0.3 * math.sqrt(2.0 / (40 * 120))
    assert apart(middle) > 0.15
    assert abs(apart(rested)) < 2.0 * math.hypot(creep.loop_u_bar(middle), by_chance)
    assert abs(creep.loop_u_bar(middle)) < 0.5 * apart(middle)


@pytest.mark.parametrize("volume_s", [0.0, 0.3, 0.9])
def test_where_nothing_creeps_nothing_is_said(volume_s: float) -> None:
    pairs = stays(share=0.0, volume_s=volume_s)
    creep = creep_of([one for one, _ in pairs])
    assert creep.left == {}
    assert creep.u_bar(full(pairs)) == creep.loop_u_bar(full(pairs)) == 0.0
    if volume_s > 0.5:
        rows = [creep.at_rest(one) for one, _ in pairs]
        assert settling_of(rows).of(1.0) == pytest.approx(volume_s, rel=0.2)


def test_few_dwells_tell_no_creep() -> None:
    assert creep_of([one for one, _ in stays(share=0.01, cycles=2)]).left == {}
    assert creep_of([]).left == {}


def test_readings_without_any_noise_are_judged_too() -> None:
    """A reading held at its end stands on one number: its weight leaves nothing else in the equations."""
    quiet = [one for one, _ in stays(share=0.0, noise_bar=0.0)]
    held = [one._replace(pressure_bar=min(one.pressure_bar, 100.0)) for one in quiet]
    for dwells in (quiet, held):
        still = [one._replace(pressure_se_bar=0.0, pressure_moves_bar=0.0, pressure_moved_bar=0.0) for one in dwells]
        left = creep_of(still).left.values()
        assert all(math.isfinite(one.bar) and abs(one.bar) < 0.1 for one in left)

"""The controller that closes the pressure loop outside: against closed forms and what such a loop must do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.sim.cycles import RIGID_BAR, CyclePlan, Step
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import Sensor, default_valve
from asleft.sim.outer_loop import OuterLoop
from asleft.sim.recording import simulate

START_S = 1.7640e9
QUIET = OuterLoop(gauge_noise_bar=0.0, load_bar=0.0, command_step_pct=0.0)
HOLDING = CyclePlan((Step(0.6, 20.0, RIGID_BAR),), spread=0.0)
STILL = replace(
    default_valve(),
    command_noise_pct=0.0,
    friction_dry_pct=0.0,
    friction_least_pct=0.0,
    viscosity_share=0.0,
    pressure_sensor=Sensor(0.0, 400.0, 0.0, bits=15),
    current_sensor=Sensor(0.0, 2.0, 0.0, bits=15),
    records=("command", "current", "pressure"),
    dither_amplitude_a=0.0,
    cycle=HOLDING,
)


def held_bar(level: float) -> float:
    """p0 + (p1 - p0)(w (1 - b) + b w^2) without friction."""
    return 12.0 + 198.0 * (level * 0.82 + 0.18 * level**2)


def last(recording, channel: str, samples: int = 200) -> float:
    return float(recording.values(channel)[-samples:].mean())


def demand(recording) -> np.ndarray:
    return (recording.values("command") - 4.0) / 16.0


@pytest.mark.parametrize("kind", [None, FaultKind.SEAT_DRIFT, FaultKind.CURRENT_AT_FULL, FaultKind.SUPPLY_SAG])
def test_the_pressure_is_held_true_whatever_the_valve_does(kind) -> None:
    amount = {FaultKind.SEAT_DRIFT: -12.0, FaultKind.CURRENT_AT_FULL: -0.05, FaultKind.SUPPLY_SAG: 3.0}.get(kind, 0.0)
    faults = () if kind is None else (Fault(kind, START_S, amount),)
    (held,) = simulate([replace(STILL, outer_loop=QUIET, faults=faults)], [START_S], 19.0, burst_every_s=0)
    assert last(held, "pressure") == pytest.approx(held_bar(0.6), abs=0.3)


def test_the_command_needed_is_the_characteristic_inverted() -> None:
    fault = Fault(FaultKind.SEAT_DRIFT, START_S, -12.0)
    models = [replace(STILL, outer_loop=QUIET), replace(STILL, outer_loop=QUIET, faults=(fault,))]
    left, now = simulate(models, [START_S] * 2, 19.0, burst_every_s=0)
    assert float(demand(left)[-200:].mean()) == pytest.approx(0.6, abs=1e-3)
    level = float(demand(now)[-200:].mean())
    assert held_bar(level) - 12.0 == pytest.approx(held_bar(0.6), abs=0.3)


def test_a_load_is_rejected_by_a_command_that_never_rests() -> None:
    loads = [replace(QUIET, load_bar=load) for load in (0.0, 4.0)]
    models = [replace(STILL, valve_id=f"v{k}.x", outer_loop=loop) for k, loop in enumerate(loads)]
    models.append(
        replace(STILL, valve_id="v2.x", outer_loop=replace(loads[1], gain_pct_per_bar=0.0, integral_s=60.0))
    )
    calm, held, open_ = (r for r in simulate(models, [START_S] * 3, 19.5, seed=4, burst_every_s=0))
    late = slice(1300, None)
    assert np.std(demand(calm)[late]) < 5e-4
    assert np.std(demand(held)[late]) > 5e-3
    assert np.std(held.values("pressure")[late]) < 0.7 * np.std(open_.values("pressure")[late])


def test_a_saturated_command_does_not_wind_up() -> None:
    plan = CyclePlan((Step(0.9, 15.0, RIGID_BAR), Step(0.5, 15.0, RIGID_BAR)), spread=0.0)
    fault = Fault(FaultKind.RELIEF_LOWERED, START_S, 110.0)
    model = replace(STILL, cycle=plan, outer_loop=QUIET, faults=(fault,))
    (recording,) = simulate([model], [START_S], 29.0, burst_every_s=0)
    top = demand(recording)[1000:1400]
    assert top.min() > 0.995
    assert recording.values("pressure")[1000:1400].mean() == pytest.approx(150.0, abs=0.3)
    assert recording.values("pressure")[2400:].mean() == pytest.approx(held_bar(0.5), abs=0.5)


def test_while_the_load_makes_the_pressure_the_level_is_the_command() -> None:
    plan = CyclePlan((Step(0.35, 3.0, 18.0),), spread=0.0)
    (recording,) = simulate([replace(STILL, cycle=plan, outer_loop=QUIET)], [START_S], 2.5, burst_every_s=0)
    assert demand(recording)[100:] == pytest.approx(0.35, abs=1e-3)


def test_an_output_of_steps_moves_by_steps() -> None:
    coarse = replace(QUIET, command_step_pct=1.0, load_bar=3.0)
    (recording,) = simulate([replace(STILL, outer_loop=coarse)], [START_S], 19.0, burst_every_s=0)
    rests = demand(recording)[500:]
    near = np.abs(rests * 100.0 - np.rint(rests * 100.0)) < 0.03
    assert near.mean() > 0.6
    assert np.unique(np.rint(rests[near] * 100.0)).size > 2


def test_a_lane_with_a_loop_does_not_change_its_neighbours_nor_the_other_way_round() -> None:
    loop, plain = replace(STILL, valve_id="a.x", outer_loop=OuterLoop()), replace(STILL, valve_id="b.x")
    both = simulate([loop, plain], [START_S] * 2, 3.0, burst_every_s=0)
    alone = [simulate([m], [START_S], 3.0, burst_every_s=0)[0] for m in (loop, plain)]
    for one, other in zip(both, alone, strict=True):
        for channel, counts in one.counts.items():
            assert np.array_equal(counts, other.counts[channel])


@pytest.mark.parametrize(("name", "value"), [("gain_pct_per_bar", -0.1), ("sample_s", 2.0), ("integral_s", 0.0)])
def test_a_loop_outside_its_range_is_refused_by_name(name, value) -> None:
    with pytest.raises(ValueError, match=name):
        OuterLoop(**{name: value})

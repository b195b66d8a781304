"""Valves under a simulated controller that closes the pressure loop, for the tests of the judge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from asleft.sheet.model import MadeBy
from asleft.sim.cycles import REST_BAR, RIGID_BAR, CyclePlan, Step
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import ValveModel, default_valve
from asleft.sim.outer_loop import OuterLoop
from lanes import START_S, Lane, record

#: Just after the first ten minutes, from which what was left is learnt.
ONSET_S = START_S + 612.0
LASTS_S = 760.0
#: Set points up to 82 %; the last step short enough to leave something to the random times.
CYCLE = CyclePlan(
    (
        Step(0.0, 1.6, REST_BAR),
        Step(0.30, 2.0, 18.0),
        Step(0.50, 3.0, RIGID_BAR, pressing=True),
        Step(0.82, 4.0, RIGID_BAR, pressing=True),
        Step(0.40, 2.0, RIGID_BAR, pressing=True),
        Step(0.05, 2.0, RIGID_BAR, pressing=True),
    )
)
FAULTS: Mapping[str, tuple[Fault, ...]] = {
    "none": (),
    "spring": (Fault(FaultKind.PRESSURE_DRIFT, ONSET_S, -11.0),),
    "seat": (Fault(FaultKind.SEAT_DRIFT, ONSET_S, 8.4),),
    "full": (Fault(FaultKind.CURRENT_AT_FULL, ONSET_S, -0.07),),
    "sensor": (Fault(FaultKind.CURRENT_SENSOR_GAIN, ONSET_S, 0.08),),
    "supply": (Fault(FaultKind.SUPPLY_SAG, ONSET_S, 2.0),),
    "ramp": (Fault(FaultKind.RAMP_UP, ONSET_S, 1.2),),
    "relief": (Fault(FaultKind.RELIEF_LOWERED, ONSET_S, 80.0),),
}


def loop_model(**changes: object) -> ValveModel:
    """The default valve under a controller; further changes of the model by name."""
    return replace(default_valve(), **{"outer_loop": OuterLoop(), "cycle": CYCLE, **changes})  # type: ignore[arg-type]


#: Never at rest: every level is only turned round at.
RESTLESS = CyclePlan(tuple(Step(level, 0.15, RIGID_BAR) for level in (0.2, 0.8, 0.35, 0.9, 0.1, 0.6)))


def plant() -> dict[str, ValveModel]:
    """One valve per fault, and controllers with ramps of their own: two slow, one whose set point is not reached."""
    low = (Fault(FaultKind.RELIEF_LOWERED, ONSET_S, 120.0),)
    return {
        **{name: loop_model(faults=faults) for name, faults in FAULTS.items()},
        "low": loop_model(faults=low, controller_ramp_s=2.5),
        "slow": loop_model(controller_ramp_s=4.0),
        "restless": loop_model(cycle=RESTLESS, controller_ramp_s=8.0),
    }


def closed(lane: Lane) -> Lane:
    """The lane with a sheet that says who makes the command."""
    signal = replace(lane.sheet.signal, made_by=MadeBy.CLOSED_LOOP)
    return replace(lane, sheet=replace(lane.sheet, signal=signal))


def loops(models: Mapping[str, ValveModel], duration_s: float, seed: int) -> dict[str, Lane]:
    """Lanes of valves under controllers, their sheets saying so."""
    return {name: closed(lane) for name, lane in record(models, duration_s=duration_s, seed=seed).items()}

"""What a press does: production cycles and sweeps, as plans that know nothing of the valve's condition."""

from __future__ import annotations

from dataclasses import dataclass

#: Load (bar) that never gives way: the valve alone makes the pressure.
RIGID_BAR = 2000.0
#: Load (bar) against which a press at rest or returning moves; above the valve's pressure at zero command.
REST_BAR = 30.0


@dataclass(frozen=True, slots=True)
class Step:
    """One commanded level of a cycle.

    `level` is demand 0..1; `hold_s` the time at the level after the ramp has passed; `load_bar` what the load alone
    would make of the pressure (`RIGID_BAR`: the valve is in control); `pressing` marks the mode channel's phase.
    """

    level: float
    hold_s: float
    load_bar: float = RIGID_BAR
    pressing: bool = False
    contact_s: float = 0.3  # time in which the load rises or falls to `load_bar`


@dataclass(frozen=True, slots=True)
class CyclePlan:
    """A press cycle: its steps in order, and the relative spread (one sigma) of their times from cycle to cycle."""

    steps: tuple[Step, ...]
    spread: float = 0.05

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueError("a cycle needs at least one step")
        for number, step in enumerate(self.steps):
            if not 0.0 <= step.level <= 1.0:
                raise ValueError(f"level of step {number} of a cycle must lie in 0..1, not {step.level}")
            if step.hold_s <= 0:
                raise ValueError(f"hold_s of step {number} of a cycle must be above 0 s, not {step.hold_s}")


#: Rest, approach (the load makes the pressure), pressing, holding at full, decompression in two strokes.
PRESSING_CYCLE = CyclePlan(
    (
        Step(0.0, 1.6, REST_BAR),
        Step(0.35, 2.0, 18.0),
        Step(0.70, 2.2, RIGID_BAR, pressing=True),
        Step(1.0, 2.6, RIGID_BAR, pressing=True),
        Step(0.40, 1.6, RIGID_BAR, pressing=True),
        Step(0.0, 1.4, RIGID_BAR, pressing=True),
    )
)

#: Short strokes of a cushion: never far from its middle, but full and zero once a cycle.
CUSHION_CYCLE = CyclePlan(
    (
        Step(0.0, 1.4, REST_BAR),
        Step(0.60, 1.8, RIGID_BAR, pressing=True),
        Step(1.0, 1.8, RIGID_BAR, pressing=True),
        Step(0.60, 1.6, RIGID_BAR, pressing=True),
        Step(0.25, 1.6, RIGID_BAR, pressing=True),
        Step(0.0, 1.4, RIGID_BAR, pressing=True),
    )
)

#: A part is pushed out against little (part contact), then against a stop; much time near full command.
EJECTING_CYCLE = CyclePlan(
    (
        Step(0.0, 1.3, REST_BAR),
        Step(0.50, 1.5, 25.0),
        Step(1.0, 4.0, RIGID_BAR, pressing=True),
        Step(0.70, 2.0, RIGID_BAR, pressing=True),
        Step(0.0, 1.4, RIGID_BAR, pressing=True),
    )
)

#: Clamps at half, presses home, holds; lets go in one stroke.
CLAMPING_CYCLE = CyclePlan(
    (
        Step(0.0, 1.6, REST_BAR),
        Step(0.25, 1.6, 14.0),
        Step(0.50, 2.0, RIGID_BAR, pressing=True),
        Step(1.0, 3.0, RIGID_BAR, pressing=True),
        Step(0.0, 1.4, RIGID_BAR, pressing=True),
    )
)

#: A commissioning sweep 0-100-0 % in steps of 10 %, the valve in control throughout, after one conditioning stroke.
SWEEP = CyclePlan(
    (
        Step(0.0, 3.0),
        *(Step(percent / 100, 3.0, pressing=True) for percent in range(10, 101, 10)),
        *(Step(percent / 100, 3.0, pressing=True) for percent in range(90, -1, -10)),
    ),
    spread=0.0,
)

#: What a technician does to verify a valve: two full strokes in one step each way, then the sweep.
VERIFICATION = CyclePlan(
    (*(Step(level, 3.0) for level in (0.0, 1.0, 0.0, 1.0)), *(Step(step.level, 3.0) for step in SWEEP.steps)),
    spread=0.0,
)

"""What the judge remembers of one valve between calls. Bounded: minutes of segments, some history."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from asleft.judge.coil.coldsoak import SoakCarry
from asleft.judge.coil_state.days import CoilDay
from asleft.judge.dither.dither import DitherBurst
from asleft.judge.drift.charts import Chart
from asleft.judge.drift.oil_thermal_state import OilThermalState
from asleft.judge.driver.misfit import Misfit
from asleft.judge.driver.reaction import Reaction
from asleft.judge.features import Dwell, PressureDelay, Stroke
from asleft.judge.fit.points import FitPoints
from asleft.judge.intake.columns import ROWS
from asleft.judge.intake.intake import Intake
from asleft.judge.intake.scale import Scale
from asleft.judge.intake.states import StateCarry
from asleft.judge.outer.held_levels import HeldLevel
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.segments.segments import Carry
from asleft.judge.segments.sliding import SlideCarry
from asleft.judge.types import Finding, Fit, FloatArray
from asleft.judge.valve.pressure import LevelKey, LevelPressure
from asleft.judge.watching.watch import Stretch, WatchCarry
from asleft.judge.watching.zeros import Zero


def _empty() -> FloatArray:
    return np.empty((ROWS, 0))


@dataclass(eq=False, slots=True)
class JudgeState:
    """Everything remembered of one valve under one revision of its sheet."""

    sheet_number: int
    learner: Learner
    horizon_s: float | None  # of producing time that as-found rests on; None: everything (a log)
    budget_years: float = 5.0  # at most one false drift alarm per valve in this many years of production
    scale: Scale | None = None
    waiting: FloatArray = field(default_factory=_empty)  # samples before the scale is known
    rest: FloatArray = field(default_factory=_empty)  # samples not yet averaged (slow ramps)
    tail: FloatArray = field(default_factory=_empty)
    carry: Carry = field(default_factory=Carry)
    slide: SlideCarry = field(default_factory=SlideCarry)  # where an outer loop makes the command
    intake: Intake = field(default_factory=Intake)
    states: StateCarry = field(default_factory=StateCarry)
    reaction: Reaction = field(default_factory=Reaction)
    misfit: Misfit = field(default_factory=Misfit)
    watch: WatchCarry = field(default_factory=WatchCarry)
    clock_s: float = 0.0
    dwells: list[Dwell] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    pressure_delays: list[PressureDelay] = field(default_factory=list)
    bursts: list[DitherBurst] = field(default_factory=list)
    stretches: list[Stretch] = field(default_factory=list)
    control: dict[LevelKey, LevelPressure] | None = None
    control_until_s: float | None = None  # from dwells up to here `control` was learnt (unix s)
    held_left: list[HeldLevel] = field(default_factory=list)  # where an outer loop makes the command
    curve_left: list[tuple[float, ...]] = field(default_factory=list)  # levels measured when left, see `told`
    charts: dict[str, Chart] = field(default_factory=dict)
    oil_state: OilThermalState = field(default_factory=OilThermalState)
    point_from_s: float = 0.0  # producing clock at which the open point begins
    hours: dict[str, float] = field(default_factory=dict)
    samples: int = 0
    from_s: float | None = None
    to_s: float | None = None
    failed: list[tuple[float, int, int]] = field(default_factory=list)  # (time, failed readings, all readings)
    missing: dict[str, int] = field(default_factory=dict)
    findings: dict[str, Finding] = field(default_factory=dict)
    began_under: dict[str, str] = field(default_factory=dict)  # finding -> cause it had when first told, "" for none
    gone_s: dict[str, float] = field(default_factory=dict)  # finding -> when it was last seen to be gone
    vented: Zero = field(default_factory=Zero)  # of the pressure reading (bar)
    idle: Zero = field(default_factory=Zero)  # of the current reading (A)
    channels: tuple[str, ...] = ()
    basis: dict[str, str] = field(default_factory=dict)
    last_state: int = 4
    soak: SoakCarry = field(default_factory=SoakCarry)
    coil_days: list[CoilDay] = field(default_factory=list)
    other_lines_hz: list[float] = field(default_factory=list)  # that stood beside the dither in bursts
    fit_points: FitPoints = field(default_factory=FitPoints)
    fit: Fit = field(default_factory=Fit)  # what was last said of whether the readings fit the sheet

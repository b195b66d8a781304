"""What estimates rest on, and what they are put into: every quantity as found, or why it is not observed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from asleft.judge.coil.coil import ColdCoil
from asleft.judge.decide import Estimate
from asleft.judge.dither import DitherBurst
from asleft.judge.driver.clipping import Clip
from asleft.judge.driver.currents import CurrentLine, Level
from asleft.judge.features import Dwell, Stroke
from asleft.judge.held import Held, HeldLevel
from asleft.judge.noise import QUIET_WIRE, WireNoise
from asleft.judge.ramp_fit.ramps import Combined
from asleft.judge.valve.characteristic import Measured
from asleft.judge.valve.creep import Creep
from asleft.judge.valve.pressure import (
    LevelKey,
    LevelPressure,
)


@dataclass(frozen=True, slots=True)
class NotObserved:
    """Why a quantity cannot be seen, and what is known of it all the same."""

    reason: str
    below: float | None = None  # known to be below this
    above: float | None = None
    doubt: bool = False  # what was seen in its place is not what was left, though it may be another's doing


Found = Estimate | NotObserved


@dataclass(slots=True)
class AsFound:
    """Everything estimated from one set of features."""

    quantities: dict[str, Found] = field(default_factory=dict)
    line: CurrentLine | None = None
    levels: list[Level] = field(default_factory=list)
    clip: Clip | None = None
    beat_a: float = 0.0  # amplitude of dither that beat with the sampling and was taken off the currents
    cut_s: frozenset[float] = frozenset()  # beginnings of dwells whose current was cut off at times
    combined: Combined | None = None
    control: Mapping[LevelKey, LevelPressure] = field(default_factory=dict)
    judged_pressure: list[Dwell] = field(default_factory=list)  # steady and in control
    creep: Creep | None = None  # of the pressure; None: not asked
    held: Held | None = None  # of an outer loop
    slow: bool = False  # currents are from slowly moving data
    followed: tuple[float, float] = (0.0, 0.0)  # rise and fall of its command (1/s) that the current followed
    characteristic: Measured = field(default_factory=Measured)
    stepped_s: float = -math.inf  # since when the last quantity that stepped stands on its new value


@dataclass(frozen=True, slots=True)
class Seen:
    """What the estimates rest on: features, the valve's scale, and which channels exist."""

    dwells: Sequence[Dwell]
    strokes: Sequence[Stroke]
    bursts: Sequence[DitherBurst]
    has_current: bool
    has_pressure: bool
    has_supply: bool
    resolution_a: float
    demand_noise: float
    interval_s: float
    control: Mapping[LevelKey, LevelPressure] | None  # learnt when left; None: judge by this data itself
    held_left: Sequence[HeldLevel] = ()  # of an outer loop, learnt when left; none: judge by this data itself
    cold: ColdCoil | None = None  # the last start with a cold coil
    wire: WireNoise = QUIET_WIRE  # noise of the command that the driver gets
    demand_step: float = 0.0  # of the command's converter, share of full
    current_noise_a: float = 0.0  # of one current sample
    control_until_s: float | None = None  # `control` was learnt from dwells up to here; None: from these here
    resolution_bar: float = 0.0  # the pressure converter's step, 0 while not known
    dead: frozenset[str] = frozenset()  # channels whose reading stood still for a stretch, which is left out
    end_a: float = math.inf  # where the reading of current ends
    no_tone: bool = False  # no tone of aliased dither in the current
    oil_may_be_cold: bool = False  # not long at work since a stop, and no reading of the oil's temperature


#: Why nothing is told of what a dead channel measures.
DEAD = "its reading stood still"


def not_seen(out: AsFound, names: tuple[str, str], why: NotObserved) -> None:
    """Put down for two quantities why neither is observed."""
    for name in names:
        out.quantities[name] = why

"""What goes into the judge and what comes out of it: plain values. Their JSON is in `published`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from asleft.catalogue.parts import Part as Part
from asleft.catalogue.statuses import Status as Status

# The characteristic as a judgement carries it: plain values.


@dataclass(frozen=True, slots=True)
class LevelResult:
    """One level of a branch. `uncertainty_bar` is expanded, for 95 %; commissioned: the recorded branch there."""

    current_a: float | None  # None where only the command is known
    command_pct: float
    pressure_bar: float
    uncertainty_bar: float
    n: int  # visits
    commissioned_bar: float | None
    departure_bar: float | None


@dataclass(frozen=True, slots=True)
class Departure:
    """Largest departure of a branch from the commissioned one, over the range seen in both."""

    bar: float
    uncertainty_bar: float
    command_pct: float
    current_a: float | None


@dataclass(frozen=True, slots=True)
class BranchResult:
    """One branch: its levels by ascending current, and how far it lies from the commissioned one."""

    levels: tuple[LevelResult, ...]
    largest_departure: Departure | None
    current_from_a: float | None
    current_to_a: float | None


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with its expanded uncertainty and unit, or the reason why there is none and what bounds it."""

    value: float | None
    uncertainty: float | None
    unit: str
    basis: str
    reason: str = ""
    below: float | None = None
    above: float | None = None


@dataclass(frozen=True, slots=True)
class CharacteristicResult:
    """Pressure against current as seen now. `reason` says why there is nothing; empty if there is something."""

    reason: str
    compared_with: str  # "recorded at commissioning", "measured when left", or "" for nothing
    rising: BranchResult
    falling: BranchResult
    hysteresis: Figure
    dead_band: Figure
    linearity: tuple[Figure, ...]
    stick_slip_bar: float | None  # scatter between arrivals at a level beyond what reading it explains


FloatArray = npt.NDArray[np.float64]

#: Raised when a change of the judge makes stored state unreadable or results incomparable.
JUDGE_VERSION = 9


class State(StrEnum):
    """What the machine was doing, per sample."""

    PRODUCING = "producing"
    STOPPED = "stopped"
    NOT_ENABLED = "not-enabled"
    SET_UP = "set-up"
    WORK_IN_PROGRESS = "work-in-progress"
    UNKNOWN = "unknown"


class Verdict(StrEnum):
    """Of one quantity against its tolerance, with a guard band of one expanded uncertainty (`decide`)."""

    IN = "in"
    OUT = "out"
    UNDECIDED = "undecided"
    NOT_OBSERVED = "not-observed"


@dataclass(eq=False, frozen=True, slots=True)
class FastBurst:
    """Evenly sampled coil current: start (unix s), rate (Hz), values (A), shape (n,)."""

    start_s: float
    rate_hz: float
    current_a: FloatArray


@dataclass(eq=False, frozen=True, slots=True)
class Samples:
    """A stretch of readings of one valve.

    `time_s`: unix seconds UTC, shape (n,), strictly increasing. `channels`: name -> shape (n,), NaN where a reading
    failed; names and units as in the wire format, command in the unit of the sheet's signal. A channel that was not
    recorded is absent. `work`: when work in progress was declared, (from, until) in unix s, in order, as far
    as it may touch these readings or those just before them.
    """

    time_s: FloatArray
    channels: Mapping[str, FloatArray]
    bursts: tuple[FastBurst, ...] = ()
    work: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Coverage:
    """On what a value rests."""

    segments: int
    from_s: float | None
    to_s: float | None
    command_min_pct: float | None
    command_max_pct: float | None


@dataclass(frozen=True, slots=True)
class QuantityResult:
    """One line of the sheet, as left against as found, in the quantity's unit.

    `uncertainty` is expanded, for 95 %, of the value (with calibration); `change_uncertainty` of the change since
    the measured as-left (same chain: the systematic part cancels). `tolerance_used_pct` is signed.
    """

    id: str
    unit: str
    as_left: float | None
    as_found: float | None
    uncertainty: float | None
    change_uncertainty: float | None
    tolerance_below: float | None
    tolerance_above: float | None
    tolerance_used_pct: float | None
    verdict: Verdict
    reason: str  # why not observed, or a qualification; empty if there is nothing to say
    bound_below: float | None  # not observed, but known to be below this (a ramp not slower than 0.8 s)
    bound_above: float | None  # not observed, but known to be above this
    coverage: Coverage
    as_left_measured: float | None = None
    trend_per_day: float | None = None  # Theil-Sen, unit per day; None: no trend
    trend_low_per_day: float | None = None  # its 95 % interval
    trend_high_per_day: float | None = None
    forecast_s: float | None = None  # when the trend reaches the tolerance (unix s); None: not within sight
    forecast_early_s: float | None = None  # 95 % interval; late None: perhaps not at all
    forecast_late_s: float | None = None
    forecast_in_days: tuple[float, float | None] | None = None  # early and late, from the newest point on


@dataclass(frozen=True, slots=True)
class Finding:
    """A judged departure."""

    kind: str
    part: Part
    alternatives: tuple[Part, ...]
    onset_s: float | None
    severity: int  # 1 digest, 2 this shift, 3 now
    evidence: str  # one plain sentence
    consequence_of: str | None = None  # kind of the finding it hangs under
    quantities: tuple[str, ...] = ()  # of the sheet, by whose values it was found; not in the JSON


@dataclass(frozen=True, slots=True)
class StateInterval:
    """A stretch in one machine state, `basis` saying how that is known."""

    state: State
    from_s: float
    to_s: float
    basis: str


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point of a quantity's history: the estimate of one producing hour or N segments."""

    quantity: str
    at_s: float
    value: float
    standard_uncertainty: float  # repeatability of this point, k = 1


@dataclass(frozen=True, slots=True)
class CoilNow:
    """The coil as it is now; None for what is not known.

    Resistance and winding temperature with expanded uncertainties for 95 %, headroom now and at the corner of the
    sheet, and where (winding, supply) and when clipping begins.
    """

    resistance_ohm: float | None
    resistance_u_ohm: float | None
    temperature_degc: float | None
    temperature_u_k: float | None
    basis: str  # "coil voltage" or "full saturation"
    headroom_now_pct: float | None
    headroom_corner_pct: float | None
    clips_at_degc: float | None  # of the winding, with the supply as it is
    clips_at_v: float | None  # of the supply, with the winding as it is
    clips_from_s: float | None  # by a trend, where there is one
    clips_earliest_s: float | None
    clips_latest_s: float | None


@dataclass(frozen=True, slots=True)
class Fit:
    """Whether what is read fits the sheet. `fits`: None while too little is seen to say.

    `cause` is a code word ("current-unit", "columns-swapped", ...), `evidence` what is seen, `remedy` what to write
    where; all empty where it fits. `since_s`: since when that is so (unix s).
    """

    fits: bool | None = None
    cause: str = ""
    evidence: str = ""
    remedy: str = ""
    since_s: float | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """Everything the judge says about one valve at one time."""

    valve: str
    sheet_revision: int
    from_s: float | None
    to_s: float | None
    samples: int
    status: Status
    sentence: str
    state_hours: Mapping[str, float]
    quantities: tuple[QuantityResult, ...]
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...] = ()
    basis: Mapping[str, str] = field(default_factory=dict)  # "producing" -> how it is known
    current_state: State = State.UNKNOWN
    characteristic: CharacteristicResult | None = None
    coil: CoilNow | None = None
    fit: Fit = field(default_factory=Fit)


def iso(time_s: float | None) -> str | None:
    """Unix seconds as ISO 8601 UTC with milliseconds, None as None."""
    if time_s is None or not np.isfinite(time_s):
        return None
    return f"{np.datetime64(round(time_s * 1000), 'ms')}Z"

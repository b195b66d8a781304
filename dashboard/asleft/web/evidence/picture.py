"""The description of one picture, from which screen, paper and mail are drawn, and round places along its axes.

Values are in the units in which they are shown. An axis of time holds milliseconds of the plant's wall clock
(`PlantTime.plot_ms`), so that no renderer can show another clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from asleft.web.figures import numeral, ticks

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


class Shape(StrEnum):
    """Kinds of pictures."""

    HISTORY = "history"  # a quantity before and after, as left with tolerance, onset, forecast
    STROKES = "strokes"  # ramps over each other, scaled to the full span
    CLIP = "clip"  # measured against demanded current
    CURVE = "curve"  # pressure against current, with what left the characteristic
    BRANCHES = "branches"  # both branches of the characteristic
    SPECTRUM = "spectrum"  # of the coil current's bursts
    MOMENT = "moment"  # the seconds in which it happened
    READINGS = "readings"  # usable readings over time


class Role(StrEnum):
    """What a mark stands for; `style.STYLES` says how each looks."""

    FOUND = "found"
    BEFORE = "before"
    LEFT = "left"
    TOLERANCE = "tolerance"
    OUT = "out"
    ONSET = "onset"
    TREND = "trend"
    LIMIT = "limit"
    OTHER = "other"


class Mark(StrEnum):
    """How a curve is drawn."""

    LINE = "line"
    DOTS = "dots"
    RISING = "rising"  # triangles, told apart without colour
    FALLING = "falling"


@dataclass(frozen=True, slots=True)
class Axis:
    """Title without unit, unit, and both ends; `clock`: milliseconds of the plant's wall clock."""

    title: str
    unit: str
    low: float
    high: float
    clock: bool = False

    @property
    def words(self) -> str:
        """As written beside the axis."""
        return f"{self.title}, {self.unit}" if self.unit else self.title


@dataclass(eq=False, frozen=True, slots=True)
class Curve:
    """Points, shapes (n,); a NaN breaks a line. `spread`: expanded uncertainty of each point. `label`: at its end."""

    role: Role
    x: FloatArray
    y: FloatArray
    mark: Mark = Mark.LINE
    label: str = ""
    spread: FloatArray | None = None


@dataclass(eq=False, frozen=True, slots=True)
class Band:
    """What lies between two lines, shapes (n,)."""

    role: Role
    x: FloatArray
    low: FloatArray
    high: FloatArray
    label: str = ""


@dataclass(frozen=True, slots=True)
class Level:
    """A line across the whole row."""

    role: Role
    y: float
    label: str


@dataclass(frozen=True, slots=True)
class Upright:
    """A line through all rows, labelled above them."""

    role: Role
    x: float
    label: str


@dataclass(eq=False, frozen=True, slots=True)
class Row:
    """One pair of axes; all rows of a picture share the axis across."""

    y: Axis
    curves: Sequence[Curve] = ()
    bands: Sequence[Band] = ()
    levels: Sequence[Level] = ()


@dataclass(eq=False, frozen=True, slots=True)
class Picture:
    """One picture. `title`: what it shows. `words`: the same read out. `spark`: the line of the text form."""

    shape: Shape
    title: str
    words: str
    x: Axis
    rows: Sequence[Row]
    uprights: Sequence[Upright] = ()
    spark: Sequence[float] = field(default_factory=tuple)
    spark_ends: tuple[float, float] | None = None  # lowest and highest of its row; None: its own


@dataclass(frozen=True, slots=True)
class NoPicture:
    """Why there is none, as a sentence."""

    why: str


def ends(*values: FloatArray | Sequence[float], room: float = 0.08, least: float = 1e-9) -> tuple[float, float]:
    """Smallest and largest finite value of all with some room; never empty."""
    flat = np.concatenate([np.asarray(one, dtype=np.float64).ravel() for one in values] or [np.zeros(1)])
    flat = flat[np.isfinite(flat)]
    low, high = (float(flat.min()), float(flat.max())) if flat.size else (0.0, 1.0)
    margin = max((high - low) * room, abs(high) * 1e-3, least)
    return low - margin, high + margin


# Round places along an axis: numbers, or moments of the plant's clock.

_S, _MIN, _H, _DAY = 1e3, 60e3, 3600e3, 86_400e3
#: Steps between marks of a clock, ms.
_STEPS = (
    *(k * _S for k in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30)),
    *(k * _MIN for k in (1, 2, 5, 10, 20, 30)),
    *(k * _H for k in (1, 2, 3, 6, 12)),
    *(k * _DAY for k in (1, 2, 3, 5, 7, 14, 28, 56, 91, 182)),
)  # fmt: skip


def marks_of(axis: Axis, most: int) -> list[tuple[float, str]]:
    """Places and their words, at most about `most`."""
    if not axis.clock:
        return [(value, numeral(value)) for value in ticks(axis.low, axis.high, most)]
    step = next((one for one in _STEPS if (axis.high - axis.low) / one <= most), _STEPS[-1])
    first = -(-axis.low // step) * step
    places = [first + k * step for k in range(int((axis.high - first) // step) + 1)]
    return [(at, moment(at, step)) for at in places]


def moment(wall_ms: float, step_ms: float) -> str:
    """A place on the plant's clock with as much as tells marks of that distance apart."""
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=wall_ms)
    if step_ms >= _DAY:
        return f"{at.day} {at:%b}"
    if step_ms >= _MIN:
        return f"{at:%H:%M}" if at.hour or at.minute else f"{at.day} {at:%b}"
    if step_ms >= _S:
        return f"{at:%H:%M:%S}"
    return f"{at:%S}.{at.microsecond // 100_000} s"

"""The description of one picture, from which the screen's figure, the paper's SVG and a mail's image are drawn.

Values are in the units in which they are shown. An axis of time holds milliseconds of the plant's wall clock
(`PlantTime.plot_ms`), so that no renderer can show another clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

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

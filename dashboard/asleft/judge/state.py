"""What the judge remembers of one valve between calls, as text and back, and a copy of it that may be changed.

Bounded: minutes of segments, some history.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field, fields, is_dataclass, replace
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from asleft.judge.coil.coldsoak import SoakCarry
from asleft.judge.coil_state import CoilDay
from asleft.judge.dither import DitherBurst
from asleft.judge.drift import Chart, OilThermalState
from asleft.judge.driver.answer import Misfit, Reaction
from asleft.judge.features import Dwell, PressureDelay, Stroke
from asleft.judge.fit.levels import FitPoints
from asleft.judge.held import HeldLevel
from asleft.judge.intake.intake import ROWS, Intake, Scale
from asleft.judge.intake.states import StateCarry
from asleft.judge.packing import pack, pack_rows, unpack, unpack_rows
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.segments.segments import Carry
from asleft.judge.segments.sliding import SlideCarry
from asleft.judge.types import JUDGE_VERSION, Finding, Fit, FloatArray
from asleft.judge.valve.pressure import LevelKey, LevelPressure
from asleft.judge.watching.sensors import Zero
from asleft.judge.watching.stretches import Stretch, WatchCarry

if TYPE_CHECKING:
    from msgspec.msgpack import Decoder, Encoder


def _empty() -> FloatArray:
    return np.empty((ROWS, 0))


@dataclass(frozen=True, slots=True)
class Said:
    """When a valve was last judged (unix s), its producing clock then, and what of that is told at once."""

    at_s: float
    clock_s: float
    at_once: tuple[str, ...]  # see `steps.looks.told_at_once`


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
    said: Said | None = None  # None: not judged yet


# A state as text and back, and a copy of it that may be changed: from the types of its fields alone.
#
# A new field of any record in `JudgeState` is stored, read and copied without a line here. The fields' types are the
# schema: what does not fit them is refused on the way in. Long tables of numbers go apart, packed by columns.

_LEVEL = 1  # of deflate; the next ones take twice as long for a per cent

T = TypeVar("T")


def dumps(state: JudgeState) -> str:
    """Text form; `loads` gives back an equal state, floats exact.

    JSON: the version to read, the tables each by itself, and all else deflated.
    """
    charts = state.charts.values()
    bare = replace(
        state,
        dwells=[],
        strokes=[],
        charts={
            name: replace(chart, points=[], history=[], noise=replace(chart.noise, recent=[]))
            for name, chart in state.charts.items()
        },
    )
    return json.dumps(
        {
            "version": JUDGE_VERSION,
            "packed": base64.b64encode(zlib.compress(_codec()[0].encode(bare), _LEVEL)).decode("ascii"),
            "dwells": pack_rows(state.dwells, len(Dwell._fields)),
            "strokes": pack_rows(state.strokes, len(Stroke._fields)),
            # most quantities have the same times: in one table they cost little
            "lengths": [(len(chart.points), len(chart.history), len(chart.noise.recent)) for chart in charts],
            "points": pack_rows([row for chart in charts for row in chart.points], 3),
            "history": pack_rows([row for chart in charts for row in chart.history], 3),
            "recent": pack_rows([(float(mean),) for chart in charts for mean in chart.noise.recent], 1),
        }
    )


def loads(text: str) -> JudgeState:
    """State from its text form.

    Raises:
        ValueError: the text was written by another version of the judge, or is none of its texts.
    """
    outside: dict[str, Any] = json.loads(text)
    if outside["version"] != JUDGE_VERSION:
        raise ValueError(
            f"judge state of version {outside['version']}, this judge is version {JUDGE_VERSION}: judge again"
        )
    state = _codec()[1].decode(zlib.decompress(base64.b64decode(outside["packed"])))
    state.dwells = [Dwell(*row) for row in unpack_rows(outside["dwells"], len(Dwell._fields))]
    state.strokes = [Stroke(*row) for row in unpack_rows(outside["strokes"], len(Stroke._fields))]
    points, history = (_rows(outside[name], 3) for name in ("points", "history"))
    recent = _rows(outside["recent"], 1)
    for chart, (of_points, of_history, of_recent) in zip(state.charts.values(), outside["lengths"], strict=True):
        chart.points = [(at_s, value, u) for at_s, value, u in islice(points, of_points)]
        chart.history = [(at_s, mean, int(n)) for at_s, mean, n in islice(history, of_history)]
        chart.noise.recent = [mean for (mean,) in islice(recent, of_recent)]
    return state


def copied(value: T) -> T:
    """A copy whose records, lists and tables may be changed; what cannot be changed, and arrays, are shared."""
    if isinstance(value, list):
        return [*_each(value)]  # type: ignore[return-value]
    if isinstance(value, dict):
        return dict(zip(value, _each(value.values()), strict=True))  # type: ignore[return-value]
    names = _changeable(type(value))  # type: ignore[arg-type]
    return replace(value, **{name: copied(getattr(value, name)) for name in names}) if names else value  # type: ignore[type-var]


def _each(values: Collection[Any]) -> Iterable[Any]:
    """Copies of some values of one type; the same where none of them can be changed."""
    for first in values:
        if isinstance(first, list) and first and not _may_change(first[0]):
            return map(list.copy, values)
        return map(copied, values) if _may_change(first) else values
    return values


def _may_change(value: object) -> bool:
    return isinstance(value, list | dict) or bool(_changeable(type(value)))  # type: ignore[arg-type]


@cache
def _changeable(kind: type) -> tuple[str, ...]:
    """The fields of a record that can be changed; none of anything else."""
    if not is_dataclass(kind) or kind.__dataclass_params__.frozen:  # type: ignore[attr-defined]
        return ()
    return tuple(one.name for one in fields(kind))


def _rows(text: str, width: int) -> Iterator[list[float]]:
    return iter(unpack_rows(text, width))


def _out(value: Any) -> Any:  # noqa: ANN401 - whatever the library does not know
    if isinstance(value, np.ndarray):
        columns, rows = value.shape  # many short columns are packed as few long ones, which is quicker
        return (-rows, pack(value.T)) if columns > rows > 0 else (columns, pack(value))
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(f"a state cannot hold a {type(value).__name__}")


def _in(_kind: object, raw: Any) -> Any:  # noqa: ANN401 - every array is one table of numbers
    columns, text = raw
    return unpack(text, columns) if columns >= 0 else np.ascontiguousarray(unpack(text, -columns).T)


@cache
def _codec() -> tuple[Encoder, Decoder[JudgeState]]:
    """Both ways; made when first needed, because a file is judged without."""
    from msgspec.msgpack import Decoder, Encoder

    return Encoder(enc_hook=_out), Decoder(JudgeState, dec_hook=_in)

"""A verification as a record keeps it: JSON by the types below, both ways; see `judge.published`.

Units are in the names; null where unknown, times ISO 8601 UTC.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from asleft.judge import published
from asleft.judge.published import Moment, plain_values
from asleft.judge.types import Verdict, iso
from asleft.judge.verify import result
from asleft.judge.verify.result import Outcome
from msgspec import Struct, convert, field


class Graded(Struct, frozen=True):
    """One number against what the sheet wants of it. `tolerance`: [below as a negative number, above]."""

    wanted: float | None
    found: float | None
    uncertainty: float | None
    tolerance: tuple[float | None, float | None] | None
    verdict: Verdict
    reason: str = ""


class Step(Struct, frozen=True):
    """One level of the graded sweep."""

    way: str
    command_pct: float
    at: Moment
    current_a: Graded
    pressure_bar: Graded


class RampStep(Struct, frozen=True):
    """One step of the command that a ramp held back. Records of form 1 do not say how much of it was seen."""

    way: str
    from_pct: float
    to_pct: float
    at: Moment
    ramp_s: Graded
    stayed_s: float | None = None
    seen_pct: float | None = None
    readings_pct: float | None = None


class Trace(Struct, frozen=True):
    """One stroke, normalised to the full span."""

    way: str
    time_s: tuple[float, ...]
    share: tuple[float, ...]


class Course(Struct, frozen=True):
    """A channel over the stretch: seconds since it began, and readings in `unit`; null where nothing was read."""

    channel: str
    unit: str
    time_s: tuple[float, ...]
    values: tuple[float | None, ...]


class Range(Struct, frozen=True):
    """Smallest, mean and largest value of a channel over the stretch."""

    channel: str
    unit: str
    low: float
    mean: float
    high: float


class Sweep(Struct, frozen=True):
    """The graded sweep: when, and how fast each way (% of the range per second)."""

    since: Moment = field(name="from")
    top: Moment
    until: Moment = field(name="to")
    up_pct_s: float
    down_pct_s: float


class Check(Struct, frozen=True):
    """A stretch of recorded data as a verification of the sheet."""

    since: Moment = field(name="from")
    until: Moment = field(name="to")
    outcome: Outcome
    conditioning_cycles: int
    sweep: Sweep | None
    steps: tuple[Step, ...]
    ramp_steps: tuple[RampStep, ...]
    ramp_traces: tuple[Trace, ...]
    quantities: tuple[published.Quantity, ...]
    findings: tuple[published.Finding, ...]
    characteristic: published.Characteristic | None
    conditions: tuple[Range, ...]
    missing: tuple[str, ...]
    remarks: tuple[str, ...]
    courses: tuple[Course, ...] = ()
    """Empty in records that were filed before they were kept."""


def check_json(check: result.Check) -> dict[str, Any]:
    """A verification as plain values for JSON."""
    plain: dict[str, Any] = plain_values(_check(check))
    return plain


def traces_json(strokes: Iterable[result.Trace]) -> list[Mapping[str, Any]]:
    """Ramps as plain values for JSON, rounded to what a picture shows."""
    plain: list[Mapping[str, Any]] = plain_values(list(map(_trace, strokes)))
    return plain


def read_check(kept: Mapping[str, Any]) -> Check:
    """What a record keeps of a verification. Raises `msgspec.ValidationError` naming the field that does not fit."""
    return convert(kept, Check)


def _check(check: result.Check) -> Check:
    return Check(
        since=iso(check.from_s),
        until=iso(check.to_s),
        outcome=check.outcome,
        conditioning_cycles=check.conditioning,
        sweep=None if check.sweep is None else _sweep(check.sweep),
        steps=tuple(
            Step(one.way, one.command_pct, iso(one.at_s), _graded(one.current), _graded(one.pressure))
            for one in check.steps
        ),
        ramp_steps=tuple(map(_ramp_step, check.ramps)),
        ramp_traces=tuple(map(_trace, check.traces)),
        quantities=tuple(map(published.published_quantity, check.judgement.quantities)),
        findings=tuple(map(published.published_finding, check.judgement.findings)),
        characteristic=published.published_characteristic(check.judgement.characteristic),
        conditions=tuple(Range(one.channel, one.unit, one.low, one.mean, one.high) for one in check.conditions),
        missing=check.missing,
        remarks=check.judgement.remarks,
        courses=tuple(map(_course, check.courses)),
    )


def _graded(one: result.Graded) -> Graded:
    limits = None if one.below is None or one.above is None else (_finite(-one.below), _finite(one.above))
    return Graded(_finite(one.wanted), _finite(one.found), _finite(one.uncertainty), limits, one.verdict, one.reason)


def _ramp_step(one: result.RampStep) -> RampStep:
    return RampStep(
        one.way,
        one.from_pct,
        one.to_pct,
        iso(one.at_s),
        _graded(one.ramp),
        _finite(one.stayed_s),
        one.seen_pct,
        one.readings_pct,
    )


def _sweep(one: result.Sweep) -> Sweep:
    return Sweep(iso(one.from_s), iso(one.top_s), iso(one.to_s), one.up_pct_s, one.down_pct_s)


def _trace(stroke: result.Trace) -> Trace:
    return Trace(stroke.way, tuple(round(t, 4) for t in stroke.time_s), tuple(round(y, 4) for y in stroke.share))


def _course(one: result.Course) -> Course:
    values = tuple(float(f"{y:.5g}") if math.isfinite(y) else None for y in one.values)
    return Course(one.channel, one.unit, tuple(round(t, 3) for t in one.time_s), values)


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)

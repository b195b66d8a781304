"""A judgement as it is published and stored: JSON by the types below, both ways (msgspec).

Numbers in stored units, null where unknown, times ISO 8601 UTC with milliseconds. The order of the fields is that of
the JSON. What an earlier version stored lacks later fields: each has what it means where it is absent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from asleft.catalogue.statuses import Status
from asleft.judge import types
from asleft.judge.types import State, Verdict, iso
from msgspec import Struct, convert, field, json

#: A moment as ISO 8601 UTC, None where unknown.
Moment = str | None


class Bound(Struct, frozen=True, omit_defaults=True):
    """What a value that was not observed is known to be below and above; at least one of them."""

    below: float | None = None
    above: float | None = None


class Coverage(Struct, frozen=True):
    """On what a value rests; commands in %."""

    segments: int = 0
    since: Moment = field(name="from", default=None)
    until: Moment = field(name="to", default=None)
    command_min: float | None = None
    command_max: float | None = None


class Quantity(Struct, frozen=True):
    """One line of the sheet. `tolerance`: one number, or [below as a negative number, above], None for no limit."""

    id: str
    unit: str = ""
    as_left: float | None = None
    as_left_measured: float | None = None
    as_found: float | None = None
    uncertainty: float | None = None
    change_uncertainty: float | None = None
    tolerance: float | tuple[float | None, float | None] | None = None
    tolerance_used: float | None = None
    verdict: Verdict = Verdict.NOT_OBSERVED
    reason: str = ""
    bound: Bound | None = None
    trend_per_day: float | None = None
    trend_interval: tuple[float, float] | None = None
    forecast: Moment = None
    forecast_interval: tuple[Moment, Moment] | None = None
    coverage: Coverage = Coverage()


class Finding(Struct, frozen=True):
    """A judged departure. `part`, `alternatives`: values of `catalogue.parts.Part` in the version that wrote it."""

    kind: str
    part: str
    alternatives: tuple[str, ...] = ()
    onset: Moment = None
    severity: int = 1
    evidence: str = ""
    consequence_of: str | None = None


class Level(Struct, frozen=True):
    """One level of a branch: A, %, bar."""

    current: float | None
    command: float | None
    pressure: float | None
    uncertainty: float | None
    n: int
    commissioned: float | None
    departure: float | None


class Departure(Struct, frozen=True):
    """Largest departure of a branch from the commissioned one: bar, %, A."""

    pressure: float | None
    uncertainty: float | None
    command: float | None
    current: float | None


class Branch(Struct, frozen=True):
    """One branch of the characteristic, levels by ascending current (A)."""

    levels: tuple[Level, ...] = ()
    largest_departure: Departure | None = None
    current_from: float | None = None
    current_to: float | None = None


class Figure(Struct, frozen=True):
    """A number with unit and expanded uncertainty, or the reason why there is none."""

    value: float | None
    uncertainty: float | None
    unit: str
    basis: str
    reason: str | None
    bound: Bound | None = None


class Characteristic(Struct, frozen=True):
    """Pressure against current as seen now."""

    reason: str | None
    compared_with: str | None
    rising: Branch
    falling: Branch
    hysteresis: Figure
    dead_band: Figure
    linearity: tuple[Figure, ...]
    stick_slip: float | None


class Clipping(Struct, frozen=True):
    """Where and when the current will be cut off: degC of the winding, V of the supply."""

    temperature: float | None
    supply: float | None
    since: Moment = field(name="from")
    earliest: Moment
    latest: Moment


class Coil(Struct, frozen=True):
    """The coil as it is now: ohm, degC, % of headroom."""

    resistance: float | None
    resistance_uncertainty: float | None
    temperature: float | None
    temperature_uncertainty: float | None
    basis: str
    headroom_now: float | None
    headroom_corner: float | None
    clipping: Clipping


class Fit(Struct, frozen=True):
    """Whether what is read fits the sheet; None while that is not known."""

    fits: bool | None = None
    cause: str = ""
    evidence: str = ""
    remedy: str = ""
    since: Moment = None


class Judgement(Struct, frozen=True):
    """Everything the judge says about one valve at one time. `states`: hours by state."""

    valve: str
    sheet_revision: int
    since: Moment = field(name="from")
    until: Moment = field(name="to")
    samples: int
    status: Status
    sentence: str
    states: Mapping[str, float]
    state: State = State.UNKNOWN
    basis: Mapping[str, str] = {}
    quantities: tuple[Quantity, ...] = ()
    findings: tuple[Finding, ...] = ()
    remarks: tuple[str, ...] = ()
    characteristic: Characteristic | None = None
    coil: Coil | None = None
    fit: Fit = Fit()


def judgement_json(judgement: types.Judgement) -> dict[str, Any]:
    """A judgement as plain values for JSON."""
    plain: dict[str, Any] = plain_values(published(judgement))
    return plain


def plain_values(published: object) -> Any:  # noqa: ANN401 - as JSON has it
    """Tables, lists, words, numbers and None, as a reader of the JSON gets them."""
    return json.decode(json.encode(published))


def read_judgement(stored: Mapping[str, Any]) -> Judgement:
    """What was stored, by type. Raises `msgspec.ValidationError` naming the field that does not fit."""
    return convert(stored, Judgement)


def published(judgement: types.Judgement) -> Judgement:
    """A judgement as it is published."""
    return Judgement(
        valve=judgement.valve,
        sheet_revision=judgement.sheet_revision,
        since=iso(judgement.from_s),
        until=iso(judgement.to_s),
        samples=judgement.samples,
        status=judgement.status,
        sentence=judgement.sentence,
        states={name: round(hours, 6) for name, hours in judgement.state_hours.items()},
        state=judgement.current_state,
        basis=dict(judgement.basis),
        quantities=tuple(map(published_quantity, judgement.quantities)),
        findings=tuple(map(published_finding, judgement.findings)),
        remarks=judgement.remarks,
        characteristic=published_characteristic(judgement.characteristic),
        coil=None if judgement.coil is None else _coil(judgement.coil),
        fit=Fit(
            judgement.fit.fits,
            judgement.fit.cause,
            judgement.fit.evidence,
            judgement.fit.remedy,
            iso(judgement.fit.since_s),
        ),
    )


def published_quantity(result: types.QuantityResult) -> Quantity:
    """One line of the sheet as it is published."""
    low, high = result.trend_low_per_day, result.trend_high_per_day
    coverage = result.coverage
    return Quantity(
        id=result.id,
        unit=result.unit,
        as_left=_finite(result.as_left),
        as_left_measured=_finite(result.as_left_measured),
        as_found=_finite(result.as_found),
        uncertainty=_finite(result.uncertainty),
        change_uncertainty=_finite(result.change_uncertainty),
        tolerance=_tolerance(result.tolerance_below, result.tolerance_above),
        tolerance_used=_finite(result.tolerance_used_pct),
        verdict=result.verdict,
        reason=result.reason,
        bound=_bound(result.bound_below, result.bound_above),
        trend_per_day=_finite(result.trend_per_day),
        trend_interval=None if low is None or high is None else (low, high),
        forecast=iso(result.forecast_s),
        forecast_interval=None
        if result.forecast_s is None
        else (iso(result.forecast_early_s), iso(result.forecast_late_s)),
        coverage=Coverage(
            coverage.segments,
            iso(coverage.from_s),
            iso(coverage.to_s),
            coverage.command_min_pct,
            coverage.command_max_pct,
        ),
    )


def published_finding(finding: types.Finding) -> Finding:
    """A finding as it is published."""
    return Finding(
        kind=finding.kind,
        part=finding.part.value,
        alternatives=tuple(part.value for part in finding.alternatives),
        onset=iso(finding.onset_s),
        severity=finding.severity,
        evidence=finding.evidence,
        consequence_of=finding.consequence_of,
    )


def published_characteristic(found: types.CharacteristicResult | None) -> Characteristic | None:
    """A characteristic as it is published."""
    if found is None:
        return None
    return Characteristic(
        reason=found.reason or None,
        compared_with=found.compared_with or None,
        rising=_branch(found.rising),
        falling=_branch(found.falling),
        hysteresis=_figure(found.hysteresis),
        dead_band=_figure(found.dead_band),
        linearity=tuple(map(_figure, found.linearity)),
        stick_slip=_finite(found.stick_slip_bar),
    )


def _tolerance(below: float | None, above: float | None) -> float | tuple[float | None, float | None] | None:
    if below is None and above is None:
        return None
    if below is not None and above is not None and below == above and math.isfinite(above):
        return above
    return _finite(-below if below is not None else None), _finite(above)


def _bound(below: float | None, above: float | None) -> Bound | None:
    return None if below is None and above is None else Bound(below, above)


def _branch(branch: types.BranchResult) -> Branch:
    levels = tuple(
        Level(
            _finite(level.current_a),
            _finite(level.command_pct),
            _finite(level.pressure_bar),
            _finite(level.uncertainty_bar),
            level.n,
            _finite(level.commissioned_bar),
            _finite(level.departure_bar),
        )
        for level in branch.levels
    )
    worst = branch.largest_departure
    departure = None
    if worst is not None:
        departure = Departure(
            _finite(worst.bar), _finite(worst.uncertainty_bar), _finite(worst.command_pct), _finite(worst.current_a)
        )
    return Branch(levels, departure, _finite(branch.current_from_a), _finite(branch.current_to_a))


def _figure(figure: types.Figure) -> Figure:
    return Figure(
        _finite(figure.value),
        _finite(figure.uncertainty),
        figure.unit,
        figure.basis,
        figure.reason or None,
        _bound(_finite(figure.below), _finite(figure.above)),
    )


def _coil(coil: types.CoilNow) -> Coil:
    return Coil(
        resistance=_finite(coil.resistance_ohm),
        resistance_uncertainty=_finite(coil.resistance_u_ohm),
        temperature=_finite(coil.temperature_degc),
        temperature_uncertainty=_finite(coil.temperature_u_k),
        basis=coil.basis,
        headroom_now=_finite(coil.headroom_now_pct),
        headroom_corner=_finite(coil.headroom_corner_pct),
        clipping=Clipping(
            temperature=_finite(coil.clips_at_degc),
            supply=_finite(coil.clips_at_v),
            since=iso(coil.clips_from_s),
            earliest=iso(coil.clips_earliest_s),
            latest=iso(coil.clips_latest_s),
        ),
    )


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)

"""From a state to the judgement: quantities with verdicts, findings, status, sentence, remarks."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from asleft.catalogue.finding_kinds import FINDING_KINDS, READING_KINDS
from asleft.catalogue.statuses import Status, worst
from asleft.judge.coil.headroom import headroom_result
from asleft.judge.coil_state import CoilState, Nearing, look, nearing, report_of, usual_hottest_degc
from asleft.judge.decide import Estimate, expanded_uncertainty, tolerance_used_pct, verdict
from asleft.judge.driver.supply import supply_never_moved
from asleft.judge.estimates.as_found import AsFound, Found, NotObserved, Seen
from asleft.judge.estimates.estimate import estimate
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.findings import find
from asleft.judge.finding.held import stepped_s
from asleft.judge.finding.steadiness import unsteady
from asleft.judge.fit.fit import fit_sentence, judge_fit, short_supply, unjudged
from asleft.judge.intake.intake import remarks_of
from asleft.judge.intake.states import CODES
from asleft.judge.onset import CREEPS, feature_series, left_lately, motion_within, step_within, times_of
from asleft.judge.sentence import beyond_undecided, little_seen, sentence
from asleft.judge.state import JudgeState
from asleft.judge.steps.cutting import forget_misread
from asleft.judge.steps.looks import counting, missing_of, said_now
from asleft.judge.steps.outer_remarks import outer_remarks
from asleft.judge.steps.points import seen_of
from asleft.judge.trend import Now, trend_fields
from asleft.judge.types import Coverage, Finding, Judgement, QuantityResult, State, Verdict
from asleft.judge.valve.characteristic import Measured
from asleft.judge.valve.characteristic_report import report_of as characteristic_report
from asleft.judge.watching.stretches import Stretch
from asleft.judge.watching.watch import with_breaks
from asleft.sheet.model import QUANTITY_UNITS, Sheet
from asleft.sheet.names import LABELS, format_quantity

#: Quantities that one line through both of them gives.
_ENDS = (("current_at_zero", "current_at_full"), ("pressure_at_zero", "pressure_at_full"))
#: Ends of reasons for what no channel shows.
_NO_CHANNEL = (" on this valve", "not recorded", "no fast bursts of the current")
_NOTHING = Coverage(0, None, None, None, None)
_RAMPS = {"ramp_up", "ramp_down"}


def summarise(sheet: Sheet, state: JudgeState, *, stated: bool = False) -> Judgement:
    """The judgement now. Remembers the findings in `state`, so that each keeps its onset.

    `stated`: a person says that this is the sheet to hold the valve against, see `fit.judge_fit`.
    """
    dwells, strokes = state.dwells, state.strokes
    if state.horizon_s is not None and dwells:
        since = dwells[-1].clock_s - state.horizon_s
        dwells = [d for d in dwells if d.clock_s >= since]
        strokes = [s for s in strokes if s.clock_s >= since]
    seen = seen_of(state, dwells, strokes, state.bursts)
    found = estimate(sheet, seen)
    characteristic = _after_steps(sheet, seen, found)
    watched = _watched(state, seen, found)
    if watched.supply_never_moved:
        found.quantities["supply_voltage"] = NotObserved("its reading never moved")
    coil, room = look(sheet, seen, found, seen.cold)
    found.quantities["headroom"] = room
    soon = nearing(state.coil_days, *coil.clipping)
    results = {
        name: _result(sheet, state, name, found)
        for name in QUANTITY_UNITS
        if name in sheet.as_left or name == "headroom"
    }
    if short_supply(results):
        for name in _RAMPS & results.keys():
            found.quantities[name] = NotObserved("the supply cuts the current off at which strokes end")
            results[name] = _result(sheet, state, name, found)
    live = state.horizon_s is not None
    said = state.fit.fits
    state.fit = judge_fit(sheet, state.fit_points, state.fit, results, state.to_s, live=live, stated=stated)
    if said is False and state.fit.fits is not False:
        forget_misread(sheet, state)
        return summarise(sheet, state, stated=stated)
    if state.fit.fits is False:
        state.said = said_now(state)
        return _without_findings(sheet, state, results, live=live)
    context = _context(
        state, watched.stretches, sheet=sheet, seen=seen, found=found, results=results, coil=coil, soon=soon
    )
    findings = find(context, state.findings, state.began_under)
    _remember(state, findings)
    state.said = said_now(state)
    now = CODES[state.last_state]
    # Before its own levels are known, a log's first word on a valve; later a load's are known from the valve's.
    doubted = [name for name, value in found.quantities.items() if name in results and in_doubt(value) and not live]
    wavers = unsteady(context) if not (live or findings) else []
    return Judgement(
        valve=sheet.valve,
        sheet_revision=sheet.revision.number,
        from_s=state.from_s,
        to_s=state.to_s,
        samples=state.samples,
        status=_status(now, results, findings, [*doubted, *wavers], live=live),
        sentence=sentence(
            sheet, results, findings, now, doubted, usable_share(context.missing, context.readings), wavers
        ),
        state_hours=dict(state.hours),
        quantities=tuple(results.values()),
        findings=tuple(findings),
        remarks=(*_remarks(sheet, state), *outer_remarks(sheet, state, found.held)),
        basis=dict(state.basis),
        characteristic=characteristic_report(sheet, characteristic, state.curve_left),
        current_state=now,
        coil=report_of(coil, soon),
        fit=state.fit,
    )


def _context(
    state: JudgeState,
    stretches: list[Stretch],
    *,
    sheet: Sheet,
    seen: Seen,
    found: AsFound,
    results: dict[str, QuantityResult],
    coil: CoilState,
    soon: Nearing | None,
) -> FindingContext:
    return FindingContext(
        sheet=sheet,
        seen=seen,
        found=found,
        results=results,
        charts=state.charts,
        stretches=stretches,
        missing=missing_of(state),
        readings=state.samples if state.missing else sum(f[2] - f[1] for f in state.failed),
        vented_shift_bar=state.vented.shift,
        idle_shift_a=state.idle.shift,
        coil=coil,
        nearing=soon,
        usual_winding_degc=usual_hottest_degc(state.coil_days),
        reaction=state.reaction,
        misfit=state.misfit,
        pressure_delays=state.pressure_delays,
        gone_s=state.gone_s,
        standing=frozenset(state.findings),
    )


def _status(
    now: State,
    results: Mapping[str, QuantityResult],
    findings: Sequence[Finding],
    doubted: Sequence[str],
    *,
    live: bool,
) -> Status:
    """The worst of what findings, the machine's state and what was not seen say.

    Live, a channel that a plant does not have is no news of any day: the headline names what it cannot show, and the
    rest is judged. A log is held against the whole sheet.
    """
    statuses = [
        FINDING_KINDS[f.kind].status if f.severity > 1 else Status.MAINTENANCE_REQUIRED
        for f in findings
        if f.kind not in READING_KINDS  # these stand beside the verdict on the machine
    ]
    if now in {State.SET_UP, State.WORK_IN_PROGRESS}:
        statuses.append(Status.FUNCTION_CHECK)
    if any(beyond_undecided(result) for result in results.values()):
        statuses.append(Status.MAINTENANCE_REQUIRED)  # likely out: whatever it is, it is not good
    asked = [result for result in results.values() if result.as_left is not None]
    if doubted or little_seen([one for one in asked if not (live and one.reason.endswith(_NO_CHANNEL))]):
        statuses.append(Status.NOT_JUDGED)
    return worst(statuses)


class _Watched(NamedTuple):
    stretches: list[Stretch]
    supply_never_moved: bool


def _watched(state: JudgeState, seen: Seen, found: AsFound) -> _Watched:
    """What was watched, and a supply reading that was dead before anything could be watched."""
    seen_s = with_breaks(counting(state))
    if found.line is None or any(stretch.kind == "stuck:supply" for stretch in seen_s):
        return _Watched(seen_s, supply_never_moved=False)
    never = supply_never_moved(seen.dwells, found.line.at_full_a - found.line.at_zero_a, seen.resolution_a)
    return _Watched([*seen_s, *never], supply_never_moved=bool(never))


def usable_share(missing: Mapping[str, int], readings: int) -> float:
    """Share of the readings that could be used. `missing`: how many could not, by reason; `readings`: that could."""
    lost = sum(missing.values())
    return 1.0 - lost / max(readings + lost, 1)


def in_doubt(value: Found) -> bool:
    """Whether what was seen in place of a quantity speaks against it."""
    return isinstance(value, NotObserved) and value.doubt


def _without_findings(
    sheet: Sheet, state: JudgeState, results: Mapping[str, QuantityResult], *, live: bool
) -> Judgement:
    """Where the readings do not fit the sheet: that is said first, and of the machine nothing is claimed."""
    return Judgement(
        valve=sheet.valve,
        sheet_revision=sheet.revision.number,
        from_s=state.from_s,
        to_s=state.to_s,
        samples=state.samples,
        status=Status.FUNCTION_CHECK,
        sentence=fit_sentence(sheet, state.fit, live=live),
        state_hours=dict(state.hours),
        quantities=tuple(unjudged(result) for result in results.values()),
        findings=(),
        remarks=_remarks(sheet, state),
        basis=dict(state.basis),
        current_state=CODES[state.last_state],
        fit=state.fit,
    )


def _remember(state: JudgeState, findings: Sequence[Finding]) -> None:
    """Keep the findings, under which cause each was first told, and when those went that are no longer there."""
    now = {finding.kind: finding for finding in findings}
    gone = {kind: state.to_s for kind in state.findings if kind not in now and state.to_s is not None}
    state.gone_s.update({kind: at_s for kind, at_s in gone.items() if at_s is not None})
    state.began_under = {
        kind: state.began_under.get(kind, "") if kind in state.findings else finding.consequence_of or ""
        for kind, finding in now.items()
    }
    state.findings = now


class _Present(NamedTuple):
    """Since when a quantity is as it is now (unix s), how fast it still runs (1/s), its values in order of time."""

    since_s: float
    per_s: float
    series: Sequence[tuple[float, float]]


def _present(sheet: Sheet, seen: Seen, found: AsFound, name: str) -> _Present | None:
    """How a quantity stands now where it moved within the segments looked at; None where it did not."""
    tolerance = sheet.tolerance.get(name)
    if not isinstance(found.quantities[name], Estimate) or tolerance is None:
        return None
    series, width = feature_series(name, sheet, seen, found), min(tolerance.below, tolerance.above)
    step_s, creep = motion_within(series, width) if name in CREEPS else (step_within(series, width), None)
    if name == "current_at_full" and _cut_came_within(seen, found):
        return None
    if step_s is not None:
        return _Present(step_s, 0.0, series)
    times = times_of(name, series, sheet, seen, found)
    if times is None and creep is not None:
        return _Present(creep.since_s, creep.per_s, series)
    since_s = times.since_s if times is not None else left_lately(name, series, sheet, found)
    return None if since_s is None else _Present(since_s, 0.0, series)


def _at_the_end(value: Estimate, present: _Present) -> Estimate:
    """A value that runs, carried from the middle of what it rests on to its end."""
    late = [at for at, _ in present.series if at >= present.since_s]
    if not present.per_s or not late:
        return value
    ahead = present.per_s * (late[-1] - sum(late) / len(late))
    return replace(value, value=value.value + ahead, systematic=math.hypot(value.systematic, ahead / 2.0))


def _by_single(value: Found, present: _Present) -> Found:
    """The end of a line as single segments tell it since it moved, where no line can be drawn since then.

    A value over all segments would be a mixture of before and after.
    """
    late = [v for at, v in present.series if at >= present.since_s]
    if not isinstance(value, Estimate) or len(late) < 2:
        return value
    spread = statistics.stdev(late) / math.sqrt(len(late))
    return replace(value, value=statistics.fmean(late), repeatability=spread, dof=len(late) - 1.0, segments=len(late))


def _after_steps(sheet: Sheet, seen: Seen, found: AsFound) -> Measured:
    """Where a quantity moved within the segments looked at, have it rest on those from when it is as it is now.

    Returns the characteristic after the last step that moved it.
    """
    later: dict[float, AsFound] = {}
    moved: dict[str, _Present] = {}
    moved_s = -math.inf
    for name in found.quantities:
        present = _present(sheet, seen, found, name)
        if present is None:
            continue
        since = present.since_s
        if since not in later:
            later[since] = _estimate_since(sheet, seen, found, since)
        moved[name] = present
        again = later[since].quantities[name]
        if isinstance(again, Estimate):
            found.quantities[name] = _at_the_end(again, present)
            if name == "hysteresis" or name.startswith("pressure"):
                moved_s = since if name == "hysteresis" else max(moved_s, since)
        elif name.startswith("current"):
            found.quantities[name] = _by_single(found.quantities[name], present)
    found.stepped_s = max(later, default=-math.inf)
    _other_ends(found, later, moved)
    if later and seen.has_current and not _cut_came_within(seen, found):
        cut_since(found, later[max(later)])
    held_s = stepped_s(sheet, found.held) if seen.held_left else None
    if held_s is not None:
        after = replace(seen, dwells=[d for d in seen.dwells if d.from_s >= held_s])
        found.held = estimate(sheet, after).held or found.held
    return later[moved_s].characteristic if moved_s in later else found.characteristic


def _estimate_since(sheet: Sheet, seen: Seen, found: AsFound, since_s: float) -> AsFound:
    return estimate(
        sheet,
        replace(
            seen,
            dwells=[d for d in seen.dwells if d.from_s >= since_s],
            strokes=[s for s in seen.strokes if s.from_s >= since_s],
            bursts=[b for b in seen.bursts if b.at_s >= since_s],
            control=found.control,
            no_tone=False,  # what came within the readings is no dither that stands still in them
        ),
    )


def _other_ends(found: AsFound, later: Mapping[float, AsFound], moved: Mapping[str, _Present]) -> None:
    """Where one end of a line stepped or creeps, the other one is no mixture of before and after either."""
    for pair in _ENDS:
        here = [moved[name] for name in pair if name in moved]
        stepped = [present.since_s for present in here if not present.per_s]
        since = max(stepped or [present.since_s for present in here], default=None)
        if since is None:
            continue
        for name in pair:
            end = later[since].quantities.get(name)
            # Both ends of a current are one line's; where one creeps, so late a line may not be seen.
            known = isinstance(end, Estimate) or (bool(stepped) and name.startswith("current"))
            if name not in moved and known and end is not None and isinstance(found.quantities.get(name), Estimate):
                found.quantities[name] = end


def _cut_came_within(seen: Seen, found: AsFound) -> bool:
    """Whether the current is cut off that was whole at first: what came later does not tell that from a setting."""
    clip = found.clip
    return clip is not None and any(d.from_s < clip.from_s and d.demand > clip.demand - 0.02 for d in seen.dwells)


def cut_since(found: AsFound, after: AsFound) -> None:
    """Whether the current is cut off is what the dwells after the last step say, where they reach as high.

    A pressure that fell because the coil now takes less is else told a while before the current that took it down.
    """
    tops = [max((level.demand for level in one.levels), default=0.0) for one in (found, after)]
    if len(after.levels) >= 3 and tops[1] >= tops[0] - 0.02 and (after.clip is None) != (found.clip is None):
        found.clip, found.levels, found.line = after.clip, after.levels, after.line


def _result(sheet: Sheet, state: JudgeState, name: str, found: AsFound) -> QuantityResult:
    left = sheet.as_left.get(name)
    tolerance = sheet.tolerance.get(name)
    value: Found = found.quantities.get(name, NotObserved("this release does not measure it"))
    if name == "headroom":
        return headroom_result(value.reason if isinstance(value, NotObserved) else value, sheet.tolerance.get(name))
    chart = state.charts.get(name)
    measured = chart.left if chart is not None else None
    below = tolerance.below if tolerance is not None else None
    above = tolerance.above if tolerance is not None else None
    left_measured = measured[0] if measured is not None else None
    if isinstance(value, NotObserved) or left is None or tolerance is None:
        reason = value.reason if isinstance(value, NotObserved) else "not in the sheet"
        bounds = (value.below, value.above) if isinstance(value, NotObserved) else (None, None)
        return QuantityResult(
            name, QUANTITY_UNITS[name], left, None, None, None, below, above, None, Verdict.NOT_OBSERVED, reason,
            bounds[0], bounds[1], _NOTHING, left_measured,
        )  # fmt: skip
    expanded = value.expanded()
    deviation = value.value - left
    change_u = None
    if measured is not None:
        change_u = expanded_uncertainty(math.hypot(value.repeatability, measured[1]), value.dof, 0.0)
    result = verdict(deviation, expanded, tolerance)
    return QuantityResult(
        id=name,
        unit=QUANTITY_UNITS[name],
        as_left=left,
        as_found=value.value,
        uncertainty=expanded,
        change_uncertainty=change_u,
        tolerance_below=below,
        tolerance_above=above,
        tolerance_used_pct=tolerance_used_pct(deviation, tolerance),
        verdict=result,
        reason=_reason(value, result),
        bound_below=None,
        bound_above=None,
        coverage=Coverage(value.segments, value.from_s, value.to_s, value.command_min_pct, value.command_max_pct),
        as_left_measured=left_measured,
        **trend_fields(chart.trend if chart is not None else None, left, tolerance, _now(state, value)),
    )


def _now(state: JudgeState, value: Estimate) -> Now | None:
    at_s = value.to_s if value.to_s is not None else state.to_s
    return None if at_s is None else Now(at_s, value.value, value.expanded_change())


def _reason(value: Estimate, result: Verdict) -> str:
    parts = [value.note] if value.note else []
    if result is Verdict.UNDECIDED:
        parts.append("the uncertainty reaches over the tolerance")
    return "; ".join(parts)


def _remarks(sheet: Sheet, state: JudgeState) -> tuple[str, ...]:
    out = []
    if not any(i.expanded_uncertainty is not None for i in sheet.instruments.values()):
        out.append("Uncertainties are repeatability only: the sheet has no instrument entries.")
    for name, chart in state.charts.items():
        left = sheet.as_left.get(name)
        if chart.left is None or left is None:
            continue
        tolerance = sheet.tolerance[name]
        off = chart.left[0] - left
        limit = tolerance.above if off > 0 else tolerance.below
        if math.isfinite(limit) and abs(off) - 2.0 * chart.left[1] > 0.5 * limit:
            out.append(
                f"{LABELS[name].capitalize()} was entered as {format_quantity(name, left)} but measured "
                f"{format_quantity(name, chart.left[0])} when left."
            )
    return (*out, *remarks_of(state.intake, lately=state.horizon_s is not None))

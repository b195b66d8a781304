"""Findings of quantities that are out, or drift inside their tolerance."""

from __future__ import annotations

import math

from asleft.catalogue.finding_kinds import KIND_OF
from asleft.judge.drift.onset import feature_series, onset_of
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.finding.cut_at_times import cut_at_times
from asleft.judge.finding.within import moved_within
from asleft.judge.trend import due_words
from asleft.judge.types import Finding, QuantityResult, Verdict
from asleft.sheet.names import LABELS, counted, format_pair, format_quantity, format_rate

#: So little of the dither that it is called lost.
_LOST = 0.25


def departures(context: FindingContext) -> list[Finding]:
    """Findings of every quantity that is out of tolerance or signals on its chart."""
    out = []
    for name, result in context.results.items():
        if name not in KIND_OF:
            continue
        if name == "dither_amplitude" and _dither_lost(result, _LOST / context.deadband_factor("dither-lost")):
            evidence = (
                f"The bursts show no dither; it was left at {format_quantity(name, result.as_left)} peak to peak."
            )
            out.append(make("dither-lost", evidence, _onset(context, name), quantities=(name,)))
            continue
        cut = cut_at_times(context) if name == "current_at_full" else None
        if cut is not None:
            evidence = (
                f"Current stopped at {cut.limit_a:.3f} A at times ({cut.cut} of {counted(cut.visits, 'visit')})"
            )
            evidence += f", where {cut.demanded_a:.3f} A is demanded."
            out.append(make("current-clipped", evidence, cut.since_s, quantities=(name,)))
            continue
        chart = context.charts.get(name)
        signal = chart.signal() if chart is not None else None
        if result.verdict is Verdict.OUT:
            out.append(_changed(name, result, _onset(context, name), severity=2))
        elif (
            signal is not None
            and result.verdict in {Verdict.IN, Verdict.UNDECIDED}
            and _counts(context, name, signal[0])
        ):
            out.append(_changed(name, result, signal[1], severity=1))
        within = moved_within(context, name) if result.verdict is not Verdict.OUT else None
        if within is not None:
            out.append(make(KIND_OF[name], within.evidence, within.onset_s, quantities=(name,)))
    if any(f.kind == "dither-lost" for f in out):
        out = [f for f in out if f.kind != "dither-changed"]
    return out


def _counts(context: FindingContext, name: str, side: int) -> bool:
    """Whether a drift to that side matters: one-sided quantities have an unjudged side."""
    tolerance = context.sheet.tolerance.get(name)
    return tolerance is not None and math.isfinite(tolerance.above if side > 0 else tolerance.below)


def _dither_lost(result: QuantityResult, share: float) -> bool:
    return bool(
        result.as_found is not None
        and result.as_left
        and result.as_found < share * result.as_left
        and result.verdict is Verdict.OUT
    )


def _changed(name: str, result: QuantityResult, onset_s: float | None, *, severity: int) -> Finding:
    kind = KIND_OF[name]
    left = result.as_left if severity == 2 or result.as_left_measured is None else result.as_left_measured
    verb = "takes" if name.startswith("ramp") else "is at"
    now, was = format_pair(name, result.as_found, left)
    evidence = f"{LABELS[name].capitalize()} {verb} {now}, left at {was}"
    if severity == 1:
        evidence += (
            ", not certainly outside its tolerance but moving"
            if result.verdict is Verdict.UNDECIDED
            else ", in tolerance but moving"
        )
    if result.trend_per_day is not None and trend_counts(result):
        per_day = format_rate(name, result.trend_per_day)
        evidence += f"; it {'rises' if result.trend_per_day > 0 else 'falls'} {per_day} a day"
    if severity == 1 and result.forecast_in_days is not None:
        evidence += f"; at that pace it reaches its tolerance {due_words(*result.forecast_in_days)}"
    return make(kind, f"{evidence}.", onset_s, severity=severity, quantities=(name,))


def trend_counts(result: QuantityResult) -> bool:
    """Whether a trend is worth a word: it uses up a hundredth of the tolerance or more in a day."""
    per_day = result.trend_per_day
    side = result.tolerance_above if (per_day or 0.0) > 0.0 else result.tolerance_below
    return per_day is not None and side is not None and math.isfinite(side) and abs(per_day) >= 0.01 * side


def _onset(context: FindingContext, name: str) -> float | None:
    """When a quantity left its place: the best single change point of points and features, or the first sight.

    What it did before the finding was last seen to be gone is another story.
    """
    result = context.results[name]
    chart = context.charts.get(name)
    features = feature_series(name, context.sheet, context.seen, context.found)
    first = features[0][0] if features else math.inf
    # Points of history first; where single segments are still known they tell the instant better.
    series = [(at, value) for at, value, _ in chart.points if at < first] if chart is not None else []
    gone_s = context.gone_s.get(KIND_OF[name], -math.inf)
    series = [(at, value) for at, value in [*series, *features] if at > gone_s]
    left = result.as_left
    if not series or left is None:
        return result.coverage.from_s
    tolerance = context.sheet.tolerance[name]
    return onset_of(series, left, min(tolerance.above, tolerance.below))

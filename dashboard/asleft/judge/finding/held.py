"""A valve under an outer loop: the command a pressure needs now, set points not reached, how its pressure moved."""

from __future__ import annotations

import math

from asleft.judge.decide import expanded_uncertainty, verdict
from asleft.judge.finding.context import FindingContext, LevelChange, make
from asleft.judge.held import Held, Needed
from asleft.judge.onset import onset_of, step_within
from asleft.judge.types import Finding, Verdict
from asleft.sheet.model import Sheet, Tolerance
from asleft.sheet.names import with_minus

#: Name of the chart on the equivalent change of pressure.
CHART = "pressure_held"
_ENOUGH = 8


def held_findings(context: FindingContext) -> list[Finding]:
    """Findings of held pressures; none for a valve that no outer loop commands."""
    held = context.found.held
    tolerance = context.sheet.tolerance.get("pressure_at_full")
    if held is None or tolerance is None:
        return []
    if held.top is not None:
        return [_not_reached(context, held, held.top, tolerance)]
    worst = _worst(held, tolerance)
    if worst is not None:
        return [make("pressure-changed", needed_words(worst), _onset(context, held, worst, tolerance))]
    chart = context.charts.get(CHART)
    signal = chart.signal() if chart is not None else None
    if signal is None or not held.levels or not _counts(tolerance, signal[0]):
        return []
    top = max(held.levels, key=lambda level: level.left_demand)
    return [make("pressure-changed", f"{needed_words(top)[:-1]}, in tolerance but moving.", signal[1], severity=1)]


def decided(context: FindingContext) -> bool:
    """Whether the held pressures say that nothing has changed, so that an earlier finding of theirs may go."""
    held = context.found.held
    tolerance = context.sheet.tolerance.get("pressure_at_full")
    if held is None or tolerance is None:
        return False
    return verdict(held.change.value, held.expanded(), tolerance) is Verdict.IN


def stepped_s(sheet: Sheet, held: Held | None) -> float | None:
    """Since when the highest level with pairs enough stands on a new value, if it stepped; None if not."""
    tolerance = sheet.tolerance.get("pressure_at_full")
    if held is None or tolerance is None:
        return None
    for level in sorted(held.levels, key=lambda level: -level.left_demand):
        series = [(at, e) for at, e, demand in held.series if abs(demand - level.left_demand) < 1e-6]
        if len(series) >= _ENOUGH:
            return step_within(series, min(tolerance.below, tolerance.above))
    return None


def needed_words(level: Needed) -> str:
    """One sentence on the command a pressure needs."""
    left = f"when left it needed {100.0 * level.left_demand:.1f} %"
    end = f"as much as {with_minus(f'{level.change_bar:+.1f} bar')} at the same command."
    if not 0.0 <= level.demand <= 1.0:
        what = "0 % command is too much" if level.demand < 0.0 else "100 % command is not enough"
        return f"For {level.pressure_bar:.0f} bar even {what}; {left}: {end}"
    return f"For {level.pressure_bar:.0f} bar it now needs {100.0 * level.demand:.1f} % command; {left}: {end}"


def _worst(held: Held, tolerance: Tolerance) -> Needed | None:
    """The level furthest out of tolerance, its uncertainty allowed for; the highest where only the line says so."""
    out = []
    for level in held.levels:
        spread = math.hypot(level.se_bar, held.left_se_bar)
        unsure = expanded_uncertainty(spread, max(level.pairs - 1.0, 1.0), 0.0)
        if verdict(level.change_bar, unsure, tolerance) is Verdict.OUT:
            out.append(level)
    if out:
        return max(out, key=lambda level: (0.0 <= level.demand <= 1.0, abs(level.change_bar)))
    if held.levels and verdict(held.change.value, held.expanded(), tolerance) is Verdict.OUT:
        return max(held.levels, key=lambda level: level.left_demand)
    return None


def _counts(tolerance: Tolerance, side: int) -> bool:
    return math.isfinite(tolerance.above if side > 0 else tolerance.below)


def _onset(context: FindingContext, held: Held, level: Needed, tolerance: Tolerance) -> float | None:
    """When the level left its place; points of history only where they are older than every pair known."""
    series = [(at, change) for at, change, demand in held.series if abs(demand - level.left_demand) < 1e-6]
    if len(series) < 3:
        return series[0][0] if series else None
    chart = context.charts.get(CHART)
    before = [(at, value) for at, value, _ in chart.points if at < series[0][0]] if chart is not None else []
    return onset_of([*before, *series], 0.0, min(tolerance.above, tolerance.below))


def _not_reached(context: FindingContext, held: Held, top: Needed, tolerance: Tolerance) -> Finding:
    """The command stands at its end: the valve gives less everywhere, or something cuts the top off."""
    stops = top.pressure_bar + top.change_bar + top.slope_bar * (1.0 - top.left_demand)
    left = f"when left {top.pressure_bar:.0f} bar needed {100.0 * top.left_demand:.1f} %"
    evidence = f"The command stands at 100 % and the pressure stops at {stops:.0f} bar; {left}"
    onset = _onset(context, held, top, tolerance)
    lower = [level for level in held.levels if 0.2 < level.left_demand < 0.9 * top.left_demand]
    # A weaker valve or spring is weaker below too, in proportion; a relief or a spent pump leaves lower levels alone.
    if lower and all(abs(x.change_bar) < 0.4 * abs(top.change_bar) * x.left_demand / top.left_demand for x in lower):
        below = max(lower, key=lambda level: level.left_demand)
        return make("pressure-clipped", f"{evidence}. At {below.pressure_bar:.0f} bar nothing has changed.", onset)
    change = with_minus(f"{top.change_bar:+.1f} bar")
    return make("pressure-changed", f"{evidence}: as much as {change} at the same command.", onset)


# How the pressure of a valve under an outer loop moved over its held levels, for the fault table.
#
# The loop holds the pressure; what moved is what the valve would give at the same command (`held`). Beside it stands
# by how much the current at that command moved, so that driver and valve are told apart as without a loop.


def held_changes(context: FindingContext, ends_a: tuple[float, float] | None) -> list[LevelChange]:
    """Every held level in control, its pressure at the same command now against when left; empty without a loop.

    `ends_a`: currents at zero and full as left.
    """
    held = context.found.held
    if held is None:
        return []
    span_a = ends_a[1] - ends_a[0] if ends_a is not None else 1.0
    levels = [level for level in held.levels if held.top is None or level.left_demand < held.top.left_demand]
    levels += [held.top] if held.top is not None else []
    return [
        LevelChange(
            level.left_demand,
            level.way,
            level.pressure_bar,
            level.change_bar,
            level.se_bar,
            _current_change_a(context, level.left_demand, ends_a),
            level.slope_bar / max(span_a, 1e-6),
        )
        for level in sorted(levels, key=lambda level: (level.left_demand, level.way))
    ]


def _current_change_a(context: FindingContext, demand: float, ends_a: tuple[float, float] | None) -> float | None:
    """By how much the current at a demand has moved since it was left; at a cut top, what is missing there."""
    zero, full = (context.results.get(name) for name in ("current_at_zero", "current_at_full"))
    if ends_a is None or zero is None or full is None or zero.as_found is None or full.as_found is None:
        return None
    now = zero.as_found + demand * (full.as_found - zero.as_found)
    clip = context.found.clip
    if clip is not None:
        now = min(now, clip.limit_a)
    return now - (ends_a[0] + demand * (ends_a[1] - ends_a[0]))

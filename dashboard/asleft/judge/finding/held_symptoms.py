"""How the pressure of a valve under an outer loop moved over its held levels, for the fault table.

The loop holds the pressure; what moved is what the valve would give at the same command (`held`). Beside it stands by
how much the current at that command moved, so that driver and valve are told apart as without a loop.
"""

from __future__ import annotations

from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.shapes import LevelChange


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

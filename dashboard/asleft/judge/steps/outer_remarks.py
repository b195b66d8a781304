"""What is worth saying of a command that an outer loop makes, or seems to make."""

from __future__ import annotations

from asleft.judge.held import Held
from asleft.judge.state import JudgeState
from asleft.sheet.model import MadeBy, Sheet

#: Production seen before anything is said of the command, and the share of it in which one that rests is at rest.
_SEEN_S = 60.0
_RESTS = 0.05


def outer_remarks(sheet: Sheet, state: JudgeState, held: Held | None) -> tuple[str, ...]:
    """The command needed now beside as left; or, where the sheet knows of no loop, that there seems to be one."""
    if sheet.signal.made_by is MadeBy.CLOSED_LOOP:
        return _needed(held)
    if never_rests(state):
        way = 'if so, enter made_by = "closed loop outside" under [signal]'
        return (f"The command is hardly ever at rest: a controller outside seems to make it; {way}.",)
    return ()


def never_rests(state: JudgeState) -> bool:
    """Whether the command has been at rest for less than a twentieth of at least a minute of production.

    A command that only moves slowly counts too (a controller that ramps all day); one that is read too poorly to be
    cut into stretches does not.
    """
    scale = state.scale
    produced_s = state.clock_s if state.horizon_s is None else min(state.clock_s, state.horizon_s)
    if scale is None or scale.outer or produced_s < _SEEN_S or "command" not in state.channels:
        return False
    since = state.clock_s - produced_s
    rested_s = sum(d.n for d in state.dwells if d.clock_s >= since) * scale.interval_s
    return rested_s < _RESTS * produced_s


def _needed(held: Held | None) -> tuple[str, ...]:
    if held is None or not held.levels:
        return ()
    top = max(held.levels, key=lambda level: (level.left_demand, level.pairs))
    now, left = 100.0 * top.demand, 100.0 * top.left_demand
    return (f"For {top.pressure_bar:.0f} bar it needs {now:.1f} % command; when left it needed {left:.1f} %.",)

"""When a live valve is judged anew, and what may change a judgement at once.

What lasts seconds is told when it comes: a condition seen sample by sample that begins or no longer counts, another
state of the machine, too many readings missing, a pressure that the valve should not let through. All else rests on
whole strokes and dwells of up to ten minutes, and what it finds is for a shift, not for a second: it is judged anew
when there is a tenth more production, or after half a minute, a twentieth of ten. A point of history that closes is
judged with the evidence that closed it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from asleft.judge.finding.context import DEADBAND_FACTOR
from asleft.judge.finding.watched import margin_bar
from asleft.judge.state import JudgeState, Said
from asleft.judge.valve.pressure import highest_bar
from asleft.judge.watching.stretches import Stretch
from asleft.judge.watching.watch import still_count, with_breaks
from asleft.sheet.model import Sheet

#: The longest that a judgement stands while readings come (s), and as a share of the production it rests on.
LONGEST_S, _MORE_EVIDENCE = 30.0, 0.1
#: Share of failed readings over the horizon from which missing data is a finding, and down to which it stays one: a
#: share of 5 % of few readings scatters by as much from one look to the next.
MISSING_SHARE, _MISSING_STAYS = 0.05, 0.025


def is_due(sheet: Sheet, state: JudgeState) -> bool:
    """Whether the valve is to be judged anew now; no point of history has closed since it was."""
    said = state.said
    if said is None or state.to_s is None or said.at_once != told_at_once(state):
        return True
    produced = state.clock_s > said.clock_s
    stands_s = min(LONGEST_S, _MORE_EVIDENCE * state.clock_s) if produced else LONGEST_S
    return state.to_s - said.at_s >= stands_s or _above(sheet, state, said)


def said_now(state: JudgeState) -> Said | None:
    """What is remembered of a judgement made now."""
    return None if state.to_s is None else Said(state.to_s, state.clock_s, told_at_once(state))


def told_at_once(state: JudgeState) -> tuple[str, ...]:
    """The machine's state, whether readings are missing, the watched conditions that count."""
    missing = ("data-missing",) if missing_of(state) else ()
    return (str(state.last_state), *missing, *sorted({one.kind for one in with_breaks(counting(state))}))


def counting(state: JudgeState) -> list[Stretch]:
    """Watched conditions that still count: all of a log, of a live valve those not long over."""
    if state.horizon_s is None or state.to_s is None:
        return state.stretches
    return still_count(state.stretches, state.to_s, state.clock_s)


def missing_of(state: JudgeState) -> Mapping[str, int]:
    """Readings that could not be used, by reason; none where they are few."""
    if state.missing:
        return state.missing
    failed = sum(f[1] for f in state.failed)
    total = sum(f[2] for f in state.failed)
    share = _MISSING_STAYS if "data-missing" in state.findings else MISSING_SHARE
    if state.horizon_s is None or total == 0 or failed <= share * total:
        return {}
    return {"failed": failed}


def _above(sheet: Sheet, state: JudgeState, said: Said) -> bool:
    """Whether a dwell since then may be one of those that show a pressure nobody asked for, if none is told yet."""
    margin = DEADBAND_FACTOR * margin_bar(sheet)
    if "pressure-unwanted" in state.findings or not math.isfinite(margin):
        return False
    for dwell in reversed(state.dwells):
        if dwell.to_s <= said.at_s:
            return False
        highest = highest_bar(dwell, sheet)
        if highest is not None and dwell.pressure_bar > highest + margin:
            return True
    return False

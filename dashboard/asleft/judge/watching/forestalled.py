"""A current that moves before the command that asks for it: the reading of the command comes late.

Nothing answers before it is asked. Looked at are steps of a command that had stood for 2.1 s. The current rested at
its level from 1.7 to 1.1 s before the step; where it has left that in the direction of the step a tenth of a second
(and two samples) before it, it came first. Four such steps in a row, up and down among them, are no chance. A current
that also leaves its level the other way, or goes from it while the command stands, wanders by itself (dither that
beats with the logger, a disturbance), and seems to come first by chance: every such step asks for eight more in the
row, and is forgotten over the next hundred.

Misses: less than a tenth of a second or two samples, ramps so slow that the current moves by less than 2 % of the
span meanwhile, commands that stand for shorter, and those that move along slopes, whose beginning nobody sees well.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from asleft.judge.intake.columns import CURRENT, DEMAND, ENABLED, TIME
from asleft.judge.intake.holding import BoolArray
from asleft.judge.types import FloatArray
from asleft.judge.watching.stretches import Stretch, WatchCarry
from asleft.sheet.model import Sheet

FORESTALLED = "command-late"
_STANDS_S, _RESTS_S = 2.1, (1.7, 1.1)
_AHEAD_S, _WINDOW_S = 0.1, 0.1
_STEP_TAKES_S, _SEEN_S = 0.03, 0.05
_STEP, _STANDS = 0.1, 0.03  # of the command
_LEAST, _MOST, _AT_LEVEL = 0.02, 0.1, 0.1  # of the span of the current
_AWAY = 0.005  # of the span, within half a second of a command that stands
_TIMES_NOISE = 6.0
_IN_A_ROW, _MORE_IF_CONTRARY, _FORGOTTEN_AFTER = 4, 8.0, 100.0
_LEAST_READINGS = 3
_KEPT = 40  # steps of a row
_LONGEST_PAUSE_S = 0.25


def forestalled(columns: FloatArray, sheet: Sheet, carry: WatchCarry, gap: BoolArray) -> list[Stretch]:
    """Stretches of steps that the current forestalled in new samples (shape (ROWS, n)); `carry` is updated in place.

    `times`: steps; `lead_s`: by how much the current came first at the last of them.
    """
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    if zero is None or full is None:
        return []
    if gap.any():
        carry.earlier, carry.ahead_s, carry.ahead_reported = [], [], False
        columns = columns[:, int(np.flatnonzero(gap)[-1]) :]
    good = np.isfinite(columns[DEMAND]) & np.isfinite(columns[CURRENT]) & (columns[ENABLED] > 0.5)
    before = np.array(carry.earlier).reshape(-1, 3).T
    time_s, demand, current = np.concatenate((before, columns[np.ix_([TIME, DEMAND, CURRENT], good)]), axis=1)
    out: list[Stretch] = []
    for k in _steps(time_s, demand):
        if time_s[k] <= carry.stepped_s:
            continue
        if k + 1 >= time_s.size or time_s[-1] < time_s[k] + _SEEN_S:
            break
        carry.stepped_s = float(time_s[k])
        lead_s = _lead_s(time_s[: k + 1], demand[: k + 2], current[: k + 1], (zero, full))
        if lead_s is None:
            continue
        carry.contrary = max(carry.contrary - 1.0 / _FORGOTTEN_AFTER, 0.0)
        if lead_s <= 0.0:
            carry.contrary += lead_s < 0.0
            carry.ahead_s, carry.ahead_reported = [], False
            continue
        carry.ahead_s.append(float(time_s[k]) * (1.0 if demand[k] > demand[k - 1] else -1.0))
        out += _stretches_of(carry, lead_s)
    first = max(int(np.searchsorted(time_s, time_s[-1] - 1.1 * _STANDS_S)) - 1, 0) if time_s.size else 0
    carry.earlier = np.stack((time_s, demand, current), axis=1)[first:].tolist()
    return out


def _stretches_of(carry: WatchCarry, lead_s: float) -> list[Stretch]:
    """The latest step of a row that is long enough; the whole row once it is."""
    row = carry.ahead_s
    if len(row) < _IN_A_ROW + _MORE_IF_CONTRARY * carry.contrary or min(row) > 0.0 or max(row) < 0.0:
        return []
    new = row[-1:] if carry.ahead_reported else row
    carry.ahead_reported, carry.ahead_s = True, row[-_KEPT:]
    detail = {"times": float(len(new)), "lead_s": lead_s}
    return [Stretch(FORESTALLED, abs(new[0]) - lead_s, abs(new[-1]), detail)]


def _steps(time_s: FloatArray, demand: FloatArray) -> list[int]:
    """First samples after steps of the command by a tenth within 0.03 s or one sample."""
    if time_s.size < 2:
        return []
    ago = np.searchsorted(time_s, time_s - _STEP_TAKES_S)
    ago = np.minimum(ago, np.arange(time_s.size) - 1)
    ago[0] = 0
    big = np.abs(demand - demand[ago]) >= _STEP
    ends = np.flatnonzero(big & ~np.concatenate(([False], big[:-1])))
    out = []
    for end in ends.tolist():
        from_u = demand[ago[end]]
        out.append(int(ago[end]) + 1 + int(np.argmax(np.abs(demand[ago[end] + 1 : end + 1] - from_u) > _STANDS)))
    return out


def _lead_s(time_s: FloatArray, demand: FloatArray, current: FloatArray, ends: tuple[float, float]) -> float | None:
    """By how much the current came before the step at the last sample of `time_s` (s); 0: not, None: not known.

    Negative where it wanders by itself: it had left its level the other way, or went from it while the command stood.
    `demand` has the sample after the step too.
    """
    k = time_s.size - 1
    step_s, span_a = time_s[k], ends[1] - ends[0]
    stood = slice(int(np.searchsorted(time_s, step_s - _STANDS_S)), k)
    if time_s[0] > step_s - _STANDS_S or stood.stop - stood.start < _LEAST_READINGS:
        return None
    level = float(np.median(demand[stood]))
    pauses = np.diff(time_s[stood.start :])
    if np.abs(demand[stood] - level).max() > _STANDS or pauses.max() > _LONGEST_PAUSE_S:
        return None
    rest = current[_between(time_s, step_s - _RESTS_S[0], step_s - _RESTS_S[1])]
    last = min(k - 2, int(np.searchsorted(time_s, step_s - _AHEAD_S, side="right")) - 1)
    if rest.size < _LEAST_READINGS or last < 0 or time_s[last] < step_s - 0.5 * _RESTS_S[1]:
        return None
    rested_a, half = float(rest.mean()), rest.size // 2
    least_a = max(_LEAST * span_a, _TIMES_NOISE * float(rest.std()))
    drift_a = float(rest[half:].mean() - rest[:half].mean())
    off_a = rested_a - (ends[0] + min(max(level, 0.0), 1.0) * span_a)
    if abs(drift_a) > max(0.25 * least_a, _AWAY * span_a) and drift_a * off_a > 0.0:
        return -1.0
    if least_a > _MOST * span_a or abs(drift_a) > 0.25 * least_a or abs(off_a) > _AT_LEVEL * span_a:
        return None
    sign = 1.0 if demand[k : k + 2].mean() > level else -1.0
    moved_a = sign * (current - rested_a)
    ahead_a = float(moved_a[_between(time_s, time_s[last] - _WINDOW_S, time_s[last])].mean())
    if ahead_a < least_a:
        return -1.0 if ahead_a < -least_a else 0.0
    since = int(np.flatnonzero(moved_a[: last + 1] < 0.5 * least_a)[-1]) + 1
    return float(step_s - time_s[min(since, last)])


def _between(time_s: FloatArray, from_s: float, to_s: float) -> npt.NDArray[np.bool_]:
    return (time_s >= from_s) & (time_s <= to_s)

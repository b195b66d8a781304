"""Findings of what strokes say beside ramps: a response that has moved, and ways that no setting explains."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby
from typing import NamedTuple

import numpy as np
from asleft.judge.driver.misfit import IN_A_ROW, median_chi2
from asleft.judge.driver.reaction import LEAST_S, SHARE, answer_of
from asleft.judge.features import PressureDelay
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.types import Finding, Part
from asleft.judge.watching.forestalled import FORESTALLED
from asleft.judge.watching.stretches import Stretch

_K = 2.0
#: Late moves of the pressure that are no chance, where they go both ways, and one way only by as much (s). On 200
#: healthy machines of all kinds no two moves in a row were late.
_LATE_MOVES, _LATE_ONE_WAY, _AS_LATE_S = 4, 6, 0.3
_EXPLAINING = ("current-lost", "current-unwanted", "command-failed", "pinned:", "stuck:")


def stroke_findings(context: FindingContext) -> list[Finding]:
    """`response-changed` and `model-misfit`, as `reaction`, `misfit` and `pressure_delay` describe them."""
    known = any(stretch.kind.startswith(_EXPLAINING) for stretch in context.stretches)
    late = _read_late(context) or _pressure_late(context)
    if known or late or context.found.clip is not None:
        return late
    return [*_response(context), *_misfit(context)]


def read_late(context: FindingContext) -> list[Stretch]:
    """Where the current moved before the command that asked for it, first to last."""
    return [stretch for stretch in context.stretches if stretch.kind == FORESTALLED]


def strokes_unclear(context: FindingContext, kind: str) -> bool:
    """Whether nothing can be said of such a finding now, so that one known before stays."""
    if kind == "response-changed":
        return answer_of(context.found.combined) is None or context.found.clip is not None
    return kind == "model-misfit" and median_chi2(context.seen.strokes) is None


def response_change(context: FindingContext) -> tuple[bool, bool, bool] | None:
    """Whether the response moved, whether by its delay more than its lag, whether it is slower; None: not known."""
    moved = _moved(context)
    return None if moved is None else (moved.surely, moved.as_a_whole, moved.change_s > 0.0)


class _Moved(NamedTuple):
    change_s: float
    response_s: float
    surely: bool  # beyond it by more than the uncertainty
    as_a_whole: bool  # by a delay, not by a lag


def _moved(context: FindingContext) -> _Moved | None:
    left, now = context.reaction.left, answer_of(context.found.combined)
    if left is None or now is None:
        return None
    change_s = now.response_s - left.response_s
    unsure_s = _K * math.hypot(now.u_s, left.u_s)
    limit_s = max(LEAST_S, SHARE * left.lag_s, context.seen.interval_s)
    return _Moved(
        change_s,
        now.response_s,
        surely=abs(change_s) - unsure_s > limit_s * context.deadband_factor("response-changed"),
        as_a_whole=abs(now.delay_s - left.delay_s) > abs(now.lag_s - left.lag_s),
    )


def _read_late(context: FindingContext) -> list[Finding]:
    steps = read_late(context)
    if not steps:
        return []
    times, lead_s = round(sum(step.detail["times"] for step in steps)), steps[-1].detail["lead_s"]
    evidence = f"The current moved {lead_s:.2g} s before the command that asks for it ({times} times)"
    evidence += ", which no driver can: the command is read late."
    return [make("response-changed", evidence, steps[0].from_s, part=Part.DATA, alternatives=())]


def late_moves(context: FindingContext) -> list[PressureDelay]:
    """Moves in which the pressure came late, next to others that did: many, by as much, and better both ways.

    A reading may come late at times only. Single late moves are a spool's that stuck, or a load's.
    """
    runs = (list(run) for late, run in groupby(context.pressure_delays, lambda move: move.delay_s > 0.0) if late)
    moves = [move for run in runs if len(run) > 1 for move in run]
    return moves if _no_chance(moves) else []


def _no_chance(moves: Sequence[PressureDelay]) -> bool:
    if len({move.way for move in moves}) > 1:
        return len(moves) >= _LATE_MOVES
    delays = [move.delay_s for move in moves]
    return len(moves) >= _LATE_ONE_WAY and max(delays) - min(delays) < _AS_LATE_S


def _pressure_late(context: FindingContext) -> list[Finding]:
    moves = late_moves(context)
    if not moves:
        return []
    evidence = (
        f"The pressure comes {np.median([move.delay_s for move in moves]):.1f} s after the current that makes it, at "
        f"the beginning of a move and at its end alike ({len(moves)} times): its reading is late."
    )
    return [make("response-changed", evidence, moves[0].at_s, part=Part.DATA, alternatives=())]


def _response(context: FindingContext) -> list[Finding]:
    moved = _moved(context)
    if moved is None or not moved.surely:
        return []
    evidence = (
        f"Beside its ramps the current follows the command after {1e3 * moved.response_s:.0f} ms on the mean, "
        f"{abs(1e3 * moved.change_s):.0f} ms {'later' if moved.change_s > 0.0 else 'earlier'} than when left"
    )
    if moved.as_a_whole:
        evidence += "; it sets in later or earlier as a whole, as when a reading comes late."
        return [make("response-changed", evidence, None, part=Part.DATA, alternatives=(Part.DRIVER,))]
    evidence += f"; it sets in as before and settles more {'slowly' if moved.change_s > 0.0 else 'quickly'}."
    return [make("response-changed", evidence, None, part=Part.DRIVER, alternatives=(Part.COIL,))]


def _misfit(context: FindingContext) -> list[Finding]:
    misfit = context.misfit
    limit, now = misfit.limit, median_chi2(context.seen.strokes)
    if limit is None or now is None or len(misfit.latest) < IN_A_ROW:
        return []
    if min(now, *misfit.latest) <= limit * context.deadband_factor("model-misfit"):
        return []
    evidence = (
        f"The current's way from level to level is unlike any ramp and lag: what is left over is {np.sqrt(now):.1f} "
        f"times the noise, and was {np.sqrt(np.median(misfit.first)):.1f} times when left."
    )
    return [make("model-misfit", evidence, None)]

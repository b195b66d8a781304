"""History of a valve under an outer loop: its levels as left, learnt once, and the chart on the command needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from asleft.judge.features import Dwell
from asleft.judge.finding.held_findings import CHART
from asleft.judge.outer.held import Held
from asleft.judge.outer.held_levels import HeldLevel, learn_held, still_pairs
from asleft.judge.state import JudgeState
from asleft.judge.steps.charting import take_in
from asleft.sheet.model import MadeBy, Sheet

_LEAST_PAIRS = 30


def learn(sheet: Sheet, known: list[HeldLevel], dwells: Sequence[Dwell]) -> list[HeldLevel]:
    """Levels as left: the known ones, else those of these dwells, if enough; none without an outer loop."""
    tolerance = sheet.tolerance.get("pressure_at_full")
    if known or tolerance is None or sheet.signal.made_by is not MadeBy.CLOSED_LOOP:
        return known
    pairs = still_pairs(dwells, sheet)
    return learn_held(pairs, sheet, tolerance.below) if len(pairs) >= _LEAST_PAIRS else []


def chart_held(sheet: Sheet, state: JudgeState, held: Held | None, at_s: float, dwells: Sequence[Dwell]) -> None:
    """Take a point of the equivalent change of pressure into its chart, judged by the tolerance of full pressure."""
    tolerance = sheet.tolerance.get("pressure_at_full")
    if held is not None and tolerance is not None:
        judged_by = replace(sheet, tolerance={**sheet.tolerance, CHART: tolerance})
        take_in(judged_by, state, CHART, held.change, at_s, dwells)

"""Steps of the command that a ramp held back: the ramp of each, in seconds over the full span."""

from __future__ import annotations

import math

from asleft.judge.decide import expanded_uncertainty
from asleft.judge.driver.systematic import ramp_systematic, stroke_size
from asleft.judge.estimates import Seen
from asleft.judge.features import Stroke
from asleft.judge.ramp_fit.ramps import combine
from asleft.judge.state import JudgeState
from asleft.judge.steps.points import seen_of
from asleft.judge.verify.result import Graded, RampStep
from asleft.judge.verify.steps import graded, unseen
from asleft.sheet.model import Sheet

_STROKE_SHOWN = 0.3  # share of the range


def ramp_steps_of(sheet: Sheet, state: JudgeState) -> tuple[RampStep, ...]:
    """Every stroke either way whose ramp held the command back, oldest first."""
    seen = seen_of(state, state.dwells, state.strokes, state.bursts)
    out = []
    for stroke in state.strokes:
        if stroke.aside > 0.5 or stroke.h00 != stroke.h00:
            continue
        for way, name, k in (("up", "ramp_up", 0), ("down", "ramp_down", 1)):
            size = stroke_size(stroke, rising=k == 0)
            if size < _STROKE_SHOWN or (stroke.active_up_s, stroke.active_down_s)[k] <= 0.0:
                continue
            out.append(
                RampStep(
                    way,
                    100.0 * (stroke.low_demand if k == 0 else stroke.high_demand),
                    100.0 * (stroke.high_demand if k == 0 else stroke.low_demand),
                    stroke.from_s,
                    _ramp(sheet, seen, stroke, name, k),
                )
            )
    return tuple(out)


def _ramp(sheet: Sheet, seen: Seen, stroke: Stroke, name: str, k: int) -> Graded:
    combined = combine([stroke])
    if combined is None:
        return unseen("too little of the ramp was seen")
    value = float(combined.theta[k])
    sd = math.sqrt(max(float(combined.covariance[k, k]), 0.0))
    if not math.isfinite(sd) or sd > max(0.3 * abs(value), 0.1):
        return unseen("too little of the ramp was seen")
    systematic = ramp_systematic(sheet, seen, max(value, 0.0), [stroke], rising=k == 0)
    expanded = expanded_uncertainty(sd, math.inf, systematic)
    wanted = sheet.as_left.get(name)
    return graded(wanted, max(value, 0.0), expanded, sheet.tolerance.get(name), "not in the sheet")

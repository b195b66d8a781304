"""A move of the command from one settled level to another, fitted, as one row of numbers."""

from __future__ import annotations

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.intake.columns import CLOCK, CURRENT, DEMAND, TIME
from asleft.judge.intake.scale import Scale
from asleft.judge.ramp_fit.demand_path import demand_path, moving
from asleft.judge.ramp_fit.learner import Learner
from asleft.judge.ramp_fit.ramp_identifiability import identifiable_ramps
from asleft.judge.ramp_fit.ramps import UPPER
from asleft.judge.ramp_fit.rests import NO_REST, Rest, Rests
from asleft.judge.ramp_fit.step_time import Dating
from asleft.judge.types import FloatArray


def stroke_of(
    data: FloatArray,
    window: int,
    lead: int,
    scale: Scale,
    learner: Learner,
    *,
    excluded: bool,
    before: Rest = NO_REST,
    after: Rest = NO_REST,
    far: bool = False,
) -> Stroke | None:
    """Fit one stroke, `data` of shape (ROWS, n); None if the command did not really move or there is no current.

    `window`: samples over which a move is told; `lead`: settled samples before it. `before`, `after`: the dwells on
    either side, which tell the two levels better than the few samples of them in `data`. `far`: the ramps may be far
    from what is known of them.
    """
    demand, time_s = data[DEMAND], data[TIME]
    low, high = float(demand.min()), float(demand.max())
    if not scale.has_current or high - low < 3.0 * scale.move or time_s.size < 2 * lead:
        return None
    flags = moving(demand, window, scale.move)
    # Some drivers clip the noise on the wire at their ends, some do not: half of it, until levels tell (`estimates`).
    clipped = 0.5 * learner.wire_noise(scale.interval_s).sd
    dating = Dating(learner.known_filter(), scale.interval_s, scale.demand_noise, clipped)
    path_t, path_u = demand_path(time_s, demand, flags, scale.move, scale.demand_noise, dating)
    learner.know_filter(dating.taught())
    rests = Rests.beside(time_s, data[CURRENT], lead, before, after, learner.fit_noise_a())
    fit = learner.fit(path_t, path_u, time_s, data[CURRENT], scale, dating.interval_equivalent_s(), rests, far=far)
    upper = fit.information[UPPER]
    head = (
        float(time_s[0]),
        float(time_s[-1]),
        path_u[0],
        path_u[-1],
        low,
        high,
        fit.active_up_s,
        fit.active_down_s,
        *identifiable_ramps(path_t, path_u, scale.demand_noise),
        fit.chi2,
    )
    numbers = np.concatenate((fit.theta, fit.gradient, upper, fit.own)).tolist()
    return Stroke._make((*head, *numbers, float(excluded), float(data[CLOCK, -1])))

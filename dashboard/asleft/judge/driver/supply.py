"""Supply voltage in production, from the means of dwells."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.features import Dwell

#: Relative standard uncertainty where one dwell alone cannot show how much the supply moves.
_ALONE = 0.01


def supply_estimate(dwells: Sequence[Dwell], *, recorded: bool, instrument_u_v: float) -> Estimate | str:
    """Mean supply (V) over dwells in production, or why it is not observed.

    The supply sags with the load, so that dwells scatter by more than their noise; the scatter between them is what
    the mean is uncertain by. `instrument_u_v`: standard uncertainty of the reading's calibration.
    """
    if not recorded:
        return "supply not recorded"
    rows = [d for d in dwells if d.producing > 0.5 and math.isfinite(d.supply_v)]
    if not rows:
        return "not producing"
    values = np.array([d.supply_v for d in rows])
    n = values.size
    mean = float(values.mean())
    return Estimate(
        value=mean,
        repeatability=float(values.std(ddof=1)) / math.sqrt(n) if n > 1 else _ALONE * abs(mean),
        dof=float(max(n - 1, 1)),
        systematic=instrument_u_v,
        segments=n,
        from_s=rows[0].from_s,
        to_s=rows[-1].to_s,
        command_min_pct=100.0 * min(d.demand for d in rows),
        command_max_pct=100.0 * max(d.demand for d in rows),
    )

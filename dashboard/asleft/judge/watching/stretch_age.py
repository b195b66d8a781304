"""For how long a watched condition that is over still counts: a minute, and through a stop that cannot show it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.judge.intake.columns import CLOCK, TIME
from asleft.judge.types import FloatArray
from asleft.judge.watching.stretches import Stretch

#: A condition counts for this long after it was last seen (s), of time and, if production shows it, of production.
_COUNTS_S = 60.0
#: What only a machine at work can show: nobody learns from a stop that it has gone.
_SHOWN_AT_WORK = ("command-failed", "command-clipped", "current-lost", "pinned:", "stuck:")


def stamped(stretches: Sequence[Stretch], columns: FloatArray) -> list[Stretch]:
    """New stretches seen in `columns` (ROWS, n), each with the producing clock at its end in `detail`."""
    for stretch in stretches:
        k = int(np.searchsorted(columns[TIME], stretch.to_s, side="right")) - 1
        stretch.detail["clock_s"] = float(columns[CLOCK, max(k, 0)])
    return list(stretches)


def still_count(stretches: Sequence[Stretch], now_s: float, clock_s: float) -> list[Stretch]:
    """Stretches that still count at `now_s`, the producing clock being at `clock_s`."""
    return [
        s
        for s in stretches
        if s.to_s >= now_s - _COUNTS_S
        or (s.kind.startswith(_SHOWN_AT_WORK) and s.detail.get("clock_s", -np.inf) >= clock_s - _COUNTS_S)
    ]

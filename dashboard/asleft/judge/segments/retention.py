"""What is kept of segments: numbers to the digits they are worth, and never more than tell something.

A live judge commits its memory every few seconds for each valve, so it must be short. Means and standard errors have
the digits that `packing` keeps of them, a stroke's information has 32, because its weakest directions are differences
of large numbers; times are exact. As this happens when a segment is made, a log and a live valve have the same
numbers, and text form and back changes none.

A log keeps all of its segments, a live valve the newest: those of a machine at rest add nothing after some minutes,
and as long as it rests no time of production goes by that would make room for them. Missed: what an hour of set-up
showed before its last minutes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.judge.features import Dwell, Stroke
from asleft.judge.packing import MEAN_BITS, SPREAD_BITS, rounded

#: Dwells of production that a live valve keeps: ten minutes of a stroke every three seconds are 200. Under an outer
#: loop every quiet second is one.
MOST_PRODUCING, MOST_SECONDS = 240, 600
#: Other dwells; and strokes either way, ten of which tell a ramp to a few hundredths of its tolerance (`ration`).
MOST_RESTING, MOST_STROKES = 40, 20

_EXACT, _INFORMATION = 53, 32
_TIMES = ("from_s", "to_s", "clock_s")
_SPREADS = ("demand_se", "current_se_a", "current_sd_a", "pressure_se_bar", "pressure_moves_bar",
            "pressure_moved_bar", "pressure_sd_bar", "chi2")  # fmt: skip


def _digits(name: str) -> int:
    if name in _TIMES:
        return _EXACT
    if name in _SPREADS:
        return SPREAD_BITS
    return _INFORMATION if name[0] == "h" and name[1:].isdigit() else MEAN_BITS


_DWELL = np.array([_digits(name) for name in Dwell._fields])
_STROKE = np.array([_digits(name) for name in Stroke._fields])


def dwells_kept(dwells: Sequence[Dwell]) -> list[Dwell]:
    """New dwells with the digits that are kept."""
    return [Dwell._make(row) for row in rounded(dwells, _DWELL).tolist()] if dwells else []


def strokes_kept(strokes: Sequence[Stroke]) -> list[Stroke]:
    """New strokes with the digits that are kept."""
    return [Stroke._make(row) for row in rounded(strokes, _STROKE).tolist()] if strokes else []

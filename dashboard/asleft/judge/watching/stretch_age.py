"""For how long a watched condition that is over still counts: a minute, and through a stop that cannot show it.

Breaks of the current, and steps that come after it, count for ten minutes of production, because it takes several of
them to tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.intake.columns import CLOCK, TIME
from asleft.judge.types import FloatArray
from asleft.judge.watching.currents_asked import BREAK
from asleft.judge.watching.forestalled import FORESTALLED
from asleft.judge.watching.stretches import Stretch

#: A condition counts for this long after it was last seen (s), of time and, if production shows it, of production.
_COUNTS_S = 60.0
#: What only a machine at work can show: nobody learns from a stop that it has gone.
_SHOWN_AT_WORK = ("command-failed", "command-clipped", "current-lost", BREAK, FORESTALLED, "pinned:", "stuck:")
_BREAK_COUNTS_S = 600.0
_LEAST_BREAKS = 3
_LATE_S = 0.5
_MOST_BREAKS = 100  # that are kept; each may stand for several within a second


def stamped(stretches: Sequence[Stretch], columns: FloatArray) -> list[Stretch]:
    """New stretches seen in `columns` (ROWS, n), each with the producing clock at its end in `detail`."""
    for stretch in stretches:
        k = int(np.searchsorted(columns[TIME], stretch.to_s, side="right")) - 1
        stretch.detail["clock_s"] = float(columns[CLOCK, max(k, 0)])
    return list(stretches)


def still_count(stretches: Sequence[Stretch], now_s: float, clock_s: float) -> list[Stretch]:
    """Stretches that still count at `now_s`, the producing clock being at `clock_s`."""
    breaks = [s for s in stretches if s.kind == BREAK]
    too_old = {id(s) for s in breaks[:-_MOST_BREAKS]}
    return [s for s in stretches if id(s) not in too_old and _counts(s, now_s, clock_s)]


def _counts(stretch: Stretch, now_s: float, clock_s: float) -> bool:
    if stretch.to_s >= now_s - _COUNTS_S:
        return True
    lasts_s = _BREAK_COUNTS_S if stretch.kind in {BREAK, FORESTALLED} else _COUNTS_S
    return stretch.kind.startswith(_SHOWN_AT_WORK) and stretch.detail.get("clock_s", -np.inf) >= clock_s - lasts_s


def with_breaks(stretches: Sequence[Stretch]) -> list[Stretch]:
    """Three breaks of the current or more as what they are, a current that is lost; fewer are left out.

    Where the command is read late, what lasts no longer than that and half a second more is left out too: an asked
    current seems unasked until the reading comes.
    """
    late_s = max((s.detail["lead_s"] for s in stretches if s.kind == FORESTALLED), default=-_LATE_S) + _LATE_S
    stretches = [
        s
        for s in stretches
        if s.kind not in {"current-unwanted", "current-lost"} or s.detail.get("longest_s", np.inf) > late_s
    ]
    breaks = [s for s in stretches if s.kind == BREAK]
    if sum(s.detail["times"] for s in breaks) < _LEAST_BREAKS:
        return [s for s in stretches if s.kind != BREAK]
    lost = [replace(s, kind="current-lost") if s.kind == BREAK else s for s in stretches]
    return sorted(lost, key=lambda s: s.from_s)

"""Conditions seen sample by sample, whatever the segments say: a failed signal, a lost or unwanted current, a pin.

Each condition must hold for a time before it counts (a level that noise may cross, for so long more than not), and is
remembered as a stretch with a beginning and an end. What counts follows from each sample and those before it, never
from where the samples happen to be cut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.intake.holding import BoolArray, beyond, failed, gaps
from asleft.judge.intake.intake import CLOCK, CURRENT, DEMAND, PRESSURE, STATE, TIME
from asleft.judge.intake.states import NOT_ENABLED, PRODUCING, STOPPED
from asleft.judge.types import FloatArray
from asleft.judge.watching.asked import (
    BREAK,
    FORESTALLED,
    current_breaks,
    current_lost,
    current_unwanted,
    expected_envelope,
    forestalled,
    none_since,
    pressure_unasked,
    remember_current,
)
from asleft.judge.watching.sensors import dead_readings
from asleft.judge.watching.stretches import Stretch, WatchCarry, counted, stretches
from asleft.sheet.model import Sheet

#: How long a condition must hold before it is one (s).
HOLD_S: Mapping[str, float] = {
    "command-failed": 0.5,
    "command-clipped": 1.0,
    "current-lost": 0.5,
    "current-unwanted": 0.5,
    "pressure-unwanted": 0.5,
}


def watch(
    columns: FloatArray, sheet: Sheet, carry: WatchCarry, slowest_s: tuple[float, float], lag_s: float
) -> list[Stretch]:
    """New stretches in new samples (shape (ROWS, n)); `carry` is updated in place.

    `slowest_s`: ramp up and ramp down as left (s over the full span).
    """
    if columns.shape[1] == 0:
        return []
    time_s = columns[TIME]
    gap = gaps(time_s, carry.last_s if np.isfinite(carry.last_s) else None)
    if not np.isfinite(carry.last_s):
        gap[0] = True
    if gap[0]:
        carry.since.clear()
        carry.same_since.clear()
    high, low = expected_envelope(columns, carry, slowest_s, lag_s, gap)
    out: list[Stretch] = []
    for kind, masks in (("command-failed", _failed(columns, sheet)), ("command-clipped", _beyond(columns, sheet))):
        if masks is not None:
            out += counted(kind, *masks, columns, carry, HOLD_S[kind], gap, DEMAND)
    none_s = none_since(columns, sheet, carry, gap)
    for kind, mask, detail_row, begins_s in (
        ("current-lost", current_lost(columns, sheet, low), CURRENT, none_s),
        ("current-unwanted", current_unwanted(columns, sheet, high, carry), CURRENT, None),
        ("pressure-unwanted", pressure_unasked(columns, sheet, carry), PRESSURE, None),
    ):
        if mask is not None:
            out += stretches(kind, mask, columns, carry, HOLD_S[kind], gap, detail_row, begins_s)
    out += current_breaks(columns, sheet, low, carry, gap)
    out += dead_readings(columns, sheet, carry, gap)
    out += forestalled(columns, sheet, carry, gap)
    remember_current(columns, low, carry)
    carry.last_s = float(time_s[-1])
    return out


def _failed(columns: FloatArray, sheet: Sheet) -> tuple[BoolArray, BoolArray] | None:
    """Where the command has failed, and where it surely has not; a machine that stands need not command."""
    masks = failed(sheet.signal, columns[DEMAND])
    if masks is None:
        return None
    active = (columns[STATE] != STOPPED) & (columns[STATE] != NOT_ENABLED)
    return masks[0] & active, masks[1] | ~active


def _beyond(columns: FloatArray, sheet: Sheet) -> tuple[BoolArray, BoolArray]:
    """Where production commands beyond the signal's range, and where not."""
    out = beyond(sheet.signal, columns[DEMAND]) & (columns[STATE] == PRODUCING)
    return out, ~out


# For how long a watched condition that is over still counts: a minute, and through a stop that cannot show it.
#
# Breaks of the current, and steps that come after it, count for ten minutes of production, because it takes several
# of them to tell.

#: A condition counts for this long after it was last seen (s), of time and, if production shows it, of production.
_COUNTS_S = 60.0
#: What only a machine at work can show: nobody learns from a stop that it has gone.
_SHOWN_AT_WORK = ("command-failed", "command-clipped", "current-lost", BREAK, FORESTALLED, "pinned:", "stuck:")
_BREAK_COUNTS_S = 600.0
_LEAST_BREAKS = 3
_LATE_S, _CONTACT_S = 0.5, 0.5
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
    short = [s for s in breaks if s.to_s - s.from_s < _CONTACT_S * s.detail["times"]]
    stretches = [s for s in stretches if s.kind != "stuck:command" or not any(_meet(s, one) for one in short)]
    lost = [replace(s, kind="current-lost") if s.kind == BREAK else s for s in stretches]
    return sorted(lost, key=lambda s: s.from_s)


def _meet(one: Stretch, other: Stretch) -> bool:
    return one.from_s < other.to_s and other.from_s < one.to_s

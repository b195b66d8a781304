"""The order of rows in time: newest first, out of order, clocks set, stamps coarser than the rate.

Everything done to the rows is said. Rows are only moved within a stated window; a clock set back leaves a hole,
never a seam, because two readings that lie seconds apart and stand side by side would pass for a step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from asleft.logfile.arrow import FloatArray
from asleft.sheet.names import counted

#: Rows that come later in the file than rows this much newer are sorted; beyond it the file is refused.
SORT_WINDOW_S = 5.0
#: A clock set back by more than this is two recordings, or a change of the hour.
_LARGEST_SET_BACK_S = 60.0
#: Share of rows that may be out of order; beyond it the times themselves are read wrongly.
_MOST_MOVED = 0.2
#: Beside a clock that was set back so much is left out, so that the judge sees a hole.
_HOLE_S = 1.0
#: Stamps are spread where each, but for the first and the last, stands in so many rows within this share.
_SPREAD_TOLERANCE = 0.02
_LEAST_STAMPS = 5

IntArray = npt.NDArray[np.intp]
RowWord = Callable[[int], str]


@dataclass(eq=False, slots=True)
class Order:
    """Rows (indices into the file's) in the order of time, their times, and what was done."""

    rows: IntArray
    time_s: FloatArray
    notes: list[str] = field(default_factory=list)
    left_out: int = 0  # rows left out where a clock was set back
    repeated: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))


class OutOfOrderError(Exception):
    """Times go back further than may be put right; the message has no file name yet."""


def put_in_order(time_s: FloatArray, row_word: RowWord) -> Order:
    """Order rows by time. `time_s`: unix seconds, shape (n,), NaN where unreadable; those rows are left out.

    Raises:
        OutOfOrderError: times go back by more than a window, several times, or by what looks like a change of the
        hour.
    """
    rows = np.flatnonzero(np.isfinite(time_s))
    order = Order(rows, time_s[rows])
    if order.time_s.size < 2:
        return order
    steps = np.diff(order.time_s)
    if (steps >= 0).all():
        _spread_or_drop(order, row_word)
        return order
    if (steps < 0).sum() > 0.9 * (steps != 0).sum():
        order.rows, order.time_s = order.rows[::-1], order.time_s[::-1]
        order.notes.append("the newest row stands first; read from the end")
    _sort(order, row_word)
    _spread_or_drop(order, row_word)
    return order


def _sort(order: Order, row_word: RowWord) -> None:
    """Move single rows to where they belong; leave out what overlaps where a clock was set back."""
    steps = np.diff(order.time_s)
    if (steps >= 0).all():
        return
    set_back = _set_back(order.time_s)
    if set_back is not None:
        _cut_overlap(order, set_back, row_word)
        steps = np.diff(order.time_s)
    if (steps >= 0).all():
        return
    newest = np.maximum.accumulate(order.time_s)
    behind = newest - order.time_s
    at = int(np.argmax(behind > SORT_WINDOW_S)) if (behind > SORT_WINDOW_S).any() else -1
    if at >= 0:
        back_s = float(order.time_s[at - 1] - order.time_s[at])
        here, before = row_word(int(order.rows[at])), row_word(int(order.rows[at - 1]))
        why = (
            'Clocks put back? Say the zone, as --zone Europe/Vienna (or zone = "Europe/Vienna" in a map)'
            if abs(back_s - 3600.0) < 60.0
            else "Two files joined, or a clock set back?"
        )
        raise OutOfOrderError(
            f"{here}, column {{time}}: goes back {back_s:.6g} s against {before}; times must ascend, rows are only "
            f"sorted within {SORT_WINDOW_S:g} s. {why}"
        )
    moved = int((behind > 0).sum())
    first = int(np.argmax(behind > 0))
    if moved > _MOST_MOVED * order.time_s.size and moved > 10:
        raise OutOfOrderError(
            f"{counted(moved, 'row')} of {order.time_s.size:,} go back, the first in "
            f"{row_word(int(order.rows[first]))}, column {{time}}: are thousandths of a second written without their "
            "zeros (.40 for .040)? Have the logger write three digits"
        )
    order.notes.append(
        f"{counted(moved, 'row')} out of order, the first in {row_word(int(order.rows[first]))}, up to "
        f"{behind.max():.3g} s late; sorted by time"
    )
    by_time = np.argsort(order.time_s, kind="stable")
    order.rows, order.time_s = order.rows[by_time], order.time_s[by_time]


def _set_back(time_s: FloatArray) -> int | None:
    """Index of the first row after a clock was set back once and goes on from there; None if it was not."""
    steps = np.diff(time_s)
    backward = np.flatnonzero(steps < 0)
    if backward.size != 1:
        return None
    at = int(backward[0]) + 1
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    back_s = float(-steps[at - 1])
    if back_s <= 3 * usual or back_s > _LARGEST_SET_BACK_S:
        return None
    # A row that is merely late is followed by a jump forward again; two files in the wrong order never get past the
    # end.
    after = time_s[at:]
    goes_on = after.size > 1 and after[1] - after[0] < back_s / 2
    return at if goes_on and after[-1] > time_s[at - 1] else None


def _cut_overlap(order: Order, at: int, row_word: RowWord) -> None:
    again_s = float(order.time_s[at])
    back_s = float(order.time_s[at - 1]) - again_s
    keep = np.ones(order.time_s.size, dtype=bool)
    keep[:at] = order.time_s[:at] < again_s - _HOLE_S
    order.notes.append(
        f"{row_word(int(order.rows[at]))}: the clock was set back by {back_s:.3g} s; the "
        f"{counted(int((~keep).sum()), 'row')} before it that overlap are left out"
    )
    order.left_out += int((~keep).sum())
    order.rows, order.time_s = order.rows[keep], order.time_s[keep]


def _spread_or_drop(order: Order, row_word: RowWord) -> None:
    """Rows with the time of the row before: spread where the rate is clear, else the first of each is kept."""
    steps = np.diff(order.time_s)
    if not (steps == 0).any():
        return
    spread = _spread(order.time_s)
    if spread is not None:
        order.time_s, each, unit_s = spread
        order.notes.append(
            f"times are whole steps of {unit_s:.6g} s, {each:.4g} rows each; spread evenly, {each / unit_s:.4g} a "
            "second"
        )
        return
    repeated = np.flatnonzero(steps == 0) + 1
    order.repeated = order.rows[repeated]
    order.notes.append(
        f"{counted(int(repeated.size), 'row')} with the time of the row before, the first in "
        f"{row_word(int(order.rows[repeated[0]]))}; the first of each is kept"
    )
    if repeated.size > order.rows.size / 2:
        order.notes.append("most times are repeated: the logger rounds them; log fractions of a second")
    keep = np.ones(order.time_s.size, dtype=bool)
    keep[repeated] = False
    order.rows, order.time_s = order.rows[keep], order.time_s[keep]


def _spread(time_s: FloatArray) -> tuple[FloatArray, float, float] | None:
    """Times of rows that share stamps, rows a stamp, and the stamps' step in s; None where the rate is not clear.

    A stamp is taken as cut off, not rounded: the first row that carries it lies at it or just behind.
    """
    first = np.flatnonzero(np.diff(time_s, prepend=-np.inf) > 0)
    if first.size < _LEAST_STAMPS:
        return None
    stamps = time_s[first]
    unit_s = float(np.median(np.diff(stamps)))
    counts = np.diff(first, append=time_s.size)
    after_hole = np.flatnonzero(np.diff(stamps) > 1.5 * unit_s) + 1
    ends = [*after_hole.tolist(), first.size]
    starts = [0, *after_hole.tolist()]
    whole = np.ones(first.size, dtype=bool)  # stamps with all their rows: not those at the ends of a run
    whole[starts] = whole[np.array(ends) - 1] = False
    if not whole.any():
        return None
    each = float(np.mean(counts[whole]))
    if each < 2 or not np.allclose(counts[whole], each, atol=max(1.0, _SPREAD_TOLERANCE * each)):
        return None
    spread = np.empty_like(time_s)
    step_s = unit_s / each
    for start, end in zip(starts, ends, strict=True):
        if end - start > 1 and not np.allclose(np.diff(stamps[start:end]), unit_s, rtol=1e-3):
            return None
        begins = first[start:end][1:] if end - start > 1 else first[start:end]
        row = np.arange(first[start], first[end] if end < first.size else time_s.size)
        # A row that begins a stamp lies between the stamp and one row behind it: half a row on average.
        base = float(np.mean(time_s[begins] - begins * step_s)) + 0.5 * step_s
        spread[row] = base + row * step_s
        if np.abs(spread[begins] - time_s[begins]).max() > 2.0 * step_s + _SPREAD_TOLERANCE * unit_s:
            return None
    if (np.diff(spread) <= 0).any():
        return None
    return spread, each, unit_s

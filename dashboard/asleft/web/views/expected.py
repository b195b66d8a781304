"""The current that the sheet makes of the measured command, by the revision in force at each time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.judge.judge import expected_current
from asleft.judge.types import Samples
from asleft.sheet.model import Sheet
from asleft.store.protocols import StoredSamples
from asleft.web.views.revisions import InForce

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

#: Of what comes before the stretch this many samples are taken, about: it only has to settle the ramp.
LEAD_CELLS = 4000


@dataclass(eq=False, frozen=True, slots=True)
class Expected:
    """Expected current (A) with the ends of its tolerance, NaN where unknown or not judged; all of shape (n,)."""

    time_ns: Int64Array
    values: FloatArray
    low: FloatArray
    high: FloatArray


def expected_in(pieces: Sequence[InForce], stored: StoredSamples, cell_ns: int = 0) -> Expected | None:
    """Over the stretch of `pieces`, each by its own sheet; None where it cannot be told anywhere.

    `stored` begins earlier, by `lead_in_ns`, so that the ramp has settled when the stretch begins. It is computed
    sample by sample; of each `cell_ns` only the first sample is taken. Cells count from the epoch, not from the
    first sample, so that a stretch that begins elsewhere gives the same curve.
    """
    if "command" not in stored.channels or stored.time_ns.size == 0:
        return None
    found = [_piece(piece, stored, cell_ns) for piece in pieces if tells_current(piece.sheet)]
    if not found:
        return None
    return Expected(
        np.concatenate([one.time_ns for one in found]),
        np.concatenate([one.values for one in found]),
        np.concatenate([one.low for one in found]),
        np.concatenate([one.high for one in found]),
    )


def tells_current(sheet: Sheet | None) -> bool:
    """Whether the sheet says what current belongs to a command."""
    return sheet is not None and {"current_at_zero", "current_at_full"} <= set(sheet.as_left)


def lead_in_ns(pieces: Sequence[InForce]) -> int:
    """Long enough for a full stroke of the slowest ramp of all sheets."""
    slowest_s = max((_slowest_s(piece.sheet) for piece in pieces if piece.sheet is not None), default=None)
    return 0 if slowest_s is None else round((slowest_s + 3.0) * 1e9)


def current_tolerance_a(sheet: Sheet, expected_a: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Permitted departure of current below and above, both >= 0, shapes as given; NaN on a side that is not judged.

    Between its values at zero and at full command it runs straight.
    """
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    share = np.clip((expected_a - zero) / (full - zero), 0.0, 1.0) if full != zero else np.zeros_like(expected_a)
    at_zero, at_full = sheet.tolerance["current_at_zero"], sheet.tolerance["current_at_full"]
    return _between(at_zero.below, at_full.below, share), _between(at_zero.above, at_full.above, share)


def _between(at_zero: float, at_full: float, share: FloatArray) -> FloatArray:
    if not np.isfinite([at_zero, at_full]).all():
        return np.full_like(share, np.nan)
    return np.asarray(at_zero + share * (at_full - at_zero), dtype=np.float64)


def _slowest_s(sheet: Sheet) -> float:
    return max(sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0))


def _piece(piece: InForce, stored: StoredSamples, cell_ns: int) -> Expected:
    sheet = piece.sheet
    assert sheet is not None
    lead_ns = round((_slowest_s(sheet) + 3.0) * 1e9)
    taken = _taken(stored.time_ns, piece.from_ns - lead_ns, piece.from_ns, piece.to_ns, cell_ns)
    time_ns = stored.time_ns[taken]
    samples = Samples(time_ns / 1e9, {name: values[taken] for name, values in stored.channels.items()})
    shown = time_ns >= piece.from_ns
    values = expected_current(sheet, samples)[shown]
    below, above = current_tolerance_a(sheet, values)
    return Expected(time_ns[shown], values, values - below, values + above)


def _taken(time_ns: Int64Array, lead_ns: int, from_ns: int, to_ns: int, cell_ns: int) -> Int64Array:
    """Which samples are computed: the first of each cell, coarser cells before the stretch begins."""
    start, begin, end = np.searchsorted(time_ns, [lead_ns, from_ns, to_ns])
    coarse = max((from_ns - lead_ns) // LEAD_CELLS, cell_ns)
    before, inside = _firsts(time_ns[start:begin], coarse), _firsts(time_ns[begin:end], cell_ns)
    return np.concatenate([before + start, inside + begin])


def _firsts(time_ns: Int64Array, cell_ns: int) -> Int64Array:
    if cell_ns <= 1 or time_ns.size == 0:
        return np.arange(time_ns.size)
    return np.flatnonzero(np.diff(time_ns // cell_ns, prepend=-1))

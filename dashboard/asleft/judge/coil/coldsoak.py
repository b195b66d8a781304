"""Cold starts: the only times at which the temperature of the winding is known without its resistance.

After three hours without current the winding has the temperature of what it is bolted to. The first current then
meets a cold coil, and the dwells after it give R at that temperature (`cold_coil`). What it misses: starts after
pauses in the readings (nobody can say that no current flowed).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.coil.coil import ColdCoil
from asleft.judge.coil.cold_coil import BIN_S, START_S, ColdStart, cold_estimate, measure_cold
from asleft.judge.features import Dwell
from asleft.judge.intake.columns import CURRENT, OIL, TIME
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

__all__ = ["SOAK_S", "START_S", "SoakCarry", "cold_estimate", "see_soak", "take_cold"]

SOAK_S = 3.0 * 3600.0
#: Readings further apart than this do not show that no current flowed between them.
_PAUSE_S = 60.0
_NO_CURRENT = 0.03
#: A measured R at 20 degC is taken for the present one for this long.
KEPT_S = 14.0 * 86400.0
_MOST_COLDS = 40


@dataclass(slots=True)
class SoakCarry:
    """Between calls: since when no current flows, the last reading, starts not yet measured, results."""

    quiet_since_s: float | None = None
    last_s: float | None = None
    oil_degc: float = math.nan
    starts: list[ColdStart] = field(default_factory=list)
    colds: list[ColdCoil] = field(default_factory=list)  # oldest first

    def cold_at(self, time_s: float) -> ColdCoil | None:
        """The last result before `time_s`, unless it is too old."""
        known = [cold for cold in self.colds if time_s - KEPT_S <= cold.to_s and cold.from_s <= time_s]
        return known[-1] if known else None


def see_soak(columns: FloatArray, sheet: Sheet, carry: SoakCarry) -> None:
    """Follow the current through new samples (shape (ROWS, n)); `carry` is updated in place."""
    full = sheet.as_left.get("current_at_full")
    known = np.isfinite(columns[CURRENT])
    if full is None or not known.any():
        return
    seen_now = columns if known.all() else columns[:, known]
    time_s, current, oil = seen_now[TIME], seen_now[CURRENT], seen_now[OIL]
    flows = current > _NO_CURRENT * full
    before = time_s[0] if carry.last_s is None else carry.last_s
    fresh = np.diff(time_s, prepend=before) > _PAUSE_S
    quiet = carry.quiet_since_s
    if carry.last_s is None and not flows[0]:
        quiet = float(time_s[0])
    edges = np.flatnonzero(fresh | (np.diff(flows, prepend=quiet is None) != 0))
    for k in edges.tolist():
        if flows[k]:
            soak = 0.0 if quiet is None or fresh[k] else float(time_s[k]) - quiet
            if soak >= SOAK_S:
                seen = oil[: k + 1][np.isfinite(oil[: k + 1])]
                warm = float(seen[-1]) if seen.size else carry.oil_degc
                carry.starts.append(ColdStart(float(time_s[k]), soak, warm))
            quiet = None
        else:
            quiet = float(time_s[k])
    for start in carry.starts:
        _warm(start, time_s, current, np.diff(time_s, prepend=before))
    carry.quiet_since_s, carry.last_s = quiet, float(time_s[-1])
    seen = oil[np.isfinite(oil)]
    if seen.size:
        carry.oil_degc = float(seen[-1])


def _warm(start: ColdStart, time_s: FloatArray, current: FloatArray, step_s: FloatArray) -> None:
    """Put the heat of new samples into their half seconds; a pause counts as a second at most."""
    inside = slice(*np.searchsorted(time_s, (start.at_s, start.at_s + START_S)).tolist())
    if inside.start < inside.stop:
        which = ((time_s[inside] - start.at_s) / BIN_S).astype(np.int64)
        square = current[inside] ** 2 * np.minimum(step_s[inside], 1.0)
        added = np.bincount(which, weights=square, minlength=len(start.square_a2s))
        start.square_a2s = (np.array(start.square_a2s) + added[: len(start.square_a2s)]).tolist()


def take_cold(dwells: Sequence[Dwell], sheet: Sheet, carry: SoakCarry, *, closed: bool = False) -> None:
    """Measure every start whose first dwells are over (all of them if `closed`)."""
    while carry.starts:
        start = carry.starts[0]
        if not closed and (not dwells or dwells[-1].from_s <= start.at_s + START_S):
            return
        carry.starts.pop(0)
        cold = measure_cold([d for d in dwells if start.at_s <= d.from_s <= start.at_s + START_S], sheet, start)
        if cold is not None:
            carry.colds = [*carry.colds, cold][-_MOST_COLDS:]

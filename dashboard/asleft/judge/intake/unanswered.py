"""Commands that stay unanswered: the driver seems off, and is commanded all the same. Its current is lost.

Without an enable channel a driver that is off and a coil that is open look alike: no current flows. What tells them
apart is the command. Whoever switches a driver off takes its command away within seconds, and does not go on
commanding it. So the current is lost

- where it went while the driver was commanded, and the command has stood for 3.2 s since (an emergency stop may leave
  it standing for some 3 s; common practice); or
- where the command has risen twice since.

Once lost, it stays lost until current flows again, whatever the command does meanwhile.

Misses: a coil that opens at zero command, until the second rise. Cries wolf: a driver that is switched off while its
command is left standing for longer.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from asleft.judge.intake.holding import BoolArray
from asleft.judge.types import FloatArray

STANDS_S = 3.2
_LOW, _HIGH = 0.15, 0.3  # of the command: at rest below, commanded above


@dataclass(frozen=True, slots=True)
class UnansweredCarry:
    """Between calls: since when the driver seems off (unix s; None: it does not), and what was commanded since."""

    off_since_s: float | None = None
    rises: int = 0  # of the command since then
    was_low: bool = True  # whether the command has been at rest after its last rise
    standing: bool = False  # whether it stood when the current went, and has stood since
    lost: bool = False


def unanswered(
    time_s: FloatArray, demand: FloatArray, off: BoolArray, gap: BoolArray, carry: UnansweredCarry
) -> tuple[BoolArray, UnansweredCarry]:
    """Where a driver that seems off (`off`) is commanded all the same, shape (n,), and the carry for the next call.

    `demand`: NaN where the command was not read. A gap in the samples ends what stood.
    """
    out = np.zeros(off.size, dtype=bool)
    since_s, rises, was_low, standing, lost = (
        carry.off_since_s, carry.rises, carry.was_low, carry.standing, carry.lost,
    )  # fmt: skip
    cuts = (np.flatnonzero((off[1:] != off[:-1]) | gap[1:]) + 1).tolist()
    for a, b in itertools.pairwise([0, *cuts, off.size]):
        u = demand[a:b]
        if not off[a]:
            known = u[np.isfinite(u)]
            low = bool(known[-1] < _LOW) if known.size else was_low
            since_s, rises, was_low, standing, lost = None, 0, low, not low, False
            continue
        since_s = float(time_s[a]) if since_s is None else since_s
        standing = standing and not gap[a]
        low_here = u < _LOW
        stood = np.full(u.size, standing) if not low_here.any() else standing & ~np.maximum.accumulate(low_here)
        standing = bool(stood[-1])
        now = lost | (stood & (time_s[a:b] - since_s >= STANDS_S))
        side = np.flatnonzero((u > _HIGH) | low_here)
        if side.size:
            high = u[side] > _HIGH
            count = np.zeros(u.size, dtype=np.int64)
            count[side[high & np.concatenate(([was_low], ~high[:-1]))]] = 1
            count = rises + np.cumsum(count)
            now |= count >= 2
            rises, was_low = int(count[-1]), not high[-1]
        now = np.maximum.accumulate(now)
        out[a:b], lost = now, bool(now[-1])
    return out, UnansweredCarry(since_s, rises, was_low, standing, lost)

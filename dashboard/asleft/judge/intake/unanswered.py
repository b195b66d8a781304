"""Commands that stay unanswered: the driver seems off, and is commanded all the same. Its current is lost.

Without an enable channel a driver that is off and a coil that is open look alike: no current flows. What tells them
apart is the command. Whoever switches a driver off takes its command away within seconds, and does not go on
commanding it. So the current is lost

- where the command has stood for 3.2 s without any, be it that the current went while it stood or that it rose since
  (an emergency stop may leave it standing for some 3 s; common practice); or
- where the command has risen twice since the current went.

Once lost, it stays lost until current flows again, whatever the command does meanwhile. A command that stands when a
record begins says nothing: the driver may not be switched on yet.

Misses: a coil that opens at zero command, until the next rise. Cries wolf: a driver that is switched off while its
command is left standing for longer.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.intake.holding import BoolArray
from asleft.judge.types import FloatArray

STANDS_S = 3.2
_LOW, _HIGH = 0.15, 0.3  # of the command: at rest below, commanded above


@dataclass(frozen=True, slots=True)
class UnansweredCarry:
    """Between calls: since when the driver seems off (unix s; None: it does not), and what was commanded since."""

    off_since_s: float | None = None
    up_since_s: float | None = None  # since when the command has stood; -inf: since before the current went
    rises: int = 0  # of the command since the driver seems off
    was_low: bool = False  # whether the command has been at rest after its last rise
    lost: bool = False


def unanswered(
    time_s: FloatArray, demand: FloatArray, off: BoolArray, gap: BoolArray, carry: UnansweredCarry
) -> tuple[BoolArray, UnansweredCarry]:
    """Where a driver that seems off (`off`) is commanded all the same, shape (n,), and the carry for the next call.

    `demand`: NaN where the command was not read. A gap in the samples ends what stood.
    """
    out = np.zeros(off.size, dtype=bool)
    cuts = (np.flatnonzero((off[1:] != off[:-1]) | gap[1:]) + 1).tolist()
    for a, b in itertools.pairwise([0, *cuts, off.size]):
        if off[a]:
            if gap[a]:
                carry = replace(carry, up_since_s=None)
            out[a:b], carry = _while_off(time_s[a:b], demand[a:b], carry)
        else:
            known = demand[a:b][np.isfinite(demand[a:b])]
            low = bool(known[-1] < _LOW) if known.size else carry.was_low
            carry = UnansweredCarry(None, None if low else -np.inf, 0, low)
    return out, carry


def _while_off(time_s: FloatArray, demand: FloatArray, carry: UnansweredCarry) -> tuple[BoolArray, UnansweredCarry]:
    """Whether the current is lost, in a run of samples (n,) at which the driver seems off."""
    since_s = float(time_s[0]) if carry.off_since_s is None else carry.off_since_s
    low = demand < _LOW
    side = np.flatnonzero((demand > _HIGH) | low)
    high = ~low[side]
    rise = np.zeros(demand.size, dtype=bool)
    rise[side[high & np.concatenate(([carry.was_low], ~high[:-1]))]] = True
    rises = carry.rises + np.cumsum(rise)
    last = np.maximum.accumulate(np.where(rise | low, np.arange(demand.size), -1))
    before_s = np.inf if carry.up_since_s is None else carry.up_since_s
    up_s = np.where(last < 0, before_s, np.where(rise[last], time_s[last], np.inf))
    lost: BoolArray = np.maximum.accumulate(
        carry.lost | (rises >= 2) | (time_s - np.maximum(up_s, since_s) >= STANDS_S)
    )
    return lost, UnansweredCarry(
        since_s,
        float(up_s[-1]) if up_s[-1] < np.inf else None,
        int(rises[-1]),
        bool(~high[-1]) if side.size else carry.was_low,
        bool(lost[-1]),
    )

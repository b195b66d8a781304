"""From stored blocks to what the judge takes in one call. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from asleft.judge.types import FastBurst, FloatArray, Samples
from asleft.store.protocols import BlockRef
from asleft.wire.block import Block

GAP_NS = 5_000_000_000
"""Blocks further apart than this belong to different calls."""
LONGEST_NS = 601_000_000_000
"""One call takes at most ten minutes of readings."""
MOST_BLOCKS = 600
SOON_NS = 800_000_000
"""Live, a call waits for this much: a block of a second is judged when it comes, and what is urgent told at once."""
LEAST_NS = 2_000_000_000
"""Where that would keep the judge too busy, it waits for this much."""
BUSY = 0.25
"""Share of its time that the judge may be at work before it is too busy."""


def samples_of(blocks: Sequence[Block], after_s: float | None = None) -> Samples:
    """Readings of several blocks of one valve, in their order, as one stretch.

    Channels are the union of the blocks' channels, NaN where a block lacks one or a reading failed. Times increase
    strictly: a reading not later than all before it (or than `after_s`) is left out. Bursts of `current` only.
    """
    names = list(dict.fromkeys(channel.name for block in blocks for channel in block.channels))
    time_s = np.concatenate([block.times_s() for block in blocks]) if blocks else np.zeros(0)
    channels: dict[str, FloatArray] = {name: np.full(time_s.size, np.nan) for name in names}
    at = 0
    for block in blocks:
        for channel in block.channels:
            channels[channel.name][at : at + block.size] = channel.as_values()
        at += block.size
    before = np.concatenate(([-np.inf if after_s is None else after_s], time_s))
    keep = time_s > np.maximum.accumulate(before)[:-1]
    if not bool(keep.all()):
        time_s = time_s[keep]
        channels = {name: values[keep] for name, values in channels.items()}
    bursts = sorted(
        (
            FastBurst(burst.start_ns / 1e9, burst.rate_hz, burst.values)
            for block in blocks
            for burst in block.bursts
            if burst.channel == "current"
        ),
        key=lambda burst: burst.start_s,
    )
    return Samples(time_s, channels, tuple(bursts))


def leading_run(refs: Sequence[BlockRef]) -> int:
    """How many of the leading blocks make one unbroken stretch that is no longer than one call may be."""
    for index, ref in enumerate(refs):
        if index == 0:
            continue
        broken = ref.from_ns - max(one.to_ns for one in refs[max(0, index - 2) : index]) > GAP_NS
        if broken or index == MOST_BLOCKS or ref.to_ns - refs[0].from_ns > LONGEST_NS:
            return index
    return len(refs)


def least_of(valves: int, step_s: float) -> int:
    """How much live data (ns) a call waits for: as little as leaves the judge idle for most of its time.

    `valves`: how many wait for it in turn; `step_s`: how long a call takes.
    """
    return min(max(SOON_NS, round(valves * step_s / BUSY * 1e9)), LEAST_NS)


def next_call(
    refs: Sequence[BlockRef], *, more_follows: bool, history: bool, still: bool, least_ns: int = LEAST_NS
) -> int:
    """How many of the waiting blocks to judge in the next call; 0 to wait for more.

    `refs` may end because something else cuts them off (`more_follows`). Live data is taken from `least_ns` up;
    history comes in windows, which are taken whole. Where nothing has arrived for a while (`still`) what is there is
    taken.
    """
    run = leading_run(refs)
    if run == 0 or run < len(refs) or more_follows or still:
        return run
    if history:
        return 0
    return run if refs[run - 1].to_ns - refs[0].from_ns >= least_ns else 0


def moved(cursor: Mapping[str, int], refs: Sequence[BlockRef]) -> dict[str, int]:
    """A cursor after further blocks."""
    out = dict(cursor)
    for ref in refs:
        out[ref.stream] = max(ref.seq, out.get(ref.stream, 0))
    return out

"""Two or more files of one valve, each with some of its channels, joined on time.

The rows are those of the file with the current (or else the pressure); the other files' nearest rows within half of
their usual step are put beside them. Loggers' clocks differ: where both files have one and the same channel, the
shift between them is measured and taken away; where they do not, the shift of the current against the command is
said, because it holds the clocks' difference as well as the driver's ramp.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.judge.types import Samples
from asleft.logfile.arrow import FloatArray
from asleft.logfile.errors import LogError
from asleft.logfile.evidence import follows

#: A current that follows its command by more than this, or leads it, is a matter of clocks.
_MOST_LAG_S = 10.0


def joined(parts: Sequence[tuple[str, Samples]], shift_s: float | None = None) -> tuple[Samples, list[str]]:
    """One stretch of samples out of several, and what was done. `parts`: name in messages and samples of each file.

    `shift_s` is added to the times of all files but the first.

    Raises:
        LogError: the files do not overlap in time.
    """
    notes: list[str] = []
    base_at = next(
        (k for channel in ("current", "pressure") for k, (_, each) in enumerate(parts) if channel in each.channels), 0
    )
    base_name, base = parts[base_at]
    time_s = base.time_s + (shift_s or 0.0) * (base_at > 0)
    channels: dict[str, FloatArray] = dict(base.channels)
    for k, (name, part) in enumerate(parts):
        if k == base_at:
            continue
        own_s = part.time_s + (shift_s or 0.0) * (k > 0)
        if own_s[-1] <= time_s[0] or own_s[0] >= time_s[-1]:
            raise LogError(
                f"{name} and {base_name}: not at the same time ({own_s[0] - time_s[0]:+.6g} s apart); "
                "is it another recording, or does a zone differ? A shift of clocks is given by --shift SECONDS"
            )
        common = [channel for channel in part.channels if channel in channels]
        if common and shift_s is None:
            apart_s = _apart_s(time_s, channels[common[0]], own_s, part.channels[common[0]])
            own_s = own_s - apart_s
            notes.append(
                f"{name}: its clock is {apart_s:+.3g} s against {base_name} by their {common[0]}; taken away"
            )
        beside = _beside(time_s, own_s)
        added = [channel for channel in part.channels if channel not in channels]
        for channel in added:
            channels[channel] = np.where(beside >= 0, part.channels[channel][beside], np.nan)
        found = float((beside >= 0).mean())
        notes.append(f"{name}: {', '.join(added) or 'nothing'} joined to {found:.1%} of the rows of {base_name}")
    _say_lag(time_s, channels, notes, known=shift_s is not None)
    return Samples(time_s, channels), notes


def _beside(time_s: FloatArray, own_s: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """For each time the nearest row of another file within its usual step, -1 where there is none."""
    import pandas as pd

    usual_s = float(np.median(np.diff(own_s))) if own_s.size > 1 else 0.0
    left = pd.DataFrame({"at": pd.to_datetime(time_s, unit="s")})
    right = pd.DataFrame({"at": pd.to_datetime(own_s, unit="s"), "row": np.arange(own_s.size)})
    tolerance = pd.Timedelta(seconds=usual_s)
    nearest = pd.merge_asof(left, right, on="at", direction="nearest", tolerance=tolerance)
    return np.asarray(nearest["row"].fillna(-1).to_numpy(), dtype=np.intp)


def _apart_s(time_s: FloatArray, values: FloatArray, own_s: FloatArray, own: FloatArray) -> float:
    """By how much the second clock is ahead of the first, by a channel that both have."""
    step_s = min(float(np.median(np.diff(time_s))), float(np.median(np.diff(own_s))))
    grid = np.arange(max(time_s[0], own_s[0]), min(time_s[-1], own_s[-1]), step_s)[:60_000]
    good, own_good = np.isfinite(values), np.isfinite(own)
    a = np.interp(grid, time_s[good], values[good])
    b = np.interp(grid, own_s[own_good], own[own_good])
    _, shift = follows(a, b)
    return shift * step_s


def _say_lag(time_s: FloatArray, channels: dict[str, FloatArray], notes: list[str], *, known: bool) -> None:
    if "command" not in channels or "current" not in channels:
        return
    likeness, shift = follows(channels["command"][:60_000], channels["current"][:60_000])
    lag_s = shift * float(np.median(np.diff(time_s)))
    if likeness < 0.5:
        return
    notes.append(f"the current follows the command by {lag_s:.3g} s, ramp and clocks together")
    if not known and not -0.1 <= lag_s <= _MOST_LAG_S:
        raise LogError(
            f"the current follows the command by {lag_s:.3g} s: the clocks of the two files differ. Say by how much "
            "the later files are to be shifted, as --shift 1.5, or --shift 0 if this is right"
        )

"""Failed readings, counted by time, for the share of data that is missing."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from asleft.judge.state import JudgeState
from asleft.judge.types import Samples

FAILED_BIN_S = 10.0


def count_failed(state: JudgeState, samples: Samples) -> None:
    """Failed readings of each channel since its first good one, by time, for the share over the horizon."""
    n = samples.time_s.size
    failed: npt.NDArray[np.int64] | None = None
    known = set(state.channels)
    for name, values in samples.channels.items():
        good = np.isfinite(values)
        if name not in known:
            if not good.any():
                continue
            known.add(name)
            good[: int(np.argmax(good))] = True
        if not good.all():
            failed = ~good + (np.zeros(n, dtype=np.int64) if failed is None else failed)
    state.channels = tuple(sorted(known))
    lowest, highest = (float(np.floor(samples.time_s[k] / FAILED_BIN_S)) for k in (0, -1))
    begins = np.arange(lowest + 1.0, highest + 1.0) * FAILED_BIN_S
    cuts = [0, *np.unique(samples.time_s.searchsorted(begins)).tolist(), n]
    for a, b in itertools.pairwise(cuts):
        at_s = float(np.floor(samples.time_s[a] / FAILED_BIN_S)) * FAILED_BIN_S
        count = 0 if failed is None else int(failed[a:b].sum())
        entry = (at_s, count, (b - a) * max(len(samples.channels), 1))
        if state.failed and state.failed[-1][0] == entry[0]:
            last = state.failed.pop()
            entry = (entry[0], last[1] + entry[1], last[2] + entry[2])
        state.failed.append(entry)


def count_excluded(state: JudgeState) -> None:
    """Wild readings that the intake has just set aside count as failed ones."""
    for at_s in state.intake.found_s:
        at_bin = float(np.floor(at_s / FAILED_BIN_S)) * FAILED_BIN_S
        for k in range(len(state.failed) - 1, -1, -1):
            begin, failed, readings = state.failed[k]
            if begin <= at_bin:
                state.failed[k] = (begin, failed + 1, readings)
                break

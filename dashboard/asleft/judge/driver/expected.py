"""The current a healthy driver would give for the measured command, by the sheet's settings."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from asleft.judge.intake.columns import DEMAND, ENABLED, columns_of
from asleft.judge.intake.states import StateCarry, judge_states
from asleft.judge.types import FloatArray, Samples
from asleft.sheet.model import Sheet


def expected_current(
    sheet: Sheet, samples: Samples, *, as_found: Mapping[str, float] | None = None, lag_s: float = 0.02
) -> FloatArray:
    """Expected coil current (A) at each sample, shape (n,), from the measured command and the sheet's settings.

    `as_found` replaces settings by name. NaN where the command is unknown or the sheet has no currents. The first
    sample is taken as settled, so start some seconds earlier than what is to be shown. Where the driver is not
    enabled (channel `enable`, or a current under 30 % of the current at zero) zero is expected.
    """
    values = {**sheet.as_left, **(as_found or {})}
    n = samples.time_s.size
    zero, full = values.get("current_at_zero"), values.get("current_at_full")
    command = samples.channels.get("command")
    if zero is None or full is None or command is None or n == 0:
        return np.full(n, np.nan)
    columns = columns_of(samples, sheet.signal)
    judge_states(columns, sheet, StateCarry())
    up = 1.0 / max(values.get("ramp_up", 0.0), 1e-6)
    down = 1.0 / max(values.get("ramp_down", 0.0), 1e-6)
    off = sheet.signal.off_below_pct / 100.0
    out = np.empty(n)
    step_s = np.diff(samples.time_s, prepend=samples.time_s[0])
    rows = zip(columns[DEMAND].tolist(), step_s.tolist(), (columns[ENABLED] > 0.5).tolist(), strict=True)
    r: float | None = None
    y = 0.0
    for k, (raw, dt, on) in enumerate(rows):
        if raw != raw:
            out[k] = math.nan
            continue
        u = min(max(raw, 0.0), 1.0)
        flows = on and (off <= 0.0 or u >= off)
        if not flows:
            r, target = 0.0, 0.0
        else:
            if r is None:
                r = u
            r += min(max(u - r, -down * dt), up * dt)
            target = zero + r * (full - zero)
        if k == 0:
            y = target
        y += (target - y) * (1.0 - math.exp(-dt / lag_s)) if dt > 0 else 0.0
        out[k] = y
    return out

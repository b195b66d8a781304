"""Dither as found: frequency and amplitude from the bursts of a while, or why they are not observed.

Bursts are weighted with what the noise of each allows. If they scatter more than that, what they scatter more is a
variance between them (the moment estimate of DerSimonian & Laird, 1986), and the interval takes Student's quantile at
the effective degrees of freedom of Welch and Satterthwaite (JCGM 100 G.4): noise of a burst is known from thousands
of readings, a variance between bursts from a few bursts. What it misses: variation between bursts that two or three
of them happen not to show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.dither.dither import DitherBurst
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

#: Relative standard uncertainty of an instrument's clock: crystals keep 100 parts in a million.
CLOCK = 5e-5
#: A burst this many times its uncertainty off the rest is left out (a disturbance, a wrong line), if enough remain.
_FAR, _LEAST_OTHERS = 8.0, 6


def dither_found(bursts: Sequence[DitherBurst], sheet: Sheet) -> tuple[Estimate | str, Estimate | str]:
    """Frequency (Hz) and amplitude (A peak to peak), each an estimate or the reason why there is none.

    Where most bursts show no dither, the amplitude is zero and there is no frequency: lost, not changed.
    """
    if not bursts:
        return "no fast bursts of the current", "no fast bursts of the current"
    live = [b for b in bursts if b.amplitude_a > 0.0]
    if 2 * len(live) < len(bursts):
        dead = [b for b in bursts if b.amplitude_a == 0.0]
        hidden = float(np.median([b.amplitude_u_a for b in dead]))
        none = Estimate(
            value=0.0,
            repeatability=hidden / math.sqrt(3.0) / math.sqrt(len(dead)),
            dof=math.inf,
            segments=len(dead),
            from_s=dead[0].at_s,
            to_s=dead[-1].at_s,
            note="no dither in the bursts",
        )
        return "no dither in the bursts", none
    hz = combine(live, [b.frequency_hz for b in live], [b.frequency_u_hz for b in live])
    size = combine(live, [b.amplitude_a for b in live], [b.amplitude_u_a for b in live])
    return _with(hz, CLOCK * hz.value, ""), _with(size, _gain(sheet) * size.value, _shape_words(live))


def combine(bursts: Sequence[DitherBurst], values: Sequence[float], uncertainties: Sequence[float]) -> Estimate:
    """Weighted mean of bursts with a variance between them where they show one."""
    x, u = np.array(values), np.maximum(np.array(uncertainties), 1e-9 * np.abs(values))
    kept = _agreeing(x, u)
    x, u = x[kept], u[kept]
    n = x.size
    weight = 1.0 / u**2
    mean = float(weight @ x / weight.sum())
    between = 0.0
    if n > 1:
        spare = float(weight @ (x - mean) ** 2) - (n - 1)
        between = max(spare, 0.0) / float(weight.sum() - (weight @ weight) / weight.sum())
    weight = 1.0 / (u**2 + between)
    variance = 1.0 / float(weight.sum())
    return Estimate(
        value=float(weight @ x * variance),
        repeatability=math.sqrt(variance),
        dof=(n - 1) * (variance * n / between) ** 2 if between > 0.0 else math.inf,
        segments=n,
        from_s=bursts[0].at_s,
        to_s=bursts[-1].at_s,
    )


def _agreeing(x: FloatArray, u: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """All but bursts far off the median, measured by their noise and by what the others scatter."""
    middle = float(np.median(x))
    scatter = 1.4826 * float(np.median(np.abs(x - middle)))
    out: np.ndarray[tuple[int], np.dtype[np.bool_]] = np.abs(x - middle) <= _FAR * np.hypot(u, scatter)
    return out if out.sum() > max(x.size // 2, _LEAST_OTHERS) else np.ones(x.size, dtype=bool)


def _with(estimate: Estimate, systematic: float, note: str) -> Estimate:
    return replace(estimate, systematic=systematic, note=note)


def _gain(sheet: Sheet) -> float:
    """Relative standard uncertainty that the calibration of the current leaves in a difference of two currents.

    A calibration is good to so many amperes at every reading. An error that is as unsure at either end of its range
    and hardly bends between has a slope of pi / 2 of that over the range; with no range known, all of it is gain.
    """
    instrument = sheet.instruments.get("current")
    full = sheet.as_left.get("current_at_full")
    if instrument is None or instrument.expanded_uncertainty is None or not full:
        return 0.0
    if instrument.range_high is not None:
        reach = instrument.range_high - (instrument.range_low or 0.0)
        return 0.5 * math.pi * instrument.expanded_uncertainty / 2.0 / max(reach, full)
    return instrument.expanded_uncertainty / 2.0 / full


def _shape_words(live: Sequence[DitherBurst]) -> str:
    """The waveform where most bursts agree on one that is worth a word."""
    shapes = [b.shape for b in live]
    most = max(set(shapes), key=lambda s: (shapes.count(s), s))
    return f"{most} wave" if 2 * shapes.count(most) > len(shapes) and most in {"triangle", "square"} else ""

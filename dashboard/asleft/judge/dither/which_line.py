"""Which of a burst's lines is dither.

- It lies between 20 and 500 Hz and is at least as large as asked;
- near the as-left frequency before anything else, else the largest;
- not hum: a line at a multiple of 50 or 60 Hz counts only if the sheet has its dither there, or if it has at least
  half of the as-left size;
- not ripple of the driver's switching, also where the sampling folds it into the band: a line that stood beside the
  dither in earlier bursts is no dither once that has gone, nor is one far from the as-left frequency whose wave is
  lopsided (a second harmonic over a tenth), which a switched current is and dither is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from asleft.judge.dither.lines import Peak, Spectrum

BAND_HZ = (20.0, 500.0)
#: Harmonics are used below this share of the sample rate, where an instrument's filter still lets them through.
CLEAN = 0.4
#: A line must stand out of what noise alone shows by this factor in amplitude.
STANDS_OUT = 5.0
#: A line this near to the as-left frequency (share of it) is looked at first.
NEAR = 0.1
_LEAST_PERIODS = 8.0
_MAINS_HZ = (50.0, 60.0)


@dataclass(frozen=True, slots=True)
class Expected:
    """What is known before a burst is looked at: the sheet's dither, the least to look for, lines that are not it."""

    least_a: float  # peak to peak below which a line is not taken for dither
    hz: float | None = None
    amplitude_a: float | None = None
    other_hz: Sequence[float] = ()


def choose(
    lines: Sequence[Peak], shown: Spectrum, expected: Expected, width_hz: float, rate_hz: float
) -> Peak | None:
    """The line that is dither, by the rules above; None for none. `width_hz`: resolution of the burst."""
    top_hz = min(BAND_HZ[1], CLEAN * rate_hz)
    slowest_hz = max(BAND_HZ[0], _LEAST_PERIODS * width_hz)
    inside = [p for p in lines if slowest_hz <= p.hz <= top_hz and 2.0 * p.size >= expected.least_a]
    near = [p for p in inside if _is_near(p.hz, expected, width_hz) and not _is_hum(p, expected, width_hz)]
    if near:
        return max(near, key=lambda p: p.size)
    others = [
        p
        for p in inside
        if not _is_hum(p, expected, width_hz)
        and not any(abs(p.hz - hz) <= max(width_hz, 0.02 * hz) for hz in expected.other_hz)
        and not _is_lopsided(p, shown, rate_hz)
    ]
    return max(others, key=lambda p: p.size, default=None)


def _is_near(hz: float, expected: Expected, width_hz: float) -> bool:
    return expected.hz is not None and abs(hz - expected.hz) <= NEAR * expected.hz + width_hz


def _is_hum(line: Peak, expected: Expected, width_hz: float) -> bool:
    """Whether a line lies at a multiple of a mains frequency without being the dither the sheet has there."""
    if expected.amplitude_a is None:
        return False
    reach = 0.4 * width_hz + 0.002 * line.hz
    multiples = [mains * round(line.hz / mains) for mains in _MAINS_HZ]
    if not any(multiple > 0.0 and abs(line.hz - multiple) <= reach for multiple in multiples):
        return False
    if expected.hz is not None and abs(line.hz - expected.hz) <= reach:
        return False
    return 2.0 * line.size < 0.5 * expected.amplitude_a


def _is_lopsided(line: Peak, shown: Spectrum, rate_hz: float) -> bool:
    double = 2.0 * line.hz
    if double > 0.5 * rate_hz:
        double = rate_hz - double
    second = shown.at(double)
    return second > 0.1 * line.size and second > STANDS_OUT * shown.noise

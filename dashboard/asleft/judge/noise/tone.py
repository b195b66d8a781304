"""Dither that the slow current reading shows as a tone at another frequency (aliased), so that fits can take it out.

Sampled too slowly, dither of frequency f looks like one of |f - k rate|: no noise, but a sine of constant amplitude.
Left in, it bends short ramps by a per cent or two; taken as noise, it widens every uncertainty. Its frequency is
followed from dwell to dwell, its amplitude and phase are free in each stroke.

Missed: a tone slower than two periods per dwell (it looks like drift), one of jittered sample times, harmonics.
Cries wolf in white noise less than once in a million dwells (a peak over 20 times the mean power is e^-20 a bin).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from asleft.judge.medians import mean_of
from asleft.judge.types import FloatArray

_FEWEST = 48
_MOST = 512
_STANDS_OUT = 20.0
#: Tones nearer than this are one (Hz); beside the resolution of the two dwells.
_SAME_HZ = 0.15
_KEPT = 0.9


@dataclass(frozen=True, slots=True)
class FoundTone:
    """One dwell's tone: frequency (Hz), its variance (Hz^2), and what is left without it (A, standard deviation)."""

    frequency_hz: float
    variance_hz2: float
    left_a: float
    ratio: float  # of its line in the spectrum to the mean of the others
    rms_a: float  # root mean square of the tone


def find_tone(
    time_s: FloatArray, current_a: FloatArray, interval_s: float, known_hz: float | None = None
) -> FoundTone | None:
    """The tone in one settled, evenly sampled dwell, or None.

    The strongest line of the windowed spectrum, then least-squares steps on frequency, amplitude and phase. Where a
    tone is known (`known_hz`) and still stands out there, that is the start, and the spectrum is not looked at.
    """
    time_s, current_a = time_s[-_MOST:], current_a[-_MOST:]
    if not shows_tones(time_s, interval_s):
        return None
    if known_hz is not None:
        found = _fitted(time_s, current_a, interval_s, known_hz, rounds=1)
        if found is not None and abs(found.frequency_hz - known_hz) < _SAME_HZ and found.ratio >= _STANDS_OUT:
            return found
    strongest = _strongest(current_a, interval_s)
    return None if strongest is None else _fitted(time_s, current_a, interval_s, strongest, rounds=2)


def shows_tones(time_s: FloatArray, interval_s: float) -> bool:
    """Whether a dwell is long enough and evenly sampled, so that a tone in it would be found."""
    if time_s.size < _FEWEST:
        return False
    step_s = time_s[1:] - time_s[:-1]
    return bool(step_s.max() <= 1.02 * interval_s and step_s.min() >= 0.98 * interval_s)


def _strongest(current_a: FloatArray, interval_s: float) -> float | None:
    """Frequency (Hz) of the line of the spectrum that stands out most, None if none does enough."""
    n = current_a.size
    long = 1 << (4 * n - 1).bit_length()  # padded at least four times, to a length that transforms fast
    lines = np.fft.rfft((current_a - mean_of(current_a)) * _window(n), long)
    spectrum = lines.real**2 + lines.imag**2
    first = 12 * long // (4 * n)  # two periods in the dwell, and clear of the window's skirt
    if spectrum.size <= first + 4:
        return None
    k = first + int(np.argmax(spectrum[first:-4]))  # at half the sample rate itself sine and cosine are one
    skirt = 8 * long // (4 * n)
    rest = float(spectrum.sum()) - float(spectrum[max(k - skirt, 0) : k + skirt + 1].sum())
    return None if spectrum[k] < _STANDS_OUT * rest / spectrum.size else k / (long * interval_s)


def _fitted(
    time_s: FloatArray, current_a: FloatArray, interval_s: float, frequency: float, rounds: int
) -> FoundTone | None:
    """Least squares on frequency, amplitude and phase, from a frequency (Hz) near the right one.

    The variance is the Cramer-Rao bound 12 s^2 / (A^2 / 2 (2 pi)^2 n^3 dt^2) (Kay 1993, example 3.14, from memory).
    """
    n = current_a.size
    since = time_s - 0.5 * (time_s[0] + time_s[-1])
    rows = np.ones((4, n))
    for _ in range(rounds):
        turns = (2.0 * np.pi * frequency) * since
        np.cos(turns, out=rows[1])
        np.sin(turns, out=rows[2])
        three = rows[:3]
        mean, c, s = np.linalg.solve(three @ three.T, three @ current_a).tolist()
        if c * c + s * s <= 1e-18 * max(mean * mean, 1e-12):  # a reading that does not move at all
            return None
        rows[3] = (2.0 * np.pi) * since * (s * rows[1] - c * rows[2])
        found = np.linalg.solve(rows @ rows.T, rows @ current_a)
        frequency += min(max(float(found[3]), -0.5), 0.5)
    left = current_a - found @ rows
    variance_a2 = float(left @ left) / max(n - 4, 1)
    power = 0.5 * (c * c + s * s)
    if power <= 0.0 or frequency <= 0.0:
        return None
    variance = 12.0 * variance_a2 / (power * (2.0 * np.pi) ** 2 * n**3 * interval_s**2)
    # of a line of the windowed spectrum to the mean of the others: A^2 n / 6 s^2 for a Hann window
    ratio = power * n / (3.0 * variance_a2) if variance_a2 > 0.0 else math.inf
    return FoundTone(frequency, variance, math.sqrt(variance_a2), ratio, math.sqrt(power))


@lru_cache(maxsize=64)
def _window(n: int) -> FloatArray:
    return np.hanning(n)


@dataclass(frozen=True, slots=True)
class Tone:
    """The tone as followed: frequency (Hz) and its precision (1/Hz^2), 0 while none is known."""

    frequency_hz: float = 0.0
    precision: float = 0.0

    def followed(self, found: FoundTone | None) -> Tone:
        """After one more dwell; a tone that stays away is given up, another one soon believed."""
        if found is None:
            return Tone(self.frequency_hz, 0.5 * self.precision if self.precision > 1.0 else 0.0)
        fresh = 1.0 / max(found.variance_hz2, 1e-8)
        if self.precision <= 0.0 or abs(found.frequency_hz - self.frequency_hz) > _SAME_HZ:
            weaker = 0.1 * self.precision
            return Tone(found.frequency_hz, fresh) if fresh > weaker else Tone(self.frequency_hz, weaker)
        old = _KEPT * self.precision
        mean = (old * self.frequency_hz + fresh * found.frequency_hz) / (old + fresh)
        return Tone(mean, old + fresh)

    def known(self) -> bool:
        """Whether its frequency is good for the length of a stroke: to 0.2 Hz."""
        return self.precision > 25.0

    def columns(self, time_s: FloatArray, root_weight: FloatArray) -> FloatArray:
        """Cosine and sine at the sample times, shape (n, 2), or (n, 0) while no tone is known.

        Zero where a sample stands for many: a tone averages out in those.
        """
        if not self.known():
            return np.empty((time_s.size, 0))
        turns = 2.0 * np.pi * self.frequency_hz * time_s
        alone = root_weight == 1.0
        return np.column_stack((np.cos(turns) * alone, np.sin(turns) * alone))

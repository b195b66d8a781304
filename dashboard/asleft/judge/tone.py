"""Dither that the slow current reading shows as a tone at another frequency (aliased), so that fits can take it out.

Sampled too slowly, dither of frequency f looks like one of |f - k rate|: no noise, but a sine of constant amplitude.
Left in, it bends short ramps by a per cent or two; taken as noise, it widens every uncertainty. Its frequency is
followed from dwell to dwell, its amplitude and phase are free in each stroke.

Missed: a tone slower than two periods per dwell (it looks like drift), one of jittered sample times, harmonics.
Cries wolf in white noise less than once in a million dwells (a peak over 20 times the mean power is e^-20 a bin).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray

_FEWEST = 48
_MOST = 512
_STANDS_OUT = 20.0
#: Tones nearer than this are one (Hz); beside the resolution of the two dwells.
_SAME_HZ = 0.15
_KEPT = 0.9


@dataclass(frozen=True, slots=True)
class Heard:
    """One dwell's tone: frequency (Hz), its variance (Hz^2), and what is left without it (A, standard deviation)."""

    frequency_hz: float
    variance_hz2: float
    left_a: float


def hear_tone(time_s: FloatArray, current_a: FloatArray, interval_s: float) -> Heard | None:
    """The tone in one settled, evenly sampled dwell, or None.

    The strongest line of the windowed spectrum, then one least-squares step on frequency, amplitude and phase; the
    variance is the Cramer-Rao bound 6 s^2 / (A^2 / 2 (2 pi)^2 n^3 dt^2) (Kay 1993, example 3.14, from memory).
    """
    time_s, current_a = time_s[-_MOST:], current_a[-_MOST:]
    n = current_a.size
    if n < _FEWEST or bool(np.any(np.abs(np.diff(time_s) - interval_s) > 0.02 * interval_s)):
        return None
    centred = current_a - current_a.mean()
    spectrum = np.abs(np.fft.rfft(centred * np.hanning(n), 4 * n)) ** 2
    first = 8 + 4  # two periods in the dwell, and clear of the window's skirt
    if spectrum.size <= first + 4:
        return None
    k = first + int(np.argmax(spectrum[first:]))
    if (
        spectrum[k]
        < _STANDS_OUT * (float(spectrum.sum()) - float(spectrum[max(k - 8, 0) : k + 9].sum())) / spectrum.size
    ):
        return None
    since = time_s - 0.5 * (time_s[0] + time_s[-1])
    frequency = k / (4.0 * n * interval_s)
    for _ in range(2):
        turns = 2.0 * np.pi * frequency * since
        cosine, sine = np.cos(turns), np.sin(turns)
        rows = np.vstack((np.ones(n), cosine, sine))
        _, c, s = np.linalg.solve(rows @ rows.T, rows @ current_a).tolist()
        slope = 2.0 * np.pi * since * (s * cosine - c * sine)
        rows = np.vstack((rows, slope))
        found = np.linalg.solve(rows @ rows.T, rows @ current_a)
        frequency += float(np.clip(found[3], -0.5, 0.5))
    left = current_a - found @ rows
    left_sd = float(np.sqrt(left @ left / max(n - 4, 1)))
    power = 0.5 * (c * c + s * s)
    if power <= 0.0 or frequency <= 0.0:
        return None
    variance = 6.0 * left_sd**2 / (power * (2.0 * np.pi) ** 2 * n**3 * interval_s**2)
    return Heard(frequency, float(variance), left_sd)


@dataclass(frozen=True, slots=True)
class Tone:
    """The tone as followed: frequency (Hz) and its precision (1/Hz^2), 0 while none is known."""

    frequency_hz: float = 0.0
    precision: float = 0.0

    def followed(self, heard: Heard | None) -> Tone:
        """After one more dwell; a tone that stays away is given up, another one soon believed."""
        if heard is None:
            return Tone(self.frequency_hz, 0.5 * self.precision if self.precision > 1.0 else 0.0)
        fresh = 1.0 / max(heard.variance_hz2, 1e-8)
        if self.precision <= 0.0 or abs(heard.frequency_hz - self.frequency_hz) > _SAME_HZ:
            weaker = 0.1 * self.precision
            return Tone(heard.frequency_hz, fresh) if fresh > weaker else Tone(self.frequency_hz, weaker)
        old = _KEPT * self.precision
        mean = (old * self.frequency_hz + fresh * heard.frequency_hz) / (old + fresh)
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

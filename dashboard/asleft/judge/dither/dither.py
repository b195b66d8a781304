"""Dither from fast bursts: frequency (Hz) and amplitude (A, peak to peak).

A windowed spectrum finds the lines, least squares fit them together (`lines`), and the harmonics of the one that is
dither (`which_line`) give the waveform and its peak to peak (`waveform`).

What it misses: ripple that folds exactly onto the dither or onto one of its odd harmonics; a folded line that nobody
has seen beside the dither passes for changed dither. In noise alone it sees dither once in a million bursts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.dither.lines import Fit, Peak, Spectrum, fit_lines, levelled, peaks_of, spectrum
from asleft.judge.dither.waveform import waveform
from asleft.judge.dither.which_line import BAND_HZ, CLEAN, NEAR, STANDS_OUT, Expected, choose
from asleft.judge.types import FastBurst, FloatArray

__all__ = ["DitherBurst", "Expected", "measure_burst", "read_burst", "remembered"]

_SHORTEST_S, _FEWEST = 0.25, 64
_MOST_OTHERS = 6
_HARMONIC_LIMIT = 3.7
_MOST_HARMONIC = 41
_MOST_KNOWN = 12
#: In widths of a line: nearer than the first, two peaks are one; nearer than the second, they cannot be parted.
_SAME, _BLURRED = 0.5, 2.0
#: A burst is left out where what is left round the dither counts for this many times the noise
#: elsewhere, if that spoils the dither by this share.
_UNSTEADY, _SPOILT = 10.0, 0.01


@dataclass(frozen=True, slots=True)
class DitherBurst:
    """One burst's result; `amplitude_a` is 0 where no dither stands out of the noise.

    `frequency_u_hz` and `amplitude_u_a` are standard uncertainties from the noise of this burst; without dither the
    latter is what might still hide.
    """

    at_s: float
    frequency_hz: float
    amplitude_a: float
    noise_a: float  # standard deviation of what is left
    frequency_u_hz: float
    amplitude_u_a: float
    shape: str  # "sine", "triangle", "square", "other", or "none"


def measure_burst(burst: FastBurst, expected: Expected) -> DitherBurst | None:
    """Measure one burst; None if it cannot be measured (see `read_burst`)."""
    found = read_burst(burst, expected)
    return None if found is None else found[0]


def read_burst(burst: FastBurst, expected: Expected) -> tuple[DitherBurst, tuple[float, ...]] | None:
    """One burst's dither, and the frequencies of other lines in the band that stood beside it.

    None if the burst is shorter than 0.25 s, slower than 4 x 20 Hz, or holds failed readings.
    """
    values, rate_hz = np.asarray(burst.current_a, dtype=np.float64), burst.rate_hz
    n = values.size
    if n < _FEWEST or n / rate_hz < _SHORTEST_S or rate_hz < 4.0 * BAND_HZ[0] or not np.isfinite(values).all():
        return None
    level = levelled(values)
    shown = spectrum(level, rate_hz)
    trifle = 1e-9 * max(float(np.abs(values).max()), 1e-9)  # a reading that never moves has no lines
    width_hz = rate_hz / n
    lines = peaks_of(
        shown, least=max(STANDS_OUT * shown.noise, trifle), apart_hz=2.0 * width_hz, most=_MOST_OTHERS + 1,
        low_hz=0.5 * BAND_HZ[0],
    )  # fmt: skip
    chosen = choose(lines, shown, expected, width_hz, rate_hz)
    if chosen is None:
        noise = float(level.std())
        hidden = max(expected.least_a, 2.0 * STANDS_OUT * shown.noise)
        return DitherBurst(burst.start_s, math.nan, 0.0, noise, math.nan, hidden, "none"), ()
    fit, left = _fit(level, rate_hz, chosen, [p.hz for p in lines if p is not chosen], shown)
    noise = _local_noise(fit, left)
    sigma = noise * math.sqrt(2.0 / n)
    if noise > _UNSTEADY * left.noise * math.sqrt(n / 6.0) and sigma > _SPOILT * abs(fit.amplitude[0]):
        return None  # the mean moves so fast that it looks like dither
    wave = waveform(fit.harmonics, fit.amplitude, sigma)
    beside = tuple(
        hz
        for hz, size in zip(fit.other_hz, fit.other_size, strict=True)
        if BAND_HZ[0] <= hz <= BAND_HZ[1] and 2.0 * size >= expected.least_a
    )
    scale = sigma / (fit.noise * math.sqrt(2.0 / n)) if fit.noise > 0.0 else 1.0
    result = DitherBurst(burst.start_s, fit.hz, wave.peak_to_peak, fit.noise, fit.u_hz * scale, wave.u, wave.shape)
    return result, beside


def _fit(
    level: FloatArray, rate_hz: float, line: Peak, others: Sequence[float], shown: Spectrum
) -> tuple[Fit, Spectrum]:
    """Fit the dither with the harmonics it has and everything else that stands out, looking again at what is left."""
    width_hz = rate_hz / level.size
    harmonics = _clear(_harmonics(shown, line, rate_hz), line.hz, others, width_hz)
    kept = _single(others, line.hz, harmonics, width_hz, rate_hz)
    fit = fit_lines(level, rate_hz, line.hz, harmonics, kept)
    left = spectrum(fit.residual, rate_hz)
    for _ in range(2):
        more = _harmonics(left, Peak(fit.hz, abs(fit.amplitude[0])), rate_hz)
        wanted = _clear(tuple(sorted({*harmonics, *more})), fit.hz, fit.other_hz, width_hz, same=0.0)
        room = _MOST_OTHERS - len(fit.other_hz)
        new = [
            p.hz
            for p in peaks_of(left, least=STANDS_OUT * left.noise, apart_hz=1.0 * width_hz, most=max(room, 0) + 1)
            if all(abs(p.hz - hz) > 0.8 * width_hz for hz in (*fit.other_hz, fit.hz)) and p.hz > 0.25 * BAND_HZ[0]
        ]
        fresh = _single(new, fit.hz, wanted, width_hz, rate_hz)[: max(room, 0)]
        if wanted == harmonics and not fresh:
            break
        harmonics = wanted
        kept = [*_single(fit.other_hz, fit.hz, wanted, width_hz, rate_hz), *fresh]
        fit = fit_lines(level, rate_hz, fit.hz, harmonics, kept)
        left = spectrum(fit.residual, rate_hz)
    return fit, left


def _harmonics(shown: Spectrum, line: Peak, rate_hz: float) -> tuple[int, ...]:
    """Harmonics to fit: the third, further odd ones as far as any shows, and even ones that show."""
    top = min(int(CLEAN * rate_hz / line.hz - 1e-9), _MOST_HARMONIC)
    least = _HARMONIC_LIMIT * shown.noise
    # A harmonic of no current is larger than that of a square wave, 1/n: what is larger is something else.
    shows = [k for k in range(2, top + 1) if least < shown.at(k * line.hz) < 1.3 * line.size / k]
    odd = range(3, min(max([1, *shows]) + 2, top) + 1, 2)
    fitting = [k for k in odd if shown.at(k * line.hz) < 1.3 * line.size / k]
    return (1, *sorted({*fitting, *(k for k in shows if k % 2 == 0)}))


def _clear(
    harmonics: tuple[int, ...], base_hz: float, others: Sequence[float], width_hz: float, same: float = _SAME
) -> tuple[int, ...]:
    """Harmonics without those that a foreign line lies so near to that a burst cannot part the two."""
    return tuple(
        k
        for k in harmonics
        if k == 1 or not any(same * width_hz <= abs(f - k * base_hz) < _BLURRED * width_hz for f in others)
    )


def _single(
    hz: Sequence[float], base_hz: float, harmonics: Sequence[int], width_hz: float, rate_hz: float
) -> list[float]:
    """Those frequencies that are not harmonics of the wave being fitted, nor too near to the ends of the spectrum."""
    return [
        f
        for f in hz
        if all(abs(f - k * base_hz) > _SAME * width_hz for k in harmonics) and width_hz < f < 0.5 * rate_hz - width_hz
    ]


def _local_noise(fit: Fit, left: Spectrum) -> float:
    """Standard deviation of white noise as strong as what is left round the dither's first harmonics.

    Few bins tell a share only roughly: noise that may well be white is taken as white. What is more there than noise
    elsewhere counts double, because a mean that moves within the burst does not average out like noise.
    """
    # A Hann window shows white noise s as lines of rms s sqrt(6 / n).
    white = left.noise * math.sqrt(fit.residual.size / 6.0)
    if abs(fit.noise - white) <= 0.1 * white:
        white = fit.noise
    reach = (left.hz > 0.3 * fit.hz) & (left.hz < 3.5 * fit.hz)
    if left.noise <= 0.0 or not reach.any():
        return fit.noise
    share = float(np.mean(left.size[reach] ** 2)) / left.noise**2
    # Neighbouring bins of a padded, windowed spectrum go together: about one in three stands for itself.
    unsure = math.sqrt(3.0 / np.count_nonzero(reach))
    if abs(share - 1.0) <= 4.0 * unsure:
        return white
    return white * math.sqrt(share) * (2.0 if share > 1.0 else 1.0)


def remembered(
    known_hz: Sequence[float], found: DitherBurst, beside_hz: Sequence[float], left_hz: float | None
) -> list[float]:
    """Lines that are no dither, with those a burst showed beside dither where it was left; the newest 12."""
    out = list(known_hz)
    if found.amplitude_a <= 0.0 or left_hz is None or abs(found.frequency_hz - left_hz) > NEAR * left_hz:
        return out
    out += [hz for hz in beside_hz if not any(abs(hz - other) <= 0.01 * other for other in out)]
    return out[-_MOST_KNOWN:]

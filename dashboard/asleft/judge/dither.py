"""Dither from bursts: which line it is, its frequency (Hz) and amplitude (A, peak to peak), as found over a while.

A windowed spectrum finds the lines, least squares fit them together, and the harmonics of the one that is
dither give the waveform and its peak to peak.

What it misses: ripple that folds exactly onto the dither or onto one of its odd harmonics; a folded line that nobody
has seen beside the dither passes for changed dither. In noise alone it sees dither once in a million bursts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.spectrum import Fit, Peak, Spectrum, fit_lines, levelled, peaks_of, spectrum, waveform
from asleft.judge.types import FastBurst, FloatArray
from asleft.sheet.model import Sheet

# Which of a burst's lines is dither.
#
# - It lies between 20 and 500 Hz and is at least as large as asked;
# - near the as-left frequency before anything else, else the largest;
# - not hum: a line at a multiple of 50 or 60 Hz counts only if the sheet has its dither there, or if it has at least
#   half of the as-left size;
# - not ripple of the driver's switching, also where the sampling folds it into the band: a line that stood beside
#   the dither in earlier bursts is no dither once that has gone, nor is one far from the as-left frequency
#   whose wave is lopsided (a second harmonic over a tenth), which a switched current is and dither is not.

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


# Dither as found: frequency and amplitude from the bursts of a while, or why they are not observed.
#
# Bursts are weighted with what the noise of each allows. If they scatter more than that, what they scatter more is a
# variance between them (the moment estimate of DerSimonian & Laird, 1986), and the interval takes Student's quantile
# at the effective degrees of freedom of Welch and Satterthwaite (JCGM 100 G.4): noise of a burst is known from
# thousands of readings, a variance between bursts from a few bursts. What it misses: variation between bursts that
# two or three of them happen not to show.

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

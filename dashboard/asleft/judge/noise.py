"""What command and current carry besides their quantity: noise on the wire, noise of a reading, tones.

Wide-band noise on the wire of density S (two-sided, share of full squared times second) shows twice: in the command's
reading, through that reading's filter (time constant c), and in the current's, through driver, coil and that
reading's filter (time constants t1, t2 in a row). What either reading adds of its own is in neither other. Hence

    mean of x(t) x(t + h) = S e^(-h / c) / (2 c),                                         h > 0, x the command,
    mean of x(t) i(t + h) = S (t1 g(h; t1) - t2 g(h; t2)) / (t1 - t2),                    i the current, h any,
    g(h; t) = e^(-h / t) / (t + c) for h > 0 and e^(h / c) / (t + c) for h < 0

(covariances of white noise behind first-order filters: Papoulis, Probability, Random Variables and Stochastic
Processes, chapter on linear systems, from memory). S is the one unknown: least squares on the lags that are kept.
How wide the noise is beyond the filters does not matter. A level and a trend taken off each dwell take 2 S / (dwell's
length) with them. At the ends of the range the driver clips part of the noise: of normal noise of standard deviation
s about a mean m inside its end it passes on the share F(m / s), F the normal distribution (Price, IRE Transactions
on Information Theory 4, 1958, from memory), and a dwell there tells as much less.

Slow movement within dwells is in both readings too: see `_beside_slow`.

Missed: noise slower than some 0.1 s, which the command's level holds. Cries wolf: hum that gets into both readings on
their way to the recorder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from asleft.judge.medians import mean_of
from asleft.judge.types import FloatArray

_KEPT = 0.99
#: Lags of the cross products: so many, about this far apart.
LAGS = 4
_APART_S = 0.02
_FEWEST_SHARED = 24
#: At either end of a dwell the command may still move: the end of a controller's ramp, of a soft stroke (s).
_EDGE_S = 0.5
#: By how much less (chi-square) slow movement must leave of the products than noise does, to be what made them.
_SURELY = 16.0
_ENOUGH = 50.0
#: Demand within so many standard deviations of an end is clipped in part.
_NEAR_END = 4.0


@dataclass(frozen=True, slots=True)
class WireDensity:
    """Density of the wire's noise, its standard uncertainty, and the most there can be (share squared times second).

    The estimate is unbiased, and so may be below zero.
    """

    density_s: float = 0.0
    u_s: float = 0.0
    most_s: float = 0.0
    lag_s: float = 0.0  # by which the current follows, its reading's filter included


@dataclass(frozen=True, slots=True)
class SharedNoise:
    """Sums over settled dwells: readings, dwells, squares of either, products at each lag (shares of full, span)."""

    n: float = 0.0
    dwells: float = 0.0
    command: float = 0.0
    current: float = 0.0
    cross: tuple[float, ...] = (0.0,) * LAGS

    @classmethod
    def from_row(cls, row: list[float]) -> SharedNoise:
        """Inverse of `row`."""
        return cls(row[0], row[1], row[2], row[3], tuple(row[4:]))

    def row(self) -> list[float]:
        """As plain numbers."""
        return [self.n, self.dwells, self.command, self.current, *self.cross]

    def updated(self, command: FloatArray, current: FloatArray, interval_s: float, beside: FloatArray) -> SharedNoise:
        """With one more dwell of readings (n,); `beside` (n, k): tones of the current, taken out of both."""
        edge, apart = math.ceil(_EDGE_S / interval_s), spacing(interval_s)
        command, current, beside = (x[edge : x.shape[0] - edge] for x in (command, current, beside))
        n = command.size
        if n < max(_FEWEST_SHARED, 2 * LAGS * apart) or not math.isfinite(mean_of(current)):
            return self
        passed = _passed(mean_of(command), command)
        rows = np.vstack((np.ones(n), np.arange(n) / n - 0.5, beside.T))
        both = np.vstack((command, current))
        # A hair of ridge: a tone at half the sample rate has no sine.
        both = both - np.linalg.solve(rows @ rows.T + 1e-9 * n * np.eye(len(rows)), rows @ both.T).T @ rows
        x, i = both
        products = (float(x[: n - k * apart] @ i[k * apart :]) * n / (n - k * apart) for k in range(LAGS))
        share = passed**2
        return SharedNoise(
            _KEPT * self.n + share * n,
            _KEPT * self.dwells + share,
            _KEPT * self.command + share * float(x @ x),
            _KEPT * self.current + share * float(i @ i),
            tuple(_KEPT * old + passed * new for old, new in zip(self.cross, products, strict=True)),
        )

    def on_wire(
        self,
        alike: tuple[float, float, float],
        interval_s: float,
        command_lag_s: float | None,
        lags_s: tuple[float, float],
        delay_s: float,
    ) -> WireDensity:
        """What is on the wire.

        `alike`: the command's number of readings, variance, and mean product of neighbours. `command_lag_s`: time
        constant of its filter; None where too fast to show. `lags_s`: the two of the current, which answers
        `delay_s` later than they make it, counted as strokes do: from the wire plus the command's own lag.

        The most there can be is all of the command's scatter behind its filter; a fifth of an interval is taken for
        one that is too fast to show. Where more than that is found, it may be up to the density of readings that have
        nothing in common with their neighbours, interval x variance: sampling adds to the wire's own what folds down
        to slow frequencies, and takes nothing away.
        """
        n, variance, neighbours = alike
        total_s = sum(lags_s)
        c = command_lag_s if command_lag_s is not None else 0.2 * interval_s
        if n < _ENOUGH or variance <= 0.0:
            return WireDensity(lag_s=total_s)
        most = 2.0 * c * variance
        shapes, values, variances = [], [], []
        if command_lag_s is not None:
            shapes.append(math.exp(-interval_s / c) / (2.0 * c))
            values.append(neighbours)
            variances.append(variance**2 / n)
        if self.n >= _ENOUGH and self.command > 0.0 and self.current > 0.0:
            apart_s = spacing(interval_s) * interval_s
            taken = 2.0 * self.dwells / (self.n * interval_s)
            shapes += [_shared(k * apart_s - delay_s - c, c, lags_s) - taken for k in range(LAGS)]
            values += [product / self.n for product in self.cross]
            variances += [self.command * self.current / self.n**3] * LAGS
        shape, value, weight = np.array(shapes), np.array(values), 1.0 / np.array(variances)
        information = float(shape**2 @ weight)
        if information <= 0.0:
            return WireDensity(0.0, most, most, total_s)
        found, u = float((shape * weight) @ value) / information, 1.0 / math.sqrt(information)
        beside = _beside_slow(shape[-LAGS:], value[-LAGS:], weight[-LAGS:])
        found, u = (found, u) if beside is None else beside
        if command_lag_s is None and found > _CHANCE * u:
            most = max(most, min(found + 2.0 * u, interval_s * variance))
        return WireDensity(found, min(u, most), most, total_s)


def _beside_slow(shape: FloatArray, value: FloatArray, weight: FloatArray) -> tuple[float, float] | None:
    """The density beside slow movement and its standard uncertainty; None where the products show no such movement.

    What moves command and current slowly (two levels that lie near each other, the end of a soft stroke) has the same
    product at all lags, or one that falls evenly; noise that is wide makes it rise and fall within the current's lag.
    So where a level and a slope explain the products and noise alone does not, noise is what they leave.
    """
    if shape.size < LAGS:
        return None
    root = np.sqrt(weight)
    q, _ = np.linalg.qr((np.stack([np.ones(LAGS), np.arange(LAGS)]) * root).T)
    bent, left = (x * root - q @ (q.T @ (x * root)) for x in (shape, value))
    alone = value - shape * float((shape * weight) @ value) / float(shape**2 @ weight)
    slow, noisy, information = float(left @ left), float(alone**2 @ weight), float(bent @ bent)
    if slow > _CHANCE**2 or noisy < slow + _SURELY or information <= 0.0:
        return None
    return float(bent @ left) / information, 1.0 / math.sqrt(information)


def _passed(mean: float, command: FloatArray) -> float:
    """Share of the command's noise that a driver passes on which clips what it gets to 0..1."""
    off = command - mean
    sd = math.sqrt(float(off @ off) / command.size) + 1e-9
    inside = min(mean, 1.0 - mean) / sd
    return 1.0 if inside > _NEAR_END else 0.5 * math.erfc(-max(inside, -_NEAR_END) / math.sqrt(2.0))


def spacing(interval_s: float) -> int:
    """Samples between the lags that are kept."""
    return max(round(_APART_S / interval_s), 1)


def _shared(later_s: float, command_s: float, lags_s: tuple[float, float]) -> float:
    """Mean of command times current `later_s` on, for noise of density 1 (1/s)."""
    slow, fast = lags_s
    fast = max(min(fast, 0.999 * slow), 1e-6 * slow)  # a single lag has none beside it

    def alone(lag_s: float) -> float:
        fall = later_s / lag_s if later_s > 0.0 else -later_s / command_s
        return math.exp(-min(fall, 700.0)) / (lag_s + command_s)

    return (slow * alone(slow) - fast * alone(fast)) / (slow - fast)


# Noise of the command on its wire, and what the driver makes of it at the ends of its range.
#
# A driver clips what it gets to 0..1. At 0 % command, noise of standard deviation s therefore lets s / sqrt(2 pi)
# through on average and at 100 % takes as much away: with 0.1 % of noise a current is 0.4 mA off per ampere. The
# mean of max(u + n, 0) with normal n is u F(u/s) + s f(u/s) (a censored normal variable; Tobin, Econometrica 26,
# 1958, from memory).
#
# Only part of what the command's reading shows is on the wire, the rest is the reading's own. What is on the wire
# has gone through the reading's filter and is alike from one sample to the next; the own noise comes after it and is
# not. How much wider the driver's band is than the reading's is not known: twice as much noise, give or take a
# third.

_WIDER, _WIDER_U = 2.2, 0.7
_FEWEST_OF_COMMAND = 50.0
#: Of a driver's input, two poles' worth (common practice for inputs of some milliseconds).
_BAND_HZ = 100.0
#: Likeness of neighbours under this many standard errors is chance.
_CHANCE = 3.0


@dataclass(frozen=True, slots=True)
class WireNoise:
    """Standard deviation of the demand's noise as the driver gets it (share of full), and its own uncertainty."""

    sd: float = 0.0
    u: float = 0.0
    density: WireDensity = WireDensity()


QUIET_WIRE = WireNoise()


@dataclass(frozen=True, slots=True)
class CommandNoise:
    """Sums over settled dwells: readings, their squares and products of neighbours (means taken off)."""

    n: float = 0.0
    squares: float = 0.0
    products: float = 0.0

    def updated(self, demand: FloatArray) -> CommandNoise:
        """With one more dwell, shape (n,)."""
        if demand.size < 8:
            return self
        centred = demand - demand.mean()
        squares = float(centred @ centred)
        # A mean of n readings takes (1 + 2 rho) / n of the variance with it, also from the products.
        products = float(centred[1:] @ centred[:-1]) + squares / demand.size
        return CommandNoise(
            _KEPT * self.n + demand.size, _KEPT * self.squares + squares, _KEPT * self.products + products
        )

    def on_wire(self, keep: float) -> WireNoise:
        """What of it the driver gets. `keep`: share of a step still missing one reading later (the filter)."""
        if self.n < _FEWEST_OF_COMMAND or self.squares <= 0.0:
            return WireNoise()
        variance, alike = self.squares / self.n, self.products / self.n
        chance = variance / math.sqrt(self.n)
        if alike < _CHANCE * chance:
            return WireNoise(0.0, 0.5 * _WIDER * math.sqrt(chance / keep))
        filtered = math.sqrt(alike / keep)
        return WireNoise(_WIDER * filtered, math.hypot(_WIDER_U * filtered, _WIDER * 0.5 * chance / keep / filtered))

    def unfiltered(self, density: WireDensity) -> WireNoise:
        """The same where the reading has no filter that shows: by the noise that command and current share.

        A driver's input passes some `_BAND_HZ` (noise of density S then has the variance 2 `_BAND_HZ` S); of what is
        on the wire no more can be there than the reading shows. Where the current is silent on it half is the guess.
        """
        if self.n < _FEWEST_OF_COMMAND or self.squares <= 0.0:
            return WireNoise()
        sd = math.sqrt(self.squares / self.n)
        if density.u_s <= 0.0 or 2.0 * _BAND_HZ * density.u_s > 0.25 * sd * sd:
            return WireNoise(0.5 * sd, 0.3 * sd)
        if density.density_s < _CHANCE * density.u_s:
            may_be_s = density.u_s + max(density.density_s, 0.0)
            return WireNoise(0.0, min(math.sqrt(2.0 * _BAND_HZ * may_be_s), 0.5 * sd))
        least, most = math.sqrt(min(2.0 * _BAND_HZ * density.density_s, sd * sd)), sd
        return WireNoise(0.5 * (least + most), (most - least) / math.sqrt(12.0) + _WIDER_U / _WIDER * 0.5 * least)


def driver_demand(demand: float, wire_sd: float) -> float:
    """Mean demand that a driver takes from a command of mean `demand` (0..1) with noise `wire_sd`."""
    if wire_sd <= 0.0:
        return min(max(demand, 0.0), 1.0)
    return _censored(demand, wire_sd) - _censored(demand - 1.0, wire_sd)


def by_noise(demand: float, wire_sd: float) -> float:
    """Derivative of `driver_demand` by `wire_sd`; 0.4 at zero command, -0.4 at full, none between."""
    if wire_sd <= 0.0:
        wire_sd = 1e-9
    return _density(demand / wire_sd) - _density((demand - 1.0) / wire_sd)


def _censored(mean: float, sd: float) -> float:
    """Mean of max(mean + noise, 0)."""
    z = mean / sd
    return mean * 0.5 * math.erfc(-z / math.sqrt(2.0)) + sd * _density(z)


def _density(z: float) -> float:
    return math.exp(-0.5 * min(z * z, 1400.0)) / math.sqrt(2.0 * math.pi)


def leftover(step: float, sd: float) -> float:
    """What a converter of step `step` leaves in the mean of readings that scatter by `sd` (standard uncertainty).

    The Fourier series of the converter's error behind Gaussian noise, twenty terms; the scatter of the readings holds
    the converter's own step^2 / 12 (Widrow and Kollar, Quantization Noise, from memory).
    """
    if step <= 0.0:
        return 0.0
    noise2 = max((sd / step) ** 2 - 1.0 / 12.0, 0.0)
    k = np.arange(1, 21)
    return (
        step / (math.pi * math.sqrt(2.0)) * float(np.sqrt(np.sum(np.exp(-4.0 * (math.pi * k) ** 2 * noise2) / k**2)))
    )


# Dither that the slow current reading shows as a tone at another frequency (aliased), so that fits can take it out.
#
# Sampled too slowly, dither of frequency f looks like one of |f - k rate|: no noise, but a sine of constant
# amplitude. Left in, it bends short ramps by a per cent or two; taken as noise, it widens every uncertainty. Its
# frequency is followed from dwell to dwell, its amplitude and phase are free in each stroke.
#
# Missed: a tone slower than two periods per dwell (it looks like drift), one of jittered sample times, harmonics.
# Cries wolf in white noise less than once in a million dwells (a peak over 20 times the mean power is e^-20 a bin).

_FEWEST_OF_TONE = 48
_MOST = 512
_STANDS_OUT = 20.0
#: Tones nearer than this are one (Hz); beside the resolution of the two dwells.
_SAME_HZ = 0.15
_KEPT_OF_TONE = 0.9


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
    if time_s.size < _FEWEST_OF_TONE:
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
        old = _KEPT_OF_TONE * self.precision
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

"""What repetition does not shrink: calibration, aliased dither, clipped noise, converters, the driver's clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import Protocol

import numpy as np
from asleft.judge.driver.currents import CurrentLine
from asleft.judge.features import Dwell, Stroke
from asleft.judge.noise import WireNoise, leftover
from asleft.judge.ramp_fit.ramps import beyond_chance
from asleft.sheet.model import MadeBy, Sheet

#: Mean of normal noise of one standard deviation with its negative half cut off: 1 / sqrt(2 pi).
_CLIPPED_NOISE = 0.4
#: Dither may run this far from its frequency as left and still be as left (Hz).
_FREQUENCY_HZ = 0.5
#: Dither (share of the span, root mean square of what is set, peak to peak) and its lowest frequency (Hz).
_USUAL_DITHER, _SLOWEST_DITHER_HZ = 0.082, 60.0
#: Offsets of both ends that differ by less than this share are one; under this share of tolerance they are none.
_ALIKE, _MOVED = 0.1, 0.15
#: Gain error of a reading as unsure at either end of its range: pi / 2 over a range half as long again as the signal.
_GAIN = 1.1
#: A ramp shorter than the lag is told from it by when a step was read: to this share of a sample interval.
_READ_WITHIN = 0.5
#: A third time constant beside the two of a lag, standard uncertainty: a tenth of them, as a ramp (see below).
_THIRD_LAG = 0.1 * math.sqrt(12.0) / math.sqrt(3.0)
#: Error of a slope by what its line leaves of a bend.
_WORST_BEND = (6.0 / math.pi) / math.sqrt(0.5 - 3.0 / math.pi**2)
#: Noise on the wire reaches a limiter up to this (Hz) at the most, and is followed where it is so slow.
_WIDEST_HZ, _FOLLOWS = 300.0, 0.6
#: Drivers count time too: no slower than this (s).
_DRIVER_STEP_S = 0.005


class Readings(Protocol):
    """What is known of the readings of a valve."""

    @property
    def wire(self) -> WireNoise:
        """Noise of the command that the driver gets."""
        ...

    @property
    def demand_step(self) -> float:
        """The command converter's step, share of full."""
        ...

    @property
    def demand_noise(self) -> float:
        """Of one reading of the command, share of full."""
        ...

    @property
    def interval_s(self) -> float:
        """Sample interval."""
        ...

    @property
    def resolution_a(self) -> float:
        """The current converter's step."""
        ...

    @property
    def current_noise_a(self) -> float:
        """Of one reading of the current."""
        ...


def instrument_u(sheet: Sheet, channel: str) -> float:
    """Standard uncertainty of a channel's calibration, 0 if the sheet does not give it."""
    instrument = sheet.instruments.get(channel)
    if instrument is None or instrument.expanded_uncertainty is None:
        return 0.0
    return instrument.expanded_uncertainty / 2.0


def current_systematic(
    sheet: Sheet, span_a: float, dwells: Sequence[Dwell], interval_s: float, beat_a: float = 0.0
) -> float:
    """Calibration of current and command readings, and dither that may have aliased into the slow samples.

    `beat_a`: amplitude of what was seen of such dither, and taken off.
    """
    total = instrument_u(sheet, "current") ** 2
    command = instrument_u(sheet, "command") / abs(sheet.signal.at_full - sheet.signal.at_zero)
    total += (span_a * command) ** 2
    readings = sum(d.n for d in dwells) / len(dwells)
    aliased_a2 = _aliased_dither_a(sheet, len(dwells), readings, interval_s) ** 2
    return math.sqrt(total + max(aliased_a2 - 0.5 * beat_a**2, 0.0))


def unequal_ramps(sheet: Sheet, wire: WireNoise) -> tuple[float, float]:
    """How far noise on the wire moves the demand behind unequal ramps (share of full), and its standard uncertainty.

    A limiter that rises 1/up and falls 1/down in a second, and is slow beside the noise, rests where it rises as
    often as the ratio of both asks for: with noise of standard deviation s where the noise is above it with
    probability up / (up + down), so at -s times the normal quantile of that. As far as it follows the noise it stays:
    what is left is the share 1 / (1 + (k / 0.6)^2), k = time constant of the noise / (s sqrt(up down)), to a tenth
    (fitted to a simulated limiter; a test simulates one again). Up to which band the noise goes no channel tells:
    anything from none of this to all at `_WIDEST_HZ`, evenly.
    """
    up_s, down_s = sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0)
    if sheet.signal.made_by is MadeBy.CONTROLLER_RAMPS or min(up_s, down_s) <= 0.0 or wire.sd <= 0.0:
        return 0.0, 0.0
    slow = 1.0 / (2.0 * math.pi * _WIDEST_HZ) / (wire.sd * math.sqrt(up_s * down_s))
    most = NormalDist().inv_cdf(up_s / (up_s + down_s)) / (1.0 + (slow / _FOLLOWS) ** 2)
    return -0.5 * most * wire.sd, abs(most) * math.hypot(wire.sd / math.sqrt(12.0), 0.5 * wire.u)


def _aliased_dither_a(sheet: Sheet, dwells: int, readings: float, interval_s: float) -> float:
    """What dither of the as-left size may leave in the mean current (standard uncertainty, A).

    A first-order low-pass leaves 1 / sqrt(1 + (f / f_low_pass)^2) of it; an unfiltered reading all. Dither at nearly
    a multiple of the sample rate turns into a standing offset; at other rates it averages out within and over
    `dwells` of `readings` samples each.
    """
    amplitude, frequency = sheet.as_left.get("dither_amplitude"), sheet.as_left.get("dither_frequency")
    if not amplitude:
        return 0.0
    instrument = sheet.instruments.get("current")
    rms = amplitude / (2.0 * math.sqrt(2.0))
    if instrument is not None and instrument.low_pass_hz is not None and frequency is not None:
        rms /= math.hypot(1.0, frequency / instrument.low_pass_hz)
    if not frequency:
        return rms / math.sqrt(max(dwells, 1))
    beat_hz = abs(frequency * interval_s - round(frequency * interval_s)) / interval_s
    beat_hz -= max(_FREQUENCY_HZ, 0.002 * frequency)  # it need not be just the one of the sheet
    if beat_hz < 1.0:
        return rms
    # The mean of n samples of a sine of beat f dt turns a sample is at most 1 / (n sin(pi f dt)) of its amplitude.
    return rms * min(1.0, 1.0 / (readings * math.sin(math.pi * beat_hz * interval_s))) / math.sqrt(max(dwells, 1))


def hidden_dither_a(sheet: Sheet, line: CurrentLine, span_a: float) -> float:
    """What dither that the sheet does not give may leave in readings without any tone (standard uncertainty, A).

    Dither at a multiple of the sample rate meets every sample at one phase: it has no tone and moves all currents by
    one offset, of up to half of it peak to peak. So where both ends lie off the sheet by one and the same, that may
    be all there is to it. Dither is set to 3 to 15 % of the span peak to peak (common practice; evenly in the
    logarithm, 8.2 % root mean square), a sine at an unknown phase has 1 / sqrt(8) of that. 0 where the sheet gives
    the dither, where nothing has moved, or the ends by different amounts: an offset that hides another is left out.
    """
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    tolerance = sheet.tolerance.get("current_at_full")
    if zero is None or full is None or tolerance is None or sheet.as_left.get("dither_amplitude") is not None:
        return 0.0
    off = (line.at_zero_a - zero, line.at_full_a - full)
    own = math.hypot(line.se_zero_a, line.se_full_a)
    alike = abs(off[0] - off[1]) <= 3.0 * own + _ALIKE * max(abs(off[0]), abs(off[1]))
    if not alike or min(abs(off[0]), abs(off[1])) < max(3.0 * own, _MOVED * min(tolerance.below, tolerance.above)):
        return 0.0
    instrument = sheet.instruments.get("current")
    share = _USUAL_DITHER / math.sqrt(8.0)
    if instrument is not None and instrument.low_pass_hz is not None:
        share /= math.hypot(1.0, _SLOWEST_DITHER_HZ / instrument.low_pass_hz)
    return share * span_a


def stroke_size(stroke: Stroke, *, rising: bool) -> float:
    """How far the command went up, or down, in a stroke; one of several moves at least as far as its ramp went."""
    straight = stroke.high_demand - stroke.from_demand if rising else stroke.from_demand - stroke.low_demand
    held_s, ramp_s = (stroke.active_up_s, stroke.own_up_s) if rising else (stroke.active_down_s, stroke.own_down_s)
    ramped = held_s / ramp_s if ramp_s > 0.0 else 0.0
    return max(straight, min(ramped, stroke.high_demand - stroke.low_demand))


def clipped_share(carriers: Sequence[Stroke], clipped: float, *, rising: bool) -> float:
    """By which share a ramp is longer than told by strokes at whose ends the driver clips `clipped` more of noise.

    Normal noise of standard deviation s clipped at an end moves the mean there by 0.4 s into the range, and the
    stroke is shorter by as much.
    """
    if not carriers:
        return 0.0
    stroke = math.sqrt(float(np.mean([stroke_size(s, rising=rising) ** 2 for s in carriers])))
    ends = sum((s.low_demand < 0.01) + (s.high_demand > 0.99) for s in carriers) / len(carriers)
    return ends * _CLIPPED_NOISE * clipped / stroke if stroke > 0.0 else 0.0


def ramp_systematic(
    sheet: Sheet,
    seen: Readings,
    ramp_s: float,
    carriers: Sequence[Stroke],
    line: CurrentLine | None = None,
    *,
    rising: bool,
) -> float:
    """Standard uncertainty (s) of a ramp beside its repeatability: the command's gain and noise, the driver's clock.

    A stroke D of the command is read with the gain error of its reading (`_GAIN`); at the ends of the range noise may
    be clipped (`line` tells how much; all of it or none otherwise); converters leave a share of their step in either
    level. A driver that counts in steps h ends a ramp up to h late and makes it h^2 / (6 D^2 T) longer on average;
    its step is anything up to `_DRIVER_STEP_S`, and the root mean square of h^2 then 1 / sqrt 5 of the largest. A
    ramp that is over within half of the lag looks like lag, and is known by the instants of samples alone; the lag
    itself is more than two time constants: a third of a tenth of them spreads a step like a ramp of sqrt 12 of that
    (equal variance of the answer to an impulse). A command beyond its range is followed by some drivers and not by
    others. What the model does not explain of a stroke: see `misfit_u_s`.
    """
    sizes = np.array([stroke_size(s, rising=rising) for s in carriers])
    stroke = math.sqrt(float(np.mean(sizes**2)))
    span = abs(sheet.signal.at_full - sheet.signal.at_zero)
    span_a = sheet.as_left.get("current_at_full", 0.0) - sheet.as_left.get("current_at_zero", 0.0)
    gain = _GAIN * instrument_u(sheet, "command") / span
    open_sd = math.hypot(seen.wire.u, 0.5 * seen.wire.sd) if line is None else line.more_clipped_u
    clipped = clipped_share(carriers, open_sd, rising=rising)
    counted = _DRIVER_STEP_S**2 / (6.0 * math.sqrt(5.0) * stroke**2 * max(ramp_s, _DRIVER_STEP_S))
    rough = leftover(seen.demand_step, seen.demand_noise)
    if span_a > 0.0:
        rough = math.hypot(rough, leftover(seen.resolution_a, seen.current_noise_a) / span_a)
    stepped = math.sqrt(2.0) * rough / stroke
    lag_s = float(np.median([s.own_lag_s for s in carriers]))
    hidden_s = math.hypot(_READ_WITHIN * seen.interval_s, _THIRD_LAG * lag_s) / stroke
    hidden_s /= 1.0 + (2.0 * ramp_s * stroke / max(lag_s, 1e-6)) ** 4
    beyond = [max(s.high_demand - 1.0, -s.low_demand) - 4.0 * seen.demand_noise for s in carriers]
    followed = max(float(np.mean(beyond)), 0.0) / math.sqrt(3.0) / stroke
    return math.hypot(
        ramp_s * gain,
        ramp_s * clipped,
        ramp_s * stepped,
        counted,
        hidden_s,
        ramp_s * followed,
        misfit_u_s(carriers, seen.interval_s, rising=rising),
    )


def misfit_u_s(carriers: Sequence[Stroke], interval_s: float, *, rising: bool) -> float:
    """What a law that bends within strokes leaves of a ramp (standard uncertainty, s), by what the fit leaves of it.

    The line through a bend g of the current over a stroke of x = 0..1 has another slope than the law by
    12 * integral of g (x - 1/2); of g = A sin(2 pi x) that is 6 A / pi, and what it leaves has the standard deviation
    A sqrt(1/2 - 3 / pi^2), 1/4.3 of it. Such a bend is the worst of its size, and no repetition lowers it. Chance
    gives a stroke of n samples with reduced chi-square c a ramp known to s sqrt(12 c / n) / D for noise s, while the
    bend leaves s sqrt(c - 1): so the ramp is off by its own standard uncertainty times 4.3 sqrt((1 - 1 / c) n / 12).
    The median over strokes by their information: a bend shows in every one, what disturbs some is none.
    """
    offsets = []
    for s in carriers:
        held_s, information = (s.active_up_s, s.h00) if rising else (s.active_down_s, s.h11)
        n = held_s / interval_s
        chi2 = max(beyond_chance(s.chi2, n), 1.0)
        off_s = _WORST_BEND * math.sqrt((1.0 - 1.0 / chi2) * n / 12.0 / information) if information > 0.0 else 0.0
        offsets.append((off_s, information))
    offsets.sort()
    half, sum_to = 0.5 * sum(information for _, information in offsets), 0.0
    for off_s, information in offsets:
        sum_to += information
        if sum_to >= half:
            return off_s
    return 0.0

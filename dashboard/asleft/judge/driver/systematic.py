"""What repetition does not shrink: calibration, aliased dither, clipped noise, converters, the driver's clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

import numpy as np
from asleft.judge.features import Dwell, Stroke
from asleft.judge.noise.command_noise import WireNoise, leftover
from asleft.sheet.model import Sheet

#: Mean of normal noise of one standard deviation with its negative half cut off: 1 / sqrt(2 pi).
_CLIPPED_NOISE = 0.4
#: Dither may run this far from its frequency as left and still be as left (Hz).
_FREQUENCY_HZ = 0.5
#: Gain error of a reading as unsure at either end of its range: pi / 2 over a range half as long again as the signal.
_GAIN = 1.1
#: A ramp shorter than the lag is told from it by when a step was read: to this share of a sample interval.
_READ_WITHIN = 0.5
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


def current_systematic(sheet: Sheet, span_a: float, dwells: Sequence[Dwell], interval_s: float) -> float:
    """Calibration of current and command readings, and dither that may have aliased into the slow samples."""
    total = instrument_u(sheet, "current") ** 2
    command = instrument_u(sheet, "command") / abs(sheet.signal.at_full - sheet.signal.at_zero)
    total += (span_a * command) ** 2
    readings = sum(d.n for d in dwells) / len(dwells)
    return math.sqrt(total + _aliased_dither_a(sheet, len(dwells), readings, interval_s) ** 2)


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


def stroke_size(stroke: Stroke, *, rising: bool) -> float:
    """How far the command went up, or down, in a stroke; one of several moves at least as far as its ramp went."""
    straight = stroke.high_demand - stroke.from_demand if rising else stroke.from_demand - stroke.low_demand
    held_s, ramp_s = (stroke.active_up_s, stroke.own_up_s) if rising else (stroke.active_down_s, stroke.own_down_s)
    ramped = held_s / ramp_s if ramp_s > 0.0 else 0.0
    return max(straight, min(ramped, stroke.high_demand - stroke.low_demand))


def ramp_systematic(
    sheet: Sheet, seen: Readings, ramp_s: float, carriers: Sequence[Stroke], *, rising: bool
) -> float:
    """Standard uncertainty (s) of a ramp beside its repeatability: the command's gain and noise, the driver's clock.

    A stroke D of the command is read with the gain error of its reading (`_GAIN`); at the ends of the range noise is
    clipped; converters leave a share of their step in either level. A driver that counts in steps h ends a ramp up
    to h late and makes it h^2 / (6 D^2 T) longer on average; its step is anything up to `_DRIVER_STEP_S`, and the
    root mean square of h^2 then 1 / sqrt 5 of the largest. A ramp that is over within half of the lag looks like lag,
    and is known by the instants of samples alone.
    """
    sizes = np.array([stroke_size(s, rising=rising) for s in carriers])
    stroke = math.sqrt(float(np.mean(sizes**2)))
    span = abs(sheet.signal.at_full - sheet.signal.at_zero)
    span_a = sheet.as_left.get("current_at_full", 0.0) - sheet.as_left.get("current_at_zero", 0.0)
    gain = _GAIN * instrument_u(sheet, "command") / span
    ends = sum((s.low_demand < 0.01) + (s.high_demand > 0.99) for s in carriers) / len(carriers)
    clipped = ends * _CLIPPED_NOISE * seen.wire.u / stroke
    counted = _DRIVER_STEP_S**2 / (6.0 * math.sqrt(5.0) * stroke**2 * max(ramp_s, _DRIVER_STEP_S))
    rough = leftover(seen.demand_step, seen.demand_noise)
    if span_a > 0.0:
        rough = math.hypot(rough, leftover(seen.resolution_a, seen.current_noise_a) / span_a)
    stepped = math.sqrt(2.0) * rough / stroke
    lag_s = float(np.median([s.own_lag_s for s in carriers]))
    hidden_s = _READ_WITHIN * seen.interval_s / stroke / (1.0 + (2.0 * ramp_s * stroke / max(lag_s, 1e-6)) ** 4)
    return math.hypot(ramp_s * gain, ramp_s * clipped, ramp_s * stepped, counted, hidden_s)

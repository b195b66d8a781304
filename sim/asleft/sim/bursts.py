"""Fast stretches of coil current as an instrument with its own buffer takes them: dither and PWM ripple show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from asleft.sim.coil import resistance_ohm, ripple_wave_a
from asleft.sim.converter import LEAST_DITHERED_A
from asleft.sim.dither import wave
from asleft.sim.model import ValveModel

FloatArray = npt.NDArray[np.float64]
Int16Array = npt.NDArray[np.int16]

#: Points per period at which the ripple is computed before its harmonics beyond the instrument's band are dropped.
_POINTS = 64


@dataclass(eq=False, frozen=True, slots=True)
class FastBurst:
    """Coil current, evenly sampled from `start_s` (unix s); counts (n,), value = offset + scale * count."""

    start_s: float
    rate_hz: float
    counts: Int16Array
    scale: float
    offset: float

    def values(self) -> FloatArray:
        """Coil current in A, (n,)."""
        return np.asarray(self.offset + self.scale * self.counts.astype(np.float64))


def band_limited_ripple_a(
    phase: FloatArray, model: ValveModel, supply_v: float, coil_degc: float, mean_a: float, cut_hz: float
) -> FloatArray:
    """PWM ripple (A) at `phase` (PWM periods) without the harmonics above `cut_hz`; shape of `phase`."""
    ohm = float(resistance_ohm(np.array(model.coil_resistance_ohm), np.array(coil_degc))) + model.cable_resistance_ohm
    voltage_v = supply_v - model.driver_drop_v
    duty = min(model.duty_max, max(0.0, mean_a * ohm / voltage_v)) if voltage_v > 0 else 0.0
    out = np.zeros_like(phase)
    if not 0.001 < duty < 0.999:
        return out
    one = ripple_wave_a(
        np.arange(_POINTS) / _POINTS, voltage_v, ohm, model.coil_inductance_h, duty, model.pwm_frequency_hz
    )
    lines = np.fft.rfft(one) / _POINTS
    for n in range(1, min(_POINTS // 2, int(cut_hz / model.pwm_frequency_hz) + 1)):
        if n * model.pwm_frequency_hz > cut_hz:
            break
        turn = 2.0 * np.pi * n * phase
        out += 2.0 * (lines[n].real * np.cos(turn) - lines[n].imag * np.sin(turn))
    return out


def burst(
    model: ValveModel,
    *,
    start_s: float,
    since_s: float,
    slow_a: FloatArray,
    slow_rate_hz: float,
    dither_a: float,
    dither_phase: float,
    supply_v: float,
    coil_degc: float,
    rng: np.random.Generator,
) -> FastBurst:
    """One burst beginning at `start_s`, `since_s` after the lane's start, round the mean current `slow_a` (m,).

    The instrument's low-pass is flat to its corner here; what lies above half of the rate is gone.
    """
    count = round(model.burst_s * model.burst_rate_hz)
    time_s = np.arange(count) / model.burst_rate_hz
    mean_a = np.interp(time_s, np.arange(slow_a.size) / slow_rate_hz, slow_a)
    on = mean_a > LEAST_DITHERED_A
    cut_hz = min(model.burst_sensor.low_pass_hz, 0.5 * model.burst_rate_hz)
    current_a = mean_a.copy()
    if dither_a > 0 and model.dither_frequency_hz > 0:
        phase = dither_phase + model.dither_frequency_hz * (since_s + time_s)
        shape = wave(
            phase, model.dither_shape, model.dither_frequency_hz, model.coil_time_constant_s, highest_hz=cut_hz
        )
        current_a += 0.5 * dither_a * shape * on
    ripple_phase = model.pwm_frequency_hz * (since_s + time_s)
    current_a += band_limited_ripple_a(ripple_phase, model, supply_v, coil_degc, float(mean_a.mean()), cut_hz) * on
    sensor = model.burst_sensor
    current_a += sensor.noise * rng.standard_normal(count)
    full = 2**sensor.bits - 1
    counts = np.clip(np.rint((current_a - sensor.low) / sensor.scale), -(full // 20), full).astype(np.int16)
    return FastBurst(start_s, model.burst_rate_hz, counts, sensor.scale, sensor.low)

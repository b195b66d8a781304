"""The solenoid: copper resistance, what a supply can drive through it, ripple of the switched driver, heating.

All functions work on floats and on numpy arrays alike, element by element.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Temperature coefficient of copper's resistance at 20 degC, 1/K (IEC 60028).
COPPER_PER_K = 0.00393
REFERENCE_DEGC = 20.0


def resistance_ohm(at_20_ohm: FloatArray, temperature_degc: FloatArray) -> FloatArray:
    """Resistance (ohm) of a copper winding at `temperature_degc`, linear law referred to 20 degC (IEC 60028)."""
    return np.asarray(at_20_ohm * (1.0 + COPPER_PER_K * (temperature_degc - REFERENCE_DEGC)))


def saturation_current_a(
    supply_v: FloatArray,
    drop_v: FloatArray,
    duty_max: FloatArray,
    winding_ohm: FloatArray,
    cable_ohm: FloatArray,
    source_ohm: FloatArray,
) -> FloatArray:
    """Largest mean current (A) the driver can hold: (V - I Rs - drop) duty = I (R + Rc), solved for I; >= 0."""
    return np.asarray(
        np.maximum(0.0, (supply_v - drop_v) * duty_max / (winding_ohm + cable_ohm + source_ohm * duty_max))
    )


def steady_temperature_degc(
    ambient_degc: float, mean_square_a2: float, at_20_ohm: float, thermal_k_per_w: float
) -> float:
    """Temperature (degC) at which the heat of a mean square current leaves as fast as it is made.

    T = Ta + K I^2 R20 (1 + a (T - 20)), solved for T. The copper's own rise can run away in principle
    (K I^2 R20 a >= 1); real coils are far from it, and so are the permitted parameters.
    """
    rise_k = thermal_k_per_w * mean_square_a2 * at_20_ohm
    gain = rise_k * COPPER_PER_K
    if gain >= 0.9:
        raise ValueError(
            f"the coil would run away: {mean_square_a2:.3g} A^2, {at_20_ohm:.3g} ohm, {thermal_k_per_w:.3g} K/W"
        )
    return (ambient_degc + rise_k * (1.0 - COPPER_PER_K * REFERENCE_DEGC)) / (1.0 - gain)


def ripple_wave_a(
    phase: FloatArray, voltage_v: float, ohm: float, henry: float, duty: float, frequency_hz: float
) -> FloatArray:
    """Ripple round its mean (A) of an ideal switched RL circuit in steady state at `phase` (periods, any real).

    Closed form, shape of `phase`; on from phase 0 to `duty`. From its lowest to its highest value it is
    (V/R) (1 - e^(-DT/tau)) (1 - e^(-(1-D)T/tau)) / (1 - e^(-T/tau)), tau = L/R, T = 1/f.
    """
    periods = 1.0 / (frequency_hz * henry / ohm)
    full_a = voltage_v / ohm
    lowest = full_a * np.expm1(duty * periods) / np.expm1(periods)
    where = np.mod(phase, 1.0)
    rising = full_a + (lowest - full_a) * np.exp(-where * periods)
    highest = full_a + (lowest - full_a) * np.exp(-duty * periods)
    falling = highest * np.exp(-(where - duty) * periods)
    return np.asarray(np.where(where < duty, rising, falling) - full_a * duty)

"""The valve's own law: pressure it allows for a spool force, and how oil changes it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Oil temperature (degC) at which the commissioned pressures hold.
REFERENCE_OIL_DEGC = 45.0
#: Relative fall of an oil's viscosity per kelvin near working temperature (common practice: halves in about 20 K).
VISCOSITY_PER_K = 0.032
#: Share of the pressure at zero command below which friction and springs let it fall no further.
FLOOR_SHARE = 0.4


def opening(current_a: FloatArray, zero_a: FloatArray, full_a: FloatArray) -> FloatArray:
    """Dimensionless force w: 0 where the valve gives its zero pressure, 1 where it gives its full pressure."""
    return np.asarray((current_a - zero_a) / (full_a - zero_a))


def static_pressure_bar(
    w: FloatArray, zero_bar: FloatArray, full_bar: FloatArray, bow: FloatArray, drift_bar: FloatArray
) -> FloatArray:
    """Pressure ceiling (bar) at force `w`: p0 + (p1 - p0) (w (1 - b) + b w |w|) + drift w, not below 0.4 p0."""
    positive = np.maximum(w, 0.0)
    shape = w * (1.0 - bow) + bow * positive * w
    return np.asarray(
        np.maximum(zero_bar + (full_bar - zero_bar) * shape + drift_bar * positive, FLOOR_SHARE * zero_bar)
    )


def oil_factor(oil_degc: FloatArray, share: FloatArray) -> FloatArray:
    """Factor on the pressure for oil at `oil_degc`: 1 + share (viscosity / viscosity at 45 degC - 1)."""
    ratio = np.exp(-VISCOSITY_PER_K * (oil_degc - REFERENCE_OIL_DEGC))
    return np.asarray(1.0 + share * (ratio - 1.0))

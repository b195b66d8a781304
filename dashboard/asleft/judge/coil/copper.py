"""Copper: resistance and temperature of a winding, R(T) = R20 (1 + 0.00393 (T - 20)) (IEC 60028)."""

from __future__ import annotations

#: Temperature coefficient of copper's resistance at 20 degC, 1/K (IEC 60028).
COPPER_PER_K = 0.00393
REFERENCE_DEGC = 20.0


def copper(temperature_degc: float) -> float:
    """R(T)/R(20 degC) of copper (IEC 60028)."""
    return 1.0 + COPPER_PER_K * (temperature_degc - REFERENCE_DEGC)


def winding_degc(ratio: float) -> float:
    """Temperature at which copper has `ratio` times its resistance at 20 degC; inverse of `copper`."""
    return REFERENCE_DEGC + (ratio - 1.0) / COPPER_PER_K

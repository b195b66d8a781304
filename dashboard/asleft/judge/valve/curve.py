"""The commissioned characteristic as one curve between its branches, both ways: pressure to current and back.

Friction moves the two branches apart along the current; halfway between them lies what spring and coil alone would
give. A sheet records few levels, so the curve between them is a monotone cubic (slopes through three neighbours,
limited as Fritsch and Carlson 1980 do), not a polygon whose corners would pass for hysteresis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray
from asleft.sheet.model import Characteristic, Sheet


@dataclass(eq=False, frozen=True, slots=True)
class Curve:
    """Nodes of the middle curve, ascending and strictly monotone, and the half width of the loop there."""

    current_a: FloatArray
    pressure_bar: FloatArray
    half_width_a: float
    low_a: float  # end points of the recorded loop
    high_a: float
    recorded: bool  # False: only a straight line between as-left ends

    def current_at(self, pressure_bar: FloatArray) -> FloatArray:
        """Current (A) at which the middle curve gives these pressures, shape kept; straight beyond the ends."""
        return hermite(pressure_bar, self.pressure_bar, self.current_a)

    def unsure_at(self, pressure_bar: FloatArray) -> FloatArray:
        """Distance (A) of the curve from its straight piece in the outermost two: a bend may end within them.

        There it has a neighbour on one side only, and a dead band or a relief are likely. 0 elsewhere.
        """
        outer = (pressure_bar < self.pressure_bar[1]) | (pressure_bar > self.pressure_bar[-2])
        inside = np.clip(pressure_bar, self.pressure_bar[0], self.pressure_bar[-1])
        straight = np.interp(inside, self.pressure_bar, self.current_a)
        return np.where(outer, np.abs(self.current_at(inside) - straight), 0.0)

    def pressure_at(self, current_a: FloatArray) -> FloatArray:
        """Pressure (bar) of the middle curve at these currents; straight beyond the ends."""
        return hermite(current_a, self.current_a, self.pressure_bar)

    def branch_at(self, current_a: FloatArray, arrival: float) -> FloatArray:
        """Pressure of the commissioned rising (+1) or falling (-1) branch; the branches meet at both ends."""
        half = self.half_width_a
        spool = np.clip(current_a - arrival * half, self.low_a + half, self.high_a - half)
        return self.pressure_at(spool)


def curve_of(sheet: Sheet) -> Curve | None:
    """From the sheet's recorded branches, else the line between its as-left ends; None without pressures for either.

    A sheet without currents is taken along the command: shares of it stand for amperes.
    """
    zero, full = sheet.as_left.get("current_at_zero"), sheet.as_left.get("current_at_full")
    left = sheet.as_left.get("hysteresis")
    if zero is None or full is None:
        zero, full = 0.0, 1.0
    elif sheet.characteristic is not None and len(sheet.characteristic.current_a) >= 2:
        return _recorded(sheet.characteristic, 0.005 * left * (full - zero) if left is not None else None)
    low, high = sheet.as_left.get("pressure_at_zero"), sheet.as_left.get("pressure_at_full")
    if low is None or high is None or high <= low:
        return None
    half = 0.005 * (left or 0.0) * (full - zero)
    return Curve(np.array([zero + half, full - half]), np.array([low, high]), half, zero, full, recorded=False)


def _recorded(table: Characteristic, half_a: float | None) -> Curve | None:
    """Interior levels lie halfway between the branches; at the ends, where these meet, half a width inside."""
    current = np.array(table.current_a)
    rising, falling = np.array(table.rising_bar), np.array(table.falling_bar)
    middle = 0.5 * (rising + falling)
    if half_a is None:
        half_a = half_width_a(current, rising, falling)
    nodes = current.copy()
    nodes[0] += half_a
    nodes[-1] -= half_a
    # Where the pressure does not rise with the current (a dead band, a relief) there is no way back from it.
    keep = [k for k in range(nodes.size) if k == nodes.size - 1 or middle[k + 1] - middle[k] > 1e-3 * np.ptp(middle)]
    nodes, middle = nodes[keep], middle[keep]
    keep = [0] + [k for k in range(1, nodes.size) if middle[k] > middle[:k].max()]
    nodes, middle = nodes[keep], middle[keep]
    if nodes.size < 2 or not np.all(np.diff(nodes) > 0):
        return None
    return Curve(nodes, middle, half_a, float(current[0]), float(current[-1]), recorded=True)


def half_width_a(current_a: FloatArray, rising_bar: FloatArray, falling_bar: FloatArray) -> float:
    """Half the median distance of two recorded branches along the current, at their inner levels; 0 without any."""
    if current_a.size < 3:
        return 0.0
    middle = 0.5 * (rising_bar + falling_bar)
    slope = np.gradient(middle, current_a)[1:-1]
    apart = (falling_bar - rising_bar)[1:-1]
    usable = slope > 0.0
    return float(np.median(0.5 * np.maximum(apart[usable], 0.0) / slope[usable])) if usable.any() else 0.0


def hermite(x: FloatArray, nodes: FloatArray, values: FloatArray) -> FloatArray:
    """Monotone piecewise cubic through (nodes, values), straight beyond the ends. `nodes` ascending, n >= 2.

    Slopes at inner nodes are those of the parabola through three neighbours, at the ends one-sided, limited to three
    times the smaller neighbouring secant so that monotone data stay monotone (Fritsch and Carlson 1980).
    """
    slope = node_slopes(nodes, values)
    x = np.asarray(x, dtype=np.float64)
    k = np.clip(np.searchsorted(nodes, x) - 1, 0, nodes.size - 2)
    step = nodes[k + 1] - nodes[k]
    t = np.clip((x - nodes[k]) / step, 0.0, 1.0)
    inside = (
        values[k] * (1.0 + 2.0 * t) * (1.0 - t) ** 2
        + slope[k] * step * t * (1.0 - t) ** 2
        + values[k + 1] * t**2 * (3.0 - 2.0 * t)
        - slope[k + 1] * step * t**2 * (1.0 - t)
    )
    beyond = np.minimum(x - nodes[0], 0.0) * slope[0] + np.maximum(x - nodes[-1], 0.0) * slope[-1]
    return np.asarray(inside + beyond)


def node_slopes(nodes: FloatArray, values: FloatArray) -> FloatArray:
    """Limited slopes at the nodes, shape (n,)."""
    step = np.diff(nodes)
    secant = np.diff(values) / step
    if nodes.size == 2:
        return np.array([secant[0], secant[0]])
    slope = np.empty(nodes.size)
    slope[1:-1] = (secant[:-1] * step[1:] + secant[1:] * step[:-1]) / (step[:-1] + step[1:])
    slope[0] = secant[0] + (secant[0] - slope[1])
    slope[-1] = secant[-1] + (secant[-1] - slope[-2])
    least = np.concatenate(([secant[0]], np.minimum(np.abs(secant[:-1]), np.abs(secant[1:])), [secant[-1]]))
    sign = np.concatenate(([np.sign(secant[0])], np.sign(secant[:-1] + secant[1:]), [np.sign(secant[-1])]))
    return np.asarray(sign * np.clip(sign * slope, 0.0, 3.0 * np.abs(least)))

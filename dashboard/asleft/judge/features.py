"""What segments leave behind: dwells and strokes as rows of numbers, small enough to keep and to serialise."""

from __future__ import annotations

from typing import NamedTuple

NAN = float("nan")


class Dwell(NamedTuple):
    """A stretch (at most some seconds) where demand and current have settled. NaN where a channel is absent."""

    from_s: float
    to_s: float
    n: float
    demand: float  # mean, 1 = full command
    demand_se: float
    current_a: float  # mean
    current_se_a: float  # of the mean, autocorrelation allowed for
    current_sd_a: float  # of the samples
    pressure_bar: float  # mean of the last part
    pressure_se_bar: float
    pressure_moves_bar: float  # change over the last part
    arrival: float  # +1 from below, -1 from above, 0 not known
    producing: float  # 1 if the machine was producing throughout
    oil_degc: float
    supply_v: float
    mode: float
    flat: float  # 1 if the current has no trend left
    coil_v: float
    clock_s: float  # producing time of the valve so far
    demand_moves: float = 0.0  # per second, of a command that never rests (`sliding`)
    pressure_moved_bar: float = NAN  # change over a part as long before the last part; NaN: too short for one
    pressure_sd_bar: float = NAN  # of the samples, from their differences
    pressure_left_bar: float = 0.0  # what settling has added to the mean: how far the pressure still had to go


class Stroke(NamedTuple):
    """A command move from one settled level to another, and what it says of ramps.

    Least squares on (ramp_up, ramp_down, lag, delay, shape of the lag): the point of linearisation, the gradient and
    the upper triangle of the information matrix there, all per unit variance, so that strokes add up (see
    `ramps.combine`).
    """

    from_s: float
    to_s: float
    from_demand: float
    to_demand: float
    low_demand: float
    high_demand: float
    active_up_s: float  # how long the limiter held the demand back
    active_down_s: float
    identifiable_up_s: float  # the shortest ramp that shows beside the command's own way (s over the full span)
    identifiable_down_s: float
    chi2: float  # reduced, against the noise seen in dwells
    t0: float
    t1: float
    t2: float
    t3: float
    t4: float
    g0: float
    g1: float
    g2: float
    g3: float
    g4: float
    h00: float
    h01: float
    h02: float
    h03: float
    h04: float
    h11: float
    h12: float
    h13: float
    h14: float
    h22: float
    h23: float
    h24: float
    h33: float
    h34: float
    h44: float
    own_up_s: float  # the stroke's own optimum, with what was known before of lag, delay and shape
    own_down_s: float
    own_lag_s: float
    own_delay_s: float
    own_shape: float
    excluded: float  # 1 if set aside: the first after enabling
    clock_s: float  # producing time of the valve so far


class PressureDelay(NamedTuple):
    """By how much the pressure of one move came late as a whole, and which way the move went (+1, -1).

    `delay_s`: dead time (s), 0: none, NaN: a lag may do the same; `behind_s`: that by which every part was late.
    """

    at_s: float
    way: float
    delay_s: float
    behind_s: float = 0.0

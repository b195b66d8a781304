"""Draws machines: a plain one, the same with one oddity ("condition"), and mixtures of oddities."""

from __future__ import annotations

import numpy as np
from strangers.conditions import ALL, CONDITIONS, EXCLUSIVE, TABLE
from strangers.machine import Coil, Driver, Logger, Machine, Paper, Programme, Valve
from strangers.ranges import drawn


def plain(seed: int, rng: np.random.Generator) -> Machine:
    """A machine without oddities: straight driver, good logger, valve in control all the time."""
    i_full = drawn("current_full_a", rng)
    i_zero = i_full * drawn("current_zero_share", rng)
    p_full = drawn("pressure_full_bar", rng)
    supply = drawn("supply_v", rng)
    ramps = [drawn("ramp_s", rng) for _ in range(2)]
    dwell = drawn("dwell_s", rng)
    span = i_full - i_zero
    dither_hz = drawn("dither_hz", rng)
    return Machine(
        seed,
        Programme(
            levels=int(rng.integers(4, 8)),
            dwell_low_s=dwell + 0.3 * max(ramps),
            dwell_high_s=2.0 * dwell + 1.2 * max(ramps),
            scan_s=float(rng.choice([0.005, 0.01, 0.02])),
        ),
        Driver(
            i_zero_a=i_zero,
            i_full_a=i_full,
            ramp_up_s=ramps[0],
            ramp_down_s=ramps[1],
            lag_s=drawn("loop_lag_s", rng),
            limit_a=1.3 * i_full,
            dither_hz=dither_hz,
            dither_pp_a=span * drawn("dither_share", rng),
        ),
        Coil(
            r20_ohm=drawn("resistance_load", rng) * supply / i_full,
            winding_degc=float(rng.uniform(40, 75)),
            cable_ohm=float(rng.uniform(0.02, 0.05)) * supply / i_full,
            supply_v=supply,
        ),
        Valve(
            ref_zero_a=i_zero,
            ref_full_a=i_full,
            p_zero_bar=p_full * drawn("pressure_zero_share", rng),
            p_full_bar=p_full,
            curve=drawn("curve", rng),
            dead_band=drawn("dead_band", rng),
            play_share=drawn("play_share", rng),
            settling_s=drawn("settling_s", rng),
        ),
        Logger(
            bits=int(rng.integers(13, 17)),
            command_noise=drawn("command_noise", rng),
            current_noise=drawn("current_noise", rng),
            pressure_noise=drawn("pressure_noise", rng),
            low_pass_hz=drawn("low_pass_hz", rng),
            full_scale=drawn("full_scale", rng),
        ),
        Paper(quantities=ALL, instruments=bool(rng.random() < 0.5), characteristic=bool(rng.random() < 0.5)),
    )


def conditions_of(condition: str, rng: np.random.Generator) -> tuple[str, ...]:
    """Names of the oddities of a condition: none, one, or for a mixture one from each of three to seven groups."""
    if condition == "plain":
        return ()
    if condition != "mixture":
        return (condition,)
    groups = rng.choice(len(EXCLUSIVE), size=int(rng.integers(3, 8)), replace=False)
    names = {EXCLUSIVE[int(g)][int(rng.integers(len(EXCLUSIVE[int(g)])))] for g in groups}
    return tuple(name for name in TABLE if name in names or (name == "levels vary" and rng.random() < 0.6))


def draw_machine(seed: int, condition: str) -> tuple[Machine, tuple[str, ...]]:
    """A machine of that condition and the names of its oddities; the same for the same arguments.

    Raises:
        ValueError: The condition is not known.
    """
    if condition not in CONDITIONS:
        raise ValueError(f"unknown condition {condition!r}")
    rng = np.random.default_rng([seed, 1])
    apart = np.random.default_rng([seed, 3])  # so that nothing else hangs on how many are drawn here
    machine = plain(seed, rng)
    machine = machine.set(
        {
            "driver.pwm_hz": drawn("pwm_hz", apart),
            "coil.inductance_h": drawn("coil_lag_s", apart) * machine.coil.r20_ohm,
            "logger.clock_ppm": drawn("clock_ppm", apart) * float(apart.choice([-1.0, 1.0])),
        }
    )
    names = conditions_of(condition, rng)
    for name in names:
        machine = machine.set(TABLE[name](machine, rng))
    logger = machine.logger
    limit_hz = 60_000 / machine.programme.duration_s * 3  # at most 180 000 rows
    return machine.set({"logger.rate_hz": min(logger.rate_hz, limit_hz)}), names

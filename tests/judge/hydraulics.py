"""A pressure valve on a press, made by hand: play, characteristic, load, slow pressure, gauge. Nothing of `sim`.

The current is a limited and lagged demand; friction is a play of the whole width of the loop; the pressure follows
the characteristic at the spool's place with one lag, and never exceeds what a load lets come up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.types import Samples
from asleft.sheet.model import Sheet, Tolerance
from synth import drive, sheet

STEP_S = 5e-3
#: Command (share of full) and how long it is held (s): twelve seconds that visit the middle from both sides.
CYCLE = ((0.0, 2.0), (0.4, 2.0), (0.7, 2.0), (1.0, 2.5), (0.7, 2.0), (0.4, 1.5))


@dataclass(frozen=True)
class Press:
    """A machine and how it is logged; healthy as it stands."""

    cycle: Sequence[tuple[float, float]] = CYCLE
    load_bar: Sequence[float] = ()  # highest pressure the load lets come up in each step of the cycle; none: no limit
    level_scatter: float = 0.0  # largest change of a level from cycle to cycle (share of full), uniform
    full_bar: float = 200.0
    zero_bar: float = 10.0
    loop: float = 0.03  # width of the play, share of the current's span
    bend: float = 0.0  # of the characteristic: x + bend x (x - 1)
    dead_band: float = 0.0  # share of the span under which nothing rises
    cut_bar: float = math.inf  # a relief valve that has always cut the top
    settle_s: float = 0.05
    creep: float = 0.0  # share of the pressure that follows itself late, with `creep_s`
    creep_s: float = 20.0
    ripple_bar: float = 0.0
    ripple_hz: float = 23.7
    drift: float = 0.0  # relative change of the pressure over the log
    noise_bar: float = 0.2
    noise_a: float = 4e-4
    noise_u: float = 3e-4  # of the command's reading
    bits: int = 0  # of the converters of pressure (to 1.25 times full) and current; 0: none
    up_s: float = 0.5
    down_s: float = 0.5
    has_current: bool = True
    minutes: float = 5.0
    rate_hz: float = 50.0
    # faults
    stuck_from_s: float = math.inf  # the spool rests at zero from then on
    stick: float = 0.0  # largest way the spool rests short of where its play would let it go (share of the span)
    gain: float = 1.0
    offset_bar: float = 0.0
    extra_loop: float = 0.0

    def shape(self, x: np.ndarray) -> np.ndarray:
        """Pressure (bar) at a place of the spool, 0 to 1."""
        y = np.clip((x - self.dead_band) / (1.0 - self.dead_band), 0.0, None)
        y = y + self.bend * y * (y - 1.0)
        return np.minimum(self.zero_bar + (self.full_bar - self.zero_bar) * y, self.cut_bar)

    def left(self) -> dict[str, float]:
        """Pressures at the ends and the loop, as a technician leaves them."""
        half = 0.5 * self.loop
        ends = self.shape(np.array([half, 1.0 - half]))
        return {
            "pressure_at_zero": float(ends[0]),
            "pressure_at_full": float(ends[1]),
            "hysteresis": 100.0 * self.loop,
        }

    def sheet(self, **changes: object) -> Sheet:
        """The sheet of the machine as it was left."""
        left = {"current_at_zero": 0.2, "current_at_full": 1.0, "ramp_up": self.up_s, "ramp_down": self.down_s}
        left |= self.left()
        bar = 0.02 * left["pressure_at_full"]
        width = {"current_at_zero": 0.016, "current_at_full": 0.016, "ramp_up": 0.05, "ramp_down": 0.05}
        tolerance = {name: Tolerance(w, w) for name, w in width.items()}
        tolerance |= {name: Tolerance(bar, bar) for name in ("pressure_at_zero", "pressure_at_full")}
        tolerance["hysteresis"] = Tolerance(math.inf, 2.0)
        return replace(sheet(), as_left=left, tolerance=tolerance, **changes)  # type: ignore[arg-type]


def run_of(press: Press, seed: int) -> Samples:
    """The log of some minutes of production."""
    rng = np.random.default_rng(seed)
    levels, ceilings, holds = [], [], []
    total = 0.0
    while total < 60.0 * press.minutes:
        for k, (level, hold_s) in enumerate(press.cycle):
            moved = level + press.level_scatter * rng.uniform(-1.0, 1.0)
            levels.append(min(max(moved, 0.0), 1.0))
            ceilings.append(press.load_bar[k] if press.load_bar else math.inf)
            holds.append(hold_s * rng.uniform(0.97, 1.03))
            total += holds[-1]
    steps = np.round(np.array(holds) / STEP_S).astype(int)
    demand, ceiling = np.repeat(levels, steps), np.repeat(ceilings, steps)
    response = drive(demand, up_s=press.up_s, down_s=press.down_s, lags_s=(0.03,), step_s=STEP_S)
    time_s = STEP_S * np.arange(demand.size)
    spool = _play(response, press.loop + press.extra_loop, press, time_s, rng)
    valve = press.gain * press.shape(spool) + press.offset_bar
    valve *= 1.0 + press.drift * time_s / time_s[-1]
    pressure = _lag(np.minimum(valve, ceiling), press.settle_s)
    if press.creep:
        pressure = (1.0 - press.creep) * pressure + press.creep * _lag(pressure, press.creep_s)
    every = max(round(1.0 / press.rate_hz / STEP_S), 1)
    time_s, pressure = time_s[::every], pressure[::every]
    n = time_s.size
    pressure = pressure + press.ripple_bar * np.sin(2.0 * np.pi * press.ripple_hz * time_s)
    pressure = pressure + press.noise_bar * rng.standard_normal(n)
    current = 0.2 + 0.8 * response[::every] + press.noise_a * rng.standard_normal(n)
    if press.bits:
        pressure = _counted(pressure, 1.25 * press.full_bar, press.bits)
        current = _counted(current, 1.6, press.bits)
    command = 4.0 + 16.0 * (demand[::every] + press.noise_u * rng.standard_normal(n))
    channels = {"command": command, "pressure": pressure}
    if press.has_current:
        channels["current"] = current
    return Samples(1000.0 + time_s, channels)


def _play(x: np.ndarray, width: float, press: Press, time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    out = np.empty_like(x)
    at, half = float(x[0]), 0.5 * width
    short, way = 0.0, 0.0
    for k, (value, now) in enumerate(zip(x.tolist(), time_s.tolist(), strict=True)):
        if now < press.stuck_from_s or at > half:
            low, high = value - half, value + half
            if press.stick:
                moving = 1.0 if low > at else -1.0 if high < at else 0.0
                if moving and moving != way:
                    way, short = moving, press.stick * rng.uniform()
                low, high = low - short, high + short
            at = min(max(at, low), high)
        out[k] = at
    return out


def _lag(x: np.ndarray, tau_s: float) -> np.ndarray:
    share = 1.0 - math.exp(-STEP_S / tau_s)
    out = np.empty_like(x)
    y = float(x[0])
    for k, value in enumerate(x.tolist()):
        y += share * (value - y)
        out[k] = y
    return out


def _counted(values: np.ndarray, top: float, bits: int) -> np.ndarray:
    step = top / 2**bits
    return np.clip(np.round(values / step), 0, 2**bits - 1) * step

"""The true value of every quantity of the sheet over the log, and how well the log can show it."""

from __future__ import annotations

import numpy as np
from strangers.cramer_rao import current_bounds, dither_bounds, pressure_bounds, pressure_ramp_bounds
from strangers.fault_row import only_ends
from strangers.machine import Machine
from strangers.simulate import Effect, Trace, changed
from strangers.truth import UNITS, Actual, settings, undefined


def bounds_of(
    m: Machine, t: Trace, columns: dict[str, np.ndarray], times: np.ndarray, bursts: dict[str, np.ndarray] | None
) -> dict[str, float]:
    """Bound of every quantity that this log can show; NaN or absent where it cannot.

    Of currents and ramps under "untold " and their name too: to one who is not told the driver's law (`cramer_rao`).
    """
    found: dict[str, float] = {}
    x = t.moving.disturbance

    def dead(*values: float | np.ndarray) -> np.ndarray:
        at = np.clip(np.round(times / t.dt_s).astype(int), 0, len(t.time_s) - 1)
        return np.any([np.broadcast_to(np.asarray(v) > 0.5, t.time_s.shape)[at] for v in values], axis=0)

    if "pressure" in columns and m.valve.controls == "pressure":
        blind = dead(x.dead_pressure, x.dead_command, x.missing)
        found |= pressure_bounds(m, t, times, blind)
        if "current" not in columns:
            found |= pressure_ramp_bounds(m, t, times, blind)
    if "current" in columns:
        blind = dead(x.dead_current, x.dead_command, x.missing)
        found |= current_bounds(m, t, times, blind, told=True)
        found |= {f"untold {q}": bound for q, bound in current_bounds(m, t, times, blind).items()}
    if "supply" in columns and (alive := np.count_nonzero(~dead(x.dead_supply))):
        found["supply_voltage"] = 0.03 / np.sqrt(alive)
    if bursts is not None and m.driver.dither_pp_a and flows_in_burst(t):
        found |= dither_bounds(m, t, bursts)
    return found


def flows_in_burst(t: Trace) -> bool:
    """Whether current flows all through the log's last second, from which the burst is."""
    return bool(t.current_a[-round(1.0 / t.dt_s) :].min() > 0.02)


def _undefined_now(m: Machine, effects: tuple[Effect, ...], quantity: str, clipped: bool) -> str:
    """Why a fault leaves the log without one number for a quantity; empty where it has one."""
    floored = any("disturbance.current_floor_a" in e.change for e in effects)
    if floored and quantity in ("ramp_up", "ramp_down", "hysteresis"):
        return "a floor under the current takes part of the span: driver and current no longer have the same ends"
    if quantity == "current_at_full" and clipped and only_ends(m):
        return "only 0 and 100 % are commanded: a limit and another setting look alike"
    return ""


def _stood_bar(m: Machine, effects: tuple[Effect, ...], t: Trace) -> float | None:
    """Pressure (bar) at every command once the spool has stuck on its way to zero, None where it has not.

    It stays stuck once it is (`simulate`). The current is behind the command by its lag, so that the spool stops a
    little above what zero command makes.
    """
    stuck = [e for e in effects if "disturbance.stuck" in e.change]
    if not (stuck and m.disturbance.stuck_at_zero and t.running.any() and (stuck[0].severity > 0.5).any()):
        return None
    return float(t.target_bar[t.running][-1])


def _why_unseen(m: Machine, quantity: str, clipped: bool) -> str:
    log = m.logger
    if quantity.startswith("dither"):
        return "no burst of current, or none flows in it"
    if quantity == "current_at_full" and log.current and clipped:
        return "cut at the top: the full current never flows"
    if quantity == "coil_resistance":
        return "no cold soak: the winding's temperature is not known"
    if quantity in {"current_at_zero", "current_at_full"} and not log.current:
        return "no current channel"
    if quantity.startswith("ramp"):
        return "the command never outruns the ramp, or too little of it is recorded"
    if quantity.startswith("current"):
        return "it never flows free of limits and interruptions, or cannot be told from a ramp that never ends"
    if not log.pressure:
        return "no pressure channel"
    if quantity == "supply_voltage":
        return "its reading is dead from the first row on, or not recorded"
    return "the valve is never at rest and in control there, on that branch"


def actuals_of(
    m: Machine,
    effects: tuple[Effect, ...],
    t: Trace,
    left: dict[str, float],
    tolerance: dict[str, tuple[float, float]],
    bounds: dict[str, float],
) -> dict[str, Actual]:
    """Every quantity of the sheet: as left, true range over the log, true value at its end, bound."""
    n = len(t.time_s)
    moments = {*np.linspace(0, n - 1, 13).astype(int).tolist()}
    for effect in effects:
        moments |= {int(np.argmin(effect.severity)), int(np.argmax(effect.severity))}
    track = []
    for index in sorted(moments):
        now = changed(m, effects, index)
        track.append(settings(now.set({"valve.oil_now_degc": float(t.oil_degc[index])})))
    stood_bar = _stood_bar(m, effects, t)
    out = {}
    clipped = bool(np.any(t.clipped))
    for q, value in left.items():
        values = [s[q] for s in track]
        if stood_bar is not None and q in ("pressure_at_zero", "pressure_at_full"):
            values.append(stood_bar)
        why = undefined(m, q) or _undefined_now(m, effects, q, clipped)
        bound = bounds.get(q, np.nan)
        if clipped and q == "current_at_full":
            bound = np.nan
        unseen = not np.isfinite(bound) or bool(why)
        untold = bounds.get(f"untold {q}", bound)
        out[q] = Actual(
            q,
            UNITS[q],
            value,
            *tolerance[q],
            min(values),
            max(values),
            values[-1],
            not why,
            why,
            None if unseen else float(bound),
            (why or _why_unseen(m, q, clipped)) if unseen else "",
            None if unseen else float(untold) if np.isfinite(untold) else np.inf,
        )
    return out

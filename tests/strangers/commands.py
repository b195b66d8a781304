"""The controller's programme: levels, dwells, controller-made ramps and S-curves, phases in which the load works."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from strangers.machine import Machine
from strangers.ranges import drawn


@dataclass(frozen=True)
class Command:
    """What the controller commands on the time grid, before any noise.

    time_s, demand (share of the command span), in_control (the load does not take the pressure), running (pump and
    driver are on): shape (n,).
    """

    time_s: np.ndarray
    demand: np.ndarray
    in_control: np.ndarray
    running: np.ndarray


def _cycle(m: Machine, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels, dwell times and control flags of one cycle."""
    p = m.programme
    if p.strokes or p.levels == 2:
        levels = np.array([p.level_low, p.level_high])
        levels = np.array([0.0, 1.0]) if p.strokes else levels
    else:
        inner = rng.uniform(p.level_low, p.level_high, p.levels - 2)
        levels = np.concatenate([[p.level_low], inner, [p.level_high]])
        if rng.random() < 0.6:  # up in steps and down by the same levels; the others in any order
            inner.sort()
            levels = np.concatenate([[p.level_low], inner, [p.level_high], inner[::-1]])
        else:
            rng.shuffle(levels[1:])
    dwells = rng.uniform(p.dwell_low_s, p.dwell_high_s, len(levels))
    if p.idle_s:
        levels, dwells = np.append(levels, 0.0), np.append(dwells, p.idle_s)
    control = np.ones(len(levels), bool)
    if p.load_share:
        # The cycle's longest-ranging work stays with the valve: levels lose control in order until the share is met.
        order = np.argsort(levels == levels.max(), kind="stable")
        share = np.cumsum(dwells[order]) / dwells.sum()
        control[order[share <= max(p.load_share, share[0])]] = False
    return levels, dwells, control


def programme(m: Machine, dt_s: float, rng: np.random.Generator) -> Command:
    """The command on a grid of `dt_s` over the whole log. Changes happen at multiples of the controller's scan."""
    p = m.programme
    levels, dwells, control = _cycle(m, rng)
    time = np.arange(0.0, p.duration_s + dt_s / 2, dt_s)
    starts, targets, flags = [0.0], [float(levels[0])], [bool(control[0])]
    if p.strokes:
        gap = p.duration_s / (p.strokes + 0.5)
        for k in range(p.strokes):
            begin = gap * (k + 0.3 + 0.2 * rng.random())
            starts += [begin, begin + min(dwells[1] + 2 * m.driver.ramp_up_s, 0.5 * gap)]
            targets += [1.0, 0.0]
            flags += [True, True]
    else:
        now, k = float(dwells[0]), 1
        while now < p.duration_s:
            j = k % len(levels)
            level = float(levels[j])
            if p.level_spread and level > 0.0:
                level += p.level_spread * float(rng.uniform(-1.0, 1.0))
            level = float(np.clip(level, p.level_low if level else 0.0, p.level_high))
            starts.append(now)
            flags.append(bool(control[j]))
            travel = p.travel_s * abs(level - targets[-1]) if p.shape != "step" else 0.0
            targets.append(level)
            now += travel + float(dwells[j]) * float(rng.uniform(0.95, 1.05))
            k += 1
    start = np.round(np.array(starts) / p.scan_s) * p.scan_s
    to = np.array(targets)
    at = np.maximum(np.searchsorted(start, time + 1e-9, side="right") - 1, 0)
    before = np.concatenate([to[:1], to[:-1]])
    share = np.ones(len(time))
    if p.shape != "step":
        travel_s = np.maximum(p.travel_s * np.abs(to - before), 1e-9)
        share = np.clip((time - start[at]) / travel_s[at], 0.0, 1.0)
        if p.shape == "s-curve":
            share = 0.5 - 0.5 * np.cos(np.pi * share)
    demand = before[at] + (to - before)[at] * share
    running = np.ones(len(time), bool)
    for k in range(p.stops):
        begin = p.duration_s * (k + float(rng.uniform(0.4, 0.9))) / (p.stops + 1)
        running[(time >= begin) & (time < begin + min(drawn("stop_s", rng), 0.6 * p.duration_s / (p.stops + 1)))] = (
            False
        )
    return Command(time, np.where(running, demand, 0.0), np.array(flags)[at], running)

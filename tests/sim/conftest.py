"""Drives the engine with hand-made tracks, without noise, so that closed forms can be checked."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.sim.cycles import RIGID_BAR
from asleft.sim.engine import BlockResult, Engine
from asleft.sim.model import ValveModel
from asleft.sim.render import Tracks

STEP_S = 0.005
COIL_DEGC = 20.0


def _march(
    models: list[ValveModel],
    command: np.ndarray,
    *,
    enable: np.ndarray | None = None,
    load_bar: float = RIGID_BAR,
    coil_degc: float = COIL_DEGC,
    start_enabled: bool = True,
) -> tuple[Engine, BlockResult]:
    """All `models` through the same demand (steps,), from rest at zero command; one block."""
    lanes, steps = len(models), command.size
    engine = Engine(models, [0.0] * lanes, STEP_S, np.full(lanes, coil_degc))
    engine.settle_heat(np.full(lanes, coil_degc), np.full(lanes, coil_degc))
    on = np.full(lanes, int(start_enabled), np.int8)
    engine.settle_idle(on, np.ones(lanes, np.int8))
    tracks = Tracks.empty(lanes, steps)
    tracks.command[:] = command
    tracks.load_bar[:] = load_bar
    tracks.enable[:] = 1 if enable is None else enable
    quiet = np.zeros((lanes, steps), np.float32)
    result = engine.block(tracks, slice(0, steps), quiet, np.full(lanes, 45.0), np.full(lanes, coil_degc))
    return engine, result


@pytest.fixture(scope="session")
def march():
    """The function above."""
    return _march

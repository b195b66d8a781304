"""One row of the catalogue of faults: what it does to the machine, which findings name it, whose part it is.

`parts` is the truth. `tie` are parts that no recorded channel can tell from it; it grows where a channel is missing.
`contradicted` are parts that the evidence of a full log speaks against; those in `tie` are taken out of it.
Sizes are in tolerances of the quantity that the fault moves first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from strangers.machine import Machine

HYDRAULIC = frozenset({"valve", "pressure-source", "pressure-sensor"})
WINDING = frozenset({"coil", "coil-wiring", "supply"})
DRIVING = frozenset({"driver", "driver-setting", "command-wiring", "controller"})
SENSOR = frozenset({"current-sensor"})
SETTING = frozenset({"driver-setting"})


@dataclass(frozen=True)
class Context:
    """What a fault is made from: the machine, absolute tolerances (below, above), the size, a sign, chance."""

    m: Machine
    tolerance: Mapping[str, tuple[float, float]]
    size: float
    sign: float
    rng: np.random.Generator

    def by(self, quantity: str, sign: float | None = None) -> float:
        """Signed change of `size` tolerances of a quantity."""
        s = self.sign if sign is None else sign
        below, above = self.tolerance[quantity]
        return s * self.size * (above if s > 0 else below)

    def slower(self, quantity: str) -> float:
        """Change of a ramp time that leaves at least a tenth of it."""
        change = self.by(quantity)
        left = self.m.get(f"driver.{quantity}_s")
        return change if left + change > max(0.1 * left, 0.02) else self.by(quantity, 1.0)

    def p_share(self, quantity: str = "pressure_at_full") -> float:
        """Size in tolerances as a share of pressure at full."""
        return abs(self.by(quantity, -1.0)) / self.m.valve.p_full_bar

    def i_clip(self) -> float:
        """Current at which a limit cuts, `size` tolerances under current at full."""
        return max(self.m.driver.i_full_a + self.by("current_at_full", -1.0), 0.3 * self.m.driver.i_full_a)


Changes = Callable[[Context], dict[str, float]]


@dataclass(frozen=True)
class Row:
    """One fault. `needs`: what must be recorded to see it; `no_...`: what a missing channel adds to the tie."""

    effect: str
    changes: Changes
    kinds: frozenset[str]
    parts: frozenset[str]
    tie: frozenset[str] = frozenset()
    contradicted: frozenset[str] = frozenset()
    kinds_no_current: frozenset[str] = frozenset()  # added to those kinds that need no current channel
    no_current: frozenset[str] = DRIVING | HYDRAULIC | WINDING
    no_pressure: frozenset[str] = frozenset()
    needs: str = "any"  # "current", "current reading", "pressure", "command", "supply", "bursts"
    pattern: str = ""  # a course of its own
    sized: bool = True
    forces: Mapping[str, Any] = field(default_factory=dict)  # fields of the healthy machine; may be functions of it

    @property
    def moves_current(self) -> bool:
        """Whether the driver side makes another current at the same command."""
        changed = {"current-zero-changed", "current-full-changed", "current-unwanted"}
        return bool(self.kinds & changed and self.parts & DRIVING) and self.needs == "any"

    def forced(self, m: Machine) -> Machine:
        """The healthy machine as this fault wants it."""
        values = {path: value(m) if callable(value) else value for path, value in self.forces.items()}
        if "logger.extra" in values:
            values["logger.extra"] = tuple(dict.fromkeys((*m.logger.extra, *values["logger.extra"])))
        return m.set(values)


def only_ends(m: Machine) -> bool:
    """Whether the programme knows two levels only, so that a cut and a lower setting look alike."""
    return bool(m.programme.strokes) or m.programme.levels == 2


def part_set(*names: str) -> frozenset[str]:
    """A set of parts or of finding kinds."""
    return frozenset(names)


AGAINST_DRIVER_SIDE = DRIVING | SENSOR | part_set("coil-wiring", "supply")

"""A spool that sticks and jumps: the pressure at one level differs from one arrival to the next.

Friction alone is repeatable: it moves the two branches apart, by the same each time. A spool that rests until it
breaks loose stops at another place each time. Seen as the scatter of successive arrivals at levels which the valve
controls, in production with the current as left.

It misses a spool that always sticks at the same place, and one that is seen at fewer than two levels or four times.
It cries wolf where a load varies at a level that counts as controlled; a scatter that was there when the valve was
left would do so too, so it has to exceed three tenths of the pressure's tolerance, of which commissioning leaves
room.
"""

from __future__ import annotations

import numpy as np
from asleft.judge.finding.pressure_symptoms import SCATTERS, level_visits, pressure_tolerance_bar, scatter_bar
from asleft.judge.finding.scene import Scene, make
from asleft.judge.types import Finding


def sticking(scene: Scene) -> list[Finding]:
    """The finding of a sticking spool, or none. Its kind is that of a changed hysteresis: it is one that varies."""
    if scene.found.held is not None:  # a load that a loop outside rejects is no sign
        return []
    tolerance, scatter = pressure_tolerance_bar(scene), scatter_bar(scene)
    if tolerance is None or scatter is None or scatter <= SCATTERS * tolerance:
        return []
    evidence = f"Pressure at the same command differs from one cycle to the next by {2.0 * scatter:.1f} bar."
    return [make("hysteresis-changed", evidence, _onset_s(scene, scatter))]


def _onset_s(scene: Scene, scatter_bar: float) -> float | None:
    """The first arrival that differs from the one before it, at the same level, by as much as they do now."""
    onsets = []
    for visits, bar, _ in level_visits(scene):
        jumps = np.flatnonzero(np.abs(np.diff(bar)) > scatter_bar)
        if jumps.size:
            onsets.append(visits[int(jumps[0]) + 1].from_s)
    return min(onsets, default=None)

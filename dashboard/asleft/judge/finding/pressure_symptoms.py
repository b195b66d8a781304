"""What is seen on the pressure's side of the fault table: shape over the levels, following the current, scatter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from asleft.judge.finding.held_symptoms import held_changes
from asleft.judge.finding.scene import Scene
from asleft.judge.finding.shapes import LevelChange, asked_bar, following, pressure_shapes
from asleft.judge.finding.signatures import AS_LEFT, Values
from asleft.judge.finding.since_left import ends_of, moved_by
from asleft.judge.segments.features import Dwell
from asleft.judge.types import FloatArray, Verdict
from asleft.judge.valve.pressure import LevelKey, LevelPressure, change_bar, key_of, levelled_bar

#: The pressure has gone with the current from this share on, and has not under the other.
_FOLLOWED, _STOOD = 0.65, 0.35
#: A level whose pressure differs from visit to visit by this share of tolerance scatters.
SCATTERS = 0.3
_LEAST_VISITS = 2
#: Visits of a level, and levels, from which its scatter is known; a shorter pause is none between two visits (s).
_LEAST_SCATTERED, _LEAST_LEVELS, _NEXT_VISIT_S = 4, 2, 1.0
#: From the median absolute difference of two normal values to the standard deviation of one.
_OF_DIFFERENCES = 1.4826 / math.sqrt(2.0)


def add_pressure_symptoms(scene: Scene, out: dict[str, Values]) -> None:
    """Put into `out` how the pressure moved over its levels, whether it went with the current, and its scatter."""
    levels, tolerance = level_changes(scene), pressure_tolerance_bar(scene)
    if not levels or tolerance is None:
        return
    share = following(levels, tolerance)
    explained = np.zeros(len(levels))
    if share is not None:
        yes, no = share > _STOOD, share < _FOLLOWED
        out["following"] = frozenset({name for name, so in (("yes", yes), ("no", no)) if so})
        if share >= 0.5:
            explained = asked_bar(levels)
    elif all(level.current_change_a is not None for level in levels):
        explained = asked_bar(levels)
    ends = ends_of(scene) or (0.2, 1.0)
    out["pressure"] = pressure_shapes(levels, explained, tolerance, ends)
    scatter = scatter_bar(scene) if scene.found.held is None else None  # a load that a loop rejects is no sign
    if scatter is not None:
        out["scatter"] = frozenset({"more"}) if scatter > SCATTERS * tolerance else AS_LEFT


def pressure_tolerance_bar(scene: Scene) -> float | None:
    """The narrowest tolerance of the pressures (bar); None if none is judged."""
    names = [name for name in ("pressure_at_full", "pressure_at_zero") if name in scene.sheet.tolerance]
    widths = [w for name in names for w in (scene.sheet.tolerance[name].below, scene.sheet.tolerance[name].above)]
    return min((width for width in widths if math.isfinite(width) and width > 0.0), default=None)


def level_changes(scene: Scene) -> list[LevelChange]:
    """Pressure levels in control now against when left; from both ends of the sheet where levels were not learnt."""
    if scene.found.held is not None:
        return held_changes(scene, ends_of(scene))
    control = scene.seen.control
    if control:
        learnt = _learnt_levels(scene, control)
        if len(learnt) >= 2:
            return learnt
    return _end_levels(scene)


def _learnt_levels(scene: Scene, control: Mapping[LevelKey, LevelPressure]) -> list[LevelChange]:
    ends = ends_of(scene)
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in recent(scene, scene.found.judged_pressure):
        if key_of(dwell) in control and control[key_of(dwell)].in_control:
            groups.setdefault(key_of(dwell), []).append(dwell)
    slopes = _slopes(control, (ends[1] - ends[0]) if ends else 1.0)
    out = []
    for key, group in sorted(groups.items()):
        if len(group) < _LEAST_VISITS:
            continue
        demand = float(np.median([d.demand for d in group]))
        level = control[key]
        change = np.array([change_bar(d, level, scene.sheet) for d in group])
        current = [d.current_a for d in group if d.current_a == d.current_a]
        change_a = None
        if current and ends is not None:
            change_a = float(np.median(current)) - (ends[0] + min(max(demand, 0.0), 1.0) * (ends[1] - ends[0]))
        own = float(np.median([d.pressure_se_bar for d in group]))
        spread = 1.4826 * float(np.median(np.abs(change - np.median(change))))
        out.append(
            LevelChange(
                demand,
                float(key[1]),
                level.pressure_bar,
                float(np.median(change)),
                max(own, spread) / math.sqrt(len(group)),
                change_a,
                slopes.get(key[0], slopes[-1]),
            )
        )
    return out


def _slopes(control: Mapping[LevelKey, LevelPressure], span_a: float) -> dict[int, float]:
    """Slope (bar/A) of the characteristic as left at each level, both branches together; key -1: over all."""
    levels = sorted({key[0] for key, level in control.items() if level.in_control})
    mean = [np.mean([level.pressure_bar for key, level in control.items() if key[0] == at]) for at in levels]
    if len(levels) < 2:
        return {-1: 0.0}
    demand = np.array(levels) * 0.05
    slope = np.gradient(np.array(mean), demand * max(span_a, 1e-6))
    whole = (mean[-1] - mean[0]) / ((demand[-1] - demand[0]) * max(span_a, 1e-6))
    return {**dict(zip(levels, slope.tolist(), strict=True)), -1: float(whole)}


def _end_levels(scene: Scene) -> list[LevelChange]:
    ends = ends_of(scene)
    zero, full = (scene.sheet.as_left.get(name) for name in ("pressure_at_zero", "pressure_at_full"))
    if zero is None or full is None:
        return []
    slope = (full - zero) / (ends[1] - ends[0]) if ends else 0.0
    out = []
    for demand, name, current in (
        (0.0, "pressure_at_zero", "current_at_zero"),
        (1.0, "pressure_at_full", "current_at_full"),
    ):
        change = moved_by(scene.results.get(name))
        if change is None:
            continue
        asked = moved_by(scene.results.get(current))
        change_a = asked[0] if asked is not None else None
        clip = scene.found.clip
        if clip is not None and demand == 1.0 and ends is not None:
            change_a = clip.limit_a - ends[1]
        left = (zero, full)[int(demand)]
        out.append(LevelChange(demand, 1.0 if demand else -1.0, left, change[0], 0.5 * change[1], change_a, slope))
    return out


def recent(scene: Scene, dwells: Sequence[Dwell]) -> list[Dwell]:
    """Dwells since the last quantity stepped, where enough of them are left: no mixture of before and after."""
    departed = [
        r.coverage.from_s
        for r in scene.results.values()
        if r.verdict is Verdict.OUT and r.coverage.from_s is not None
    ]
    since = max(departed, default=-math.inf)
    later = [d for d in dwells if d.from_s >= since]
    return later if len({key_of(d) for d in later}) >= 2 else list(dwells)


def scatter_bar(scene: Scene) -> float | None:
    """How much the pressure at one level differs from one visit to the next (bar, standard deviation); None: unknown.

    A level that differs from cycle to cycle is first brought to one current (`levelled_bar`). Of successive visits
    the differences count, so that a drift cancels, and their median, so that one visit in which the load has a say
    does not; likewise the median over levels.
    """
    spreads = [
        math.sqrt(max((_OF_DIFFERENCES * float(np.median(np.abs(np.diff(bar))))) ** 2 - own**2, 0.0))
        for _, bar, own in level_visits(scene)
    ]
    return float(np.median(spreads)) if len(spreads) >= _LEAST_LEVELS else None


def level_visits(scene: Scene) -> list[tuple[list[Dwell], FloatArray, float]]:
    """Visits of each level in order of time, their pressures at one current, and the standard error of one (bar)."""
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in recent(scene, scene.found.judged_pressure):
        group = groups.setdefault(key_of(dwell), [])
        if not group or dwell.from_s - group[-1].to_s > _NEXT_VISIT_S:  # not a piece of the same stay
            group.append(dwell)
    return [
        (group, levelled_bar(group, scene.sheet), float(np.median([d.pressure_se_bar for d in group])))
        for group in groups.values()
        if len(group) >= _LEAST_SCATTERED
    ]

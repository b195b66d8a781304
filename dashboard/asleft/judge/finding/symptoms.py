"""What is seen of the symptoms of the fault table: each one's possible values, or nothing where it is not known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from asleft.judge.finding.held_symptoms import held_changes
from asleft.judge.finding.lost_turns import seems_short_of_turns
from asleft.judge.finding.scene import Scene
from asleft.judge.finding.shapes import (
    LevelChange,
    asked_bar,
    current_shapes,
    following,
    pressure_shapes,
    size_values,
)
from asleft.judge.finding.signatures import AS_LEFT, Values
from asleft.judge.finding.strokes_told import response_change
from asleft.judge.segments.features import Dwell
from asleft.judge.types import QuantityResult, Verdict
from asleft.judge.valve.pressure import LevelKey, LevelPressure, key_of

#: The pressure has gone with the current from this share on, and has not under the other.
_FOLLOWED, _STOOD = 0.65, 0.35
#: A level whose pressure differs from visit to visit by this share of tolerance scatters.
SCATTERS = 0.3
_LEAST_VISITS = 2
#: A winding that is so much colder or hotter than on other days, or colder than so many degC, may have changed.
_COLDEST_DEGC, _COLDER_K, _HOTTER_K = 5.0, 15.0, 25.0
#: Share by which dither is seen to have moved, perhaps; from twice as much on, surely. Less than any tolerance,
#: because here it is a sign of something else: short-circuited turns let more of it through.
_DITHER_MOVED = 0.04
#: What limits the current is the coil itself as long as it takes no more than this times the coil's own resistance.
_OF_THE_COIL = 1.06
#: A winding's resistance at the hottest its insulation bears (class H, 180 degC: IEC 60085), by that at 20 degC; and
#: what it may seem to be where drop, duty or cable are not in the sheet.
_HOTTEST, _HOTTEST_UNSURE = 1.63, 2.2


def observe(scene: Scene) -> dict[str, Values]:
    """Symptom -> values it may have. A symptom that the channels do not show is absent."""
    out: dict[str, Values] = {}
    stretches = {stretch.kind for stretch in scene.stretches}
    out["command"] = _command(stretches)
    out["pinned"] = _pinned(stretches)
    out["readings"] = frozenset({"missing"}) if scene.missing else AS_LEFT
    if scene.seen.has_current:
        out["flow"] = _flow(scene, stretches)
    _driver(scene, out)
    _pressure(scene, out)
    _zeros(scene, out)
    _one(scene, out, "supply_voltage", "supply", {"-": "low"})
    _resistance(scene, out)
    _dither(scene, out)
    return out


def moved_by(result: QuantityResult | None) -> tuple[float, float] | None:
    """Change of a quantity since it was left (measured if known, else entered) and its expanded uncertainty."""
    if result is None or result.verdict is Verdict.NOT_OBSERVED or result.as_found is None:
        return None
    left = result.as_left_measured if result.as_left_measured is not None else result.as_left
    if left is None:
        return None
    unsure = result.change_uncertainty if result.change_uncertainty is not None else result.uncertainty
    return result.as_found - left, unsure or 0.0


def _values(result: QuantityResult | None) -> Values | None:
    change = moved_by(result)
    if result is None or change is None or result.tolerance_below is None or result.tolerance_above is None:
        return None
    return size_values(change[0], change[1], result.tolerance_below, result.tolerance_above)


def _one(scene: Scene, out: dict[str, Values], quantity: str, symptom: str, names: Mapping[str, str]) -> None:
    values = _values(scene.results.get(quantity))
    if values is not None:
        out[symptom] = frozenset(names.get(value, "as left") for value in values)


def _resistance(scene: Scene, out: dict[str, Values]) -> None:
    """The coil's resistance at 20 degC where it was measured cold, else what its temperature at work seems to be.

    One that seems much colder or hotter than on other days may have changed, or it is the weather.
    """
    warm = scene.coil.winding if scene.coil is not None else None
    if seems_short_of_turns(scene):
        out["resistance"] = frozenset({"-"})
        return
    _one(scene, out, "coil_resistance", "resistance", {"+": "+", "-": "-"})
    if warm is None or "resistance" in out:
        return
    usual = scene.usual_winding_degc
    cold = warm.degc < (usual - _COLDER_K if usual is not None else _COLDEST_DEGC + _COLDER_K)
    hot = usual is not None and warm.degc > usual + _HOTTER_K
    out["resistance"] = AS_LEFT | ({"-"} if cold else {"+"} if hot else frozenset())


def _command(stretches: set[str]) -> Values:
    if "command-failed" in stretches:
        return frozenset({"failed"})
    return frozenset({"beyond"}) if "command-clipped" in stretches else AS_LEFT


def _pinned(stretches: set[str]) -> Values:
    dead = {kind.partition(":")[2] for kind in stretches if kind.startswith(("pinned:", "stuck:"))}
    return frozenset(dead) or AS_LEFT


def _flow(scene: Scene, stretches: set[str]) -> Values:
    if "current-unwanted" in stretches:
        return frozenset({"unasked"})
    if "current-lost" not in stretches:
        return AS_LEFT
    lost = [stretch for stretch in scene.stretches if stretch.kind == "current-lost"]
    last = max(stretch.to_s for stretch in lost)
    # Settled current at a right level after the current was lost: it comes and goes.
    left = _ends(scene)
    back = left is not None and any(
        d.from_s > lost[0].to_s and d.current_a > 0.5 * left[0] and d.demand > 0.1 for d in scene.seen.dwells
    )
    again = any(d.from_s > last for d in scene.seen.dwells)
    return frozenset({"at times"}) if back and (len(lost) > 1 or again) else frozenset({"lost"})


def _ends(scene: Scene) -> tuple[float, float] | None:
    """Currents at zero and full as left, measured where known."""
    values = []
    for name in ("current_at_zero", "current_at_full"):
        result = scene.results.get(name)
        measured = result.as_left_measured if result is not None else None
        value = measured if measured is not None else scene.sheet.as_left.get(name)
        if value is None:
            return None
        values.append(value)
    return values[0], values[1]


def _driver(scene: Scene, out: dict[str, Values]) -> None:
    """Currents, ramps, the cut at the top."""
    zero, full = (scene.results.get(name) for name in ("current_at_zero", "current_at_full"))
    signs = [_values(zero), _values(full)]
    changes = [moved_by(zero), moved_by(full)]
    ends = _ends(scene)
    if signs[0] is not None and signs[1] is not None and changes[0] and changes[1] and ends:
        still = all("as left" in sign for sign in signs if sign is not None)
        surely = all(sign == AS_LEFT for sign in signs)
        shapes = current_shapes((changes[0][0], changes[1][0]), (changes[0][1], changes[1][1]), ends)
        out["currents"] = AS_LEFT if surely else shapes | AS_LEFT if still else shapes
    ramps = [_values(scene.results.get(name)) for name in ("ramp_up", "ramp_down")]
    if any(ramp is not None for ramp in ramps):
        out["ramps"] = _ramps(ramps)
    if scene.found.clip is not None or (scene.seen.has_current and scene.found.levels):
        out["top"] = frozenset({"cut"}) if short_of_full(scene) else AS_LEFT
    _response(scene, out)
    limit = limit_ohm(scene)
    if limit is not None and short_of_full(scene):
        coil = scene.sheet.coil
        sure = None not in (coil.driver_drop_v, coil.duty_max, coil.cable_resistance_ohm)
        hottest = (_HOTTEST if sure else _HOTTEST_UNSURE) * scene.sheet.as_left["coil_resistance"]
        out["limit"] = _limit(limit, warm_ohm(scene), scene.sheet.as_left["coil_resistance"], hottest)


def _response(scene: Scene, out: dict[str, Values]) -> None:
    """Whether the current settles otherwise than when left, or sets in later as a whole."""
    change = response_change(scene)
    if change is None:
        return
    moved, by_delay, slower = change
    out["late"] = frozenset({"current"}) if moved and by_delay else AS_LEFT
    out["response"] = frozenset({"slow" if slower else "quick"}) if moved and not by_delay else AS_LEFT


def _ramps(ramps: Sequence[Values | None]) -> Values:
    """Which ramps moved: those that cannot be seen may have."""
    out = set()
    for name, up, down in (
        ("as left", False, False),
        ("up", True, False),
        ("down", False, True),
        ("both", True, True),
    ):
        fits = all(
            values is None or (bool(values - AS_LEFT) if moves else "as left" in values)
            for values, moves in zip(ramps, (up, down), strict=True)
        )
        if fits:
            out.add(name)
    return frozenset(out)


def short_of_full(scene: Scene) -> bool:
    """Whether the current is cut off below what was commissioned for the command.

    A line that shifted upwards ends at the full current too: the driver takes no more than full command.
    """
    clip, ends = scene.found.clip, _ends(scene)
    if clip is None:
        return False
    tolerance = scene.sheet.tolerance.get("current_at_full")
    if ends is None or tolerance is None or not math.isfinite(tolerance.below):
        return True
    commissioned = ends[0] + min(clip.demand, 1.0) * (ends[1] - ends[0])
    return clip.limit_a < commissioned - 0.4 * tolerance.below


def _limit(limit_ohm: float, warm_ohm: float | None, left_ohm: float, hottest_ohm: float) -> Values:
    """What the resistance that explains a cut says; without the winding's own, all up to a hot coil may be it."""
    if limit_ohm < 0.98 * left_ohm:
        return frozenset({"low"})
    if warm_ohm is not None:
        return frozenset({"beyond"}) if limit_ohm > _OF_THE_COIL * warm_ohm else frozenset({"coil"})
    return frozenset({"beyond"}) if limit_ohm > hottest_ohm else frozenset({"coil", "beyond"})


def warm_ohm(scene: Scene) -> float | None:
    """Resistance of the winding (ohm) where the current is cut off, from coil voltage and current; None: not read.

    Only dwells that are cut themselves count: a coil that is heating up was cooler before.
    """
    clip = scene.found.clip
    if clip is None:
        return None
    rows = [
        d.coil_v / d.current_a
        for d in scene.seen.dwells
        if d.demand >= clip.demand - 0.02
        and d.coil_v > 0.0
        and 0.0 < d.current_a < 0.5 * (clip.limit_a + clip.demanded_a)
    ]
    return float(np.median(rows)) if rows else None


def limit_ohm(scene: Scene) -> float | None:
    """Resistance (ohm) of the coil that would explain where the current is cut off.

    From the supply voltage less the driver's drop, times its largest duty, over the current, less the cable. None
    where the current is not cut or a number is missing.
    """
    clip, supply = scene.found.clip, scene.results.get("supply_voltage")
    left = scene.sheet.as_left.get("coil_resistance")
    if clip is None or left is None or supply is None or supply.as_found is None:
        return None
    coil = scene.sheet.coil
    volts = (supply.as_found - (coil.driver_drop_v or 0.0)) * (coil.duty_max or 1.0)
    return volts / clip.limit_a - (coil.cable_resistance_ohm or 0.0)


def _pressure(scene: Scene, out: dict[str, Values]) -> None:
    """How the pressure moved over its levels, and whether it went with the current."""
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
    ends = _ends(scene) or (0.2, 1.0)
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
        return held_changes(scene, _ends(scene))
    control = scene.seen.control
    if control:
        learnt = _learnt_levels(scene, control)
        if len(learnt) >= 2:
            return learnt
    return _end_levels(scene)


def _learnt_levels(scene: Scene, control: Mapping[LevelKey, LevelPressure]) -> list[LevelChange]:
    ends = _ends(scene)
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
        now = [d.pressure_bar for d in group]
        current = [d.current_a for d in group if d.current_a == d.current_a]
        change_a = None
        if current and ends is not None:
            change_a = float(np.median(current)) - (ends[0] + min(max(demand, 0.0), 1.0) * (ends[1] - ends[0]))
        own = float(np.median([d.pressure_se_bar for d in group]))
        spread = 1.4826 * float(np.median(np.abs(np.array(now) - np.median(now))))
        left = control[key].pressure_bar
        out.append(
            LevelChange(
                demand,
                float(key[1]),
                left,
                float(np.median(now)) - left,
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
    ends = _ends(scene)
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

    Differences of successive visits, so that a drift cancels; the median over levels, so that one level where the
    load has a say does not count.
    """
    groups: dict[LevelKey, list[Dwell]] = {}
    for dwell in recent(scene, scene.found.judged_pressure):
        groups.setdefault(key_of(dwell), []).append(dwell)
    spreads = []
    for group in groups.values():
        if len(group) < 4:
            continue
        steps = np.abs(np.diff([d.pressure_bar for d in group]))
        own = float(np.median([d.pressure_se_bar for d in group]))
        spreads.append(math.sqrt(max(float(np.mean(steps**2)) / 2.0 - own**2, 0.0)))
    return float(np.median(spreads)) if len(spreads) >= 2 else None


def _zeros(scene: Scene, out: dict[str, Values]) -> None:
    """Readings of pressure without pressure, and of current without current, against those when left."""
    for symptom, shift, names in (
        ("vented", scene.vented_shift_bar, ("pressure_at_full", "pressure_at_zero")),
        ("idle", scene.idle_shift_a, ("current_at_zero", "current_at_full")),
    ):
        widths = [scene.sheet.tolerance[n] for n in names if n in scene.sheet.tolerance]
        finite = [w for t in widths for w in (t.below, t.above) if math.isfinite(w)]
        if shift is not None and finite:
            out[symptom] = size_values(shift, 0.0, min(finite), min(finite))


def _dither(scene: Scene, out: dict[str, Values]) -> None:
    amplitude, frequency = scene.results.get("dither_amplitude"), scene.results.get("dither_frequency")
    if (
        amplitude is not None
        and amplitude.as_found is not None
        and amplitude.as_left
        and amplitude.as_found < 0.25 * amplitude.as_left
    ):
        out["dither"] = frozenset({"lost"})
        return
    moved, surely = set(), False
    for name, result in (("strength", amplitude), ("frequency", frequency)):
        change = moved_by(result)
        if change is None or result is None or not result.as_left:
            continue
        share, unsure = abs(change[0]) / result.as_left, change[1] / result.as_left
        if share > max(_DITHER_MOVED, 2.0 * unsure):
            moved.add(name)
            surely |= share > max(2.0 * _DITHER_MOVED, 3.0 * unsure)
    if amplitude is not None and moved_by(amplitude) is not None:
        out["dither"] = frozenset(moved) if surely else frozenset(moved) | AS_LEFT

"""What is seen on the current's side of the fault table: flow, line, ramps, answer, and where it is cut off."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.finding.change_from_baseline import ends_of, moved_by, values_of
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.shapes import current_shapes
from asleft.judge.finding.signatures import AS_LEFT, Values
from asleft.judge.finding.stroke_findings import late_moves, read_late, response_change

#: What limits the current is the coil itself as long as it takes no more than this times the coil's own resistance.
_OF_THE_COIL = 1.06
#: A winding's resistance at the hottest its insulation bears (class H, 180 degC: IEC 60085), by that at 20 degC; and
#: what it may seem to be where drop, duty or cable are not in the sheet.
_HOTTEST, _HOTTEST_UNSURE = 1.63, 2.2


def add_current_symptoms(context: FindingContext, out: dict[str, Values]) -> None:
    """Put the symptoms of currents, ramps, answer and the cut at the top that can be seen into `out`."""
    zero, full = (context.results.get(name) for name in ("current_at_zero", "current_at_full"))
    signs = [values_of(zero), values_of(full)]
    changes = [moved_by(zero), moved_by(full)]
    ends = ends_of(context)
    if signs[0] is not None and signs[1] is not None and changes[0] and changes[1] and ends:
        still = all("as left" in sign for sign in signs if sign is not None)
        surely = all(sign == AS_LEFT for sign in signs)
        shapes = current_shapes((changes[0][0], changes[1][0]), (changes[0][1], changes[1][1]), ends)
        out["currents"] = AS_LEFT if surely else shapes | AS_LEFT if still else shapes
    elif signs != [None, None]:
        out["currents"] = _by_one_end(signs)
    ramps = [values_of(context.results.get(name)) for name in ("ramp_up", "ramp_down")]
    if any(ramp is not None for ramp in ramps):
        out["ramps"] = _ramps(ramps)
    if context.found.clip is not None or (context.seen.has_current and context.found.levels):
        out["top"] = frozenset({"cut"}) if short_of_full(context) else AS_LEFT
    _response(context, out)
    limit = limit_ohm(context)
    if limit is not None and short_of_full(context):
        coil = context.sheet.coil
        sure = None not in (coil.driver_drop_v, coil.duty_max, coil.cable_resistance_ohm)
        hottest = (_HOTTEST if sure else _HOTTEST_UNSURE) * context.sheet.as_left["coil_resistance"]
        out["limit"] = _limit(limit, warm_ohm(context), context.sheet.as_left["coil_resistance"], hottest)


def _by_one_end(signs: Sequence[Values | None]) -> Values:
    """Shapes of how both ends of the current may have moved where one is not seen; `signs`: at zero, at full."""
    seen, alone, other = (signs[0], "zero", "full") if signs[1] is None else (signs[1], "full", "zero")
    out = set()
    for sign in seen or ():
        if sign == "as left":
            out |= {"as left", f"{other}+", f"{other}-"}
        else:
            out |= {"other", *(f"{shape}{sign}" for shape in (alone, "gain", "offset"))}
    return frozenset(out)


def flow_of(context: FindingContext, stretches: set[str]) -> Values:
    """Whether current flows where none is asked, or none where some is; `stretches`: kinds of what was watched."""
    if "current-unwanted" in stretches:
        return frozenset({"unasked"})
    if "current-lost" not in stretches:
        return AS_LEFT
    lost = [stretch for stretch in context.stretches if stretch.kind == "current-lost"]
    last = max(stretch.to_s for stretch in lost)
    # Settled current at a right level after the current was lost: it comes and goes.
    left = ends_of(context)
    back = left is not None and any(
        d.from_s > lost[0].to_s and d.current_a > 0.5 * left[0] and d.demand > 0.1 for d in context.seen.dwells
    )
    again = any(d.from_s > last for d in context.seen.dwells)
    return frozenset({"at times"}) if back and (len(lost) > 1 or again) else frozenset({"lost"})


def _response(context: FindingContext, out: dict[str, Values]) -> None:
    """Whether the current settles otherwise than when left, or sets in later as a whole."""
    if read_late(context):
        out["late"] = frozenset({"command"})
        return
    if late_moves(context):
        out["late"] = frozenset({"pressure"})
        return
    change = response_change(context)
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


def short_of_full(context: FindingContext) -> bool:
    """Whether the current is cut off below what was commissioned for the command, by 0.4 of its tolerance or more.

    A line that shifted upwards ends at the full current too: the driver takes no more than full command.
    """
    return cut_share(context) > 0.4 * context.deadband_factor("current-clipped")


def cut_share(context: FindingContext) -> float:
    """How far the current is cut off below what was commissioned, in tolerances; 0 without a cut, inf if unknown."""
    clip, ends = context.found.clip, ends_of(context)
    if clip is None:
        return 0.0
    tolerance = context.sheet.tolerance.get("current_at_full")
    if ends is None or tolerance is None or not math.isfinite(tolerance.below):
        return math.inf
    highest = max((level.demand for level in context.found.levels), default=clip.demand)
    commissioned = ends[0] + min(max(highest, clip.top), 1.0) * (ends[1] - ends[0])
    return (commissioned - clip.limit_a) / tolerance.below if tolerance.below > 0.0 else math.inf


def _limit(limit_ohm: float, warm_ohm: float | None, left_ohm: float, hottest_ohm: float) -> Values:
    """What the resistance that explains a cut says; without the winding's own, all up to a hot coil may be it."""
    if limit_ohm < 0.98 * left_ohm:
        return frozenset({"low"})
    if warm_ohm is not None:
        return frozenset({"beyond"}) if limit_ohm > _OF_THE_COIL * warm_ohm else frozenset({"coil"})
    return frozenset({"beyond"}) if limit_ohm > hottest_ohm else frozenset({"coil", "beyond"})


def warm_ohm(context: FindingContext) -> float | None:
    """Resistance of the winding (ohm) where the current is cut off, from coil voltage and current; None: not read.

    Only dwells that are cut themselves count: a coil that is heating up was cooler before.
    """
    clip = context.found.clip
    if clip is None:
        return None
    rows = [
        d.coil_v / d.current_a
        for d in context.seen.dwells
        if d.demand >= clip.demand - 0.02
        and d.coil_v > 0.0
        and 0.0 < d.current_a < 0.5 * (clip.limit_a + clip.demanded_a)
    ]
    return float(np.median(rows)) if rows else None


def limit_ohm(context: FindingContext) -> float | None:
    """Resistance (ohm) of the coil that would explain where the current is cut off.

    From the supply voltage less the driver's drop, times its largest duty, over the current, less the cable. None
    where the current is not cut or a number is missing.
    """
    clip, supply = context.found.clip, context.results.get("supply_voltage")
    left = context.sheet.as_left.get("coil_resistance")
    if clip is None or left is None or supply is None or supply.as_found is None:
        return None
    coil = context.sheet.coil
    volts = (supply.as_found - (coil.driver_drop_v or 0.0)) * (coil.duty_max or 1.0)
    return volts / clip.limit_a - (coil.cable_resistance_ohm or 0.0)

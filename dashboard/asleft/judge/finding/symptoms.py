"""What is seen of the symptoms of the fault table, those of the current's side among them.

Each has its possible values, or nothing where it is not known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from asleft.judge.coil.coil import copper
from asleft.judge.finding.context import (
    FindingContext,
    current_shapes,
    ends_of,
    make,
    moved_by,
    size_values,
    values_of,
)
from asleft.judge.finding.loop_within import loop_within
from asleft.judge.finding.pressure_symptoms import add_pressure_symptoms, stays_stood
from asleft.judge.finding.signatures import AS_LEFT, Values
from asleft.judge.finding.watched import dead_channels, late_moves, read_late, response_change
from asleft.judge.finding.within import moved_within
from asleft.judge.types import Finding, QuantityResult, Verdict

# What is seen on the current's side of the fault table: flow, line, ramps, answer, and where it is cut off.

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


def likelier_currents(context: FindingContext) -> dict[str, Values]:
    """That the currents are as left, where both lie near there though a change may hide in what is not known of them.

    Near: by less than what is no change. What moved the pressure is then likelier something else.
    """
    for name in ("current_at_zero", "current_at_full"):
        result = context.results.get(name)
        change = moved_by(result)
        if change is None or size_values(change[0], 0.0, *_widths(result)) != AS_LEFT:
            return {}
    return {"currents": AS_LEFT}


def _widths(result: QuantityResult | None) -> tuple[float, float]:
    """Tolerance below and above; none where it has none."""
    below, above = (None, None) if result is None else (result.tolerance_below, result.tolerance_above)
    return math.inf if below is None else below, math.inf if above is None else above


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

    A line that shifted upwards ends at the full current too: the driver takes no more than full command. But where
    the pressure there is too low, it is the reading that shifted, and the current is cut off below it.
    """
    least = 0.4 * context.deadband_factor("current-clipped")
    if cut_share(context) > least:
        return True
    clip, tolerance = context.found.clip, context.sheet.tolerance.get("current_at_full")
    pressure = context.results.get("pressure_at_full")
    if clip is None or tolerance is None or pressure is None or pressure.verdict is not Verdict.OUT:
        return False
    fell = (pressure.as_found or 0.0) < (pressure.as_left or 0.0)
    return fell and clip.demanded_a - clip.limit_a > least * tolerance.below


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


# A winding whose resistance is too low for any temperature it can have: turns of it are short-circuited.
#
# A coil at work sits on a valve full of oil and heats itself, so it is hardly colder than the oil. Where its voltage
# and current say a temperature far below, the copper is not all there. It needs coil voltage and oil temperature;
# without them a short shows in dither and in the force alone. It misses a short of less than about a tenth of the
# turns, which a warm day hides; it cries wolf where the coil voltage is read wrong.

#: How much colder than the oil, and than on other days, a winding at work has to seem (K).
_BELOW_OIL_K, _BELOW_USUAL_K = 25.0, 15.0


def seems_short_of_turns(context: FindingContext) -> bool:
    """Whether the winding seems colder than it can be."""
    winding = context.coil.winding if context.coil is not None else None
    oil = [d.oil_degc for d in context.seen.dwells if d.producing > 0.5 and np.isfinite(d.oil_degc)]
    if winding is None or not oil:
        return False
    warmest = winding.degc + winding.u_k
    usual = context.usual_winding_degc
    back = context.deadband_factor("coil-changed")
    return warmest < min(oil) - back * _BELOW_OIL_K and (usual is None or warmest < usual - back * _BELOW_USUAL_K)


def shorted_turns(context: FindingContext) -> list[Finding]:
    """The finding of a coil with shorted turns, or none."""
    if not seems_short_of_turns(context) or context.coil is None or context.coil.resistance is None:
        return []
    winding = context.coil.winding
    if winding is None:
        return []
    evidence = (
        f"Coil voltage and current give {context.coil.resistance.ohm:.2f} Ω: the winding would be at "
        f"{winding.degc:.0f} °C at work, colder than its oil, so turns are missing."
    )
    return [make("coil-changed", evidence, _onset_s(context, context.coil.resistance.ohm))]


def _onset_s(context: FindingContext, ohm: float) -> float | None:
    """The first dwell whose resistance is nearer to what it is now than to a whole winding's at the oil's heat."""
    left = context.sheet.as_left.get("coil_resistance")
    if left is None:
        return None
    oil = float(np.median([d.oil_degc for d in context.seen.dwells if np.isfinite(d.oil_degc)]))
    whole = left * copper(oil)
    return min(
        (d.from_s for d in context.seen.dwells if d.current_a > 0.0 and d.coil_v / d.current_a < 0.5 * (whole + ohm)),
        default=None,
    )


#: Of the end of a range, below which a reading is no longer there.
_BELOW_END = 0.98
_PRESSURES = ("pressure_at_zero", "pressure_at_full")
#: A winding that is so much colder or hotter than on other days, or colder than so many degC, may have changed.
_COLDEST_DEGC, _COLDER_K, _HOTTER_K = 5.0, 15.0, 25.0
#: Share by which dither is seen to have moved, perhaps; from twice as much on, surely. Less than any tolerance,
#: because here it is a sign of something else: short-circuited turns let more of it through.
_DITHER_MOVED = 0.04


def observe(context: FindingContext) -> dict[str, Values]:
    """Symptom -> values it may have. A symptom that the channels do not show is absent."""
    out: dict[str, Values] = {}
    stretches = {stretch.kind for stretch in context.stretches}
    out["command"] = _command(stretches)
    out["pinned"] = _pinned(context, stretches)
    out["readings"] = frozenset({"missing"}) if context.missing else AS_LEFT
    if context.seen.has_current:
        out["flow"] = flow_of(context, stretches)
    add_current_symptoms(context, out)
    add_pressure_symptoms(context, out)
    if stays_stood(context):
        out["scatter"] = frozenset({"more"})
    _leave_out_earlier(context, out)
    _zeros(context, out)
    _one(context, out, "supply_voltage", "supply", {"-": "low"})
    _one(context, out, "hysteresis", "loop", {"+": "wide"})
    if "wide" in out.get("loop", ()) and any(moved_within(context, name) for name in _PRESSURES):
        out["loop"] |= AS_LEFT  # branches that were met at different times lie as far apart as the pressure moved
    if out.get("scatter") != frozenset({"more"}) and loop_within(context) is not None:
        out["loop"] = frozenset({"wide"})
        out["pressure"] = out.get("pressure", AS_LEFT) | {"loop+"}
    _resistance(context, out)
    _dither(context, out)
    return out


def _leave_out_earlier(context: FindingContext, out: dict[str, Values]) -> None:
    """Once the current is lost for good, what was read of the pressure before says nothing of why it is."""
    if out.get("flow") != frozenset({"lost"}):
        return
    since_s = min(stretch.from_s for stretch in context.stretches if stretch.kind == "current-lost")
    if all(dwell.from_s < since_s for dwell in context.found.judged_pressure):
        for symptom in ("pressure", "following", "scatter"):
            out.pop(symptom, None)


def _one(
    context: FindingContext, out: dict[str, Values], quantity: str, symptom: str, names: Mapping[str, str]
) -> None:
    values = values_of(context.results.get(quantity))
    if values is not None:
        out[symptom] = frozenset(names.get(value, "as left") for value in values)


def _resistance(context: FindingContext, out: dict[str, Values]) -> None:
    """The coil's resistance at 20 degC where it was measured cold, else what its temperature at work seems to be.

    One that seems much colder or hotter than on other days may have changed, or it is the weather.
    """
    warm = context.coil.winding if context.coil is not None else None
    if seems_short_of_turns(context):
        out["resistance"] = frozenset({"-"})
        return
    _one(context, out, "coil_resistance", "resistance", {"+": "+", "-": "-"})
    if warm is None or "resistance" in out:
        return
    usual = context.usual_winding_degc
    cold = warm.degc < (usual - _COLDER_K if usual is not None else _COLDEST_DEGC + _COLDER_K)
    hot = usual is not None and warm.degc > usual + _HOTTER_K
    out["resistance"] = AS_LEFT | ({"-"} if cold else {"+"} if hot else frozenset())


def _command(stretches: set[str]) -> Values:
    if "command-failed" in stretches:
        return frozenset({"failed"})
    return frozenset({"beyond"}) if "command-clipped" in stretches else AS_LEFT


def _pinned(context: FindingContext, stretches: set[str]) -> Values:
    dead = dead_channels(context) - _ends_and_comes_back(context)
    if "stuck:supply" in stretches and "supply" in dead:
        dead = dead - {"supply"} | {"dead supply"}
    return dead or AS_LEFT


def _ends_and_comes_back(context: FindingContext) -> Values:
    """Channels that only stop at the end of their instrument now and then: what lies below is read, and is right."""
    out = set()
    for channel in ("current", "pressure"):
        ends = [s for s in context.stretches if s.kind == f"pinned:{channel}"]
        stuck = any(s.kind == f"stuck:{channel}" for s in context.stretches)
        if not ends or stuck:
            continue
        first_s, end = min(s.to_s for s in ends), _BELOW_END * ends[0].detail["value"]
        later = [d for d in context.seen.dwells if d.from_s > first_s]
        if any((d.current_a if channel == "current" else d.pressure_bar) < end for d in later):  # NaN: not read
            out.add(channel)
    return frozenset(out)


def _zeros(context: FindingContext, out: dict[str, Values]) -> None:
    """Readings of pressure without pressure, and of current without current, against those when left."""
    for symptom, shift, names in (
        ("vented", context.vented_shift_bar, ("pressure_at_full", "pressure_at_zero")),
        ("idle", context.idle_shift_a, ("current_at_zero", "current_at_full")),
    ):
        widths = [context.sheet.tolerance[n] for n in names if n in context.sheet.tolerance]
        finite = [w for t in widths for w in (t.below, t.above) if math.isfinite(w)]
        if shift is not None and finite:
            out[symptom] = size_values(shift, 0.0, min(finite), min(finite))


def _dither(context: FindingContext, out: dict[str, Values]) -> None:
    amplitude, frequency = context.results.get("dither_amplitude"), context.results.get("dither_frequency")
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
            moved.add(f"{name}{'+' if change[0] > 0.0 else '-'}" if name == "strength" else name)
            surely |= share > max(2.0 * _DITHER_MOVED, 3.0 * unsure)
    if amplitude is not None and moved_by(amplitude) is not None:
        out["dither"] = frozenset(moved) if surely else frozenset(moved) | AS_LEFT

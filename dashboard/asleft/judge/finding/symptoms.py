"""What is seen of the symptoms of the fault table: each one's possible values, or nothing where it is not known."""

from __future__ import annotations

import math
from collections.abc import Mapping

from asleft.judge.finding.change_from_baseline import moved_by, values_of
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.current_symptoms import add_current_symptoms, flow_of
from asleft.judge.finding.loop_within import loop_within
from asleft.judge.finding.pressure_symptoms import add_pressure_symptoms
from asleft.judge.finding.shapes import size_values
from asleft.judge.finding.shorted_turns import seems_short_of_turns
from asleft.judge.finding.signatures import AS_LEFT, Values
from asleft.judge.finding.sticking import stays_stood
from asleft.judge.finding.watched import dead_channels
from asleft.judge.finding.within import moved_within

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

"""What is seen of the symptoms of the fault table: each one's possible values, or nothing where it is not known."""

from __future__ import annotations

import math
from collections.abc import Mapping

from asleft.judge.finding.current_symptoms import add_current_symptoms, flow_of
from asleft.judge.finding.lost_turns import seems_short_of_turns
from asleft.judge.finding.pressure_symptoms import add_pressure_symptoms
from asleft.judge.finding.scene import Scene
from asleft.judge.finding.shapes import size_values
from asleft.judge.finding.signatures import AS_LEFT, Values
from asleft.judge.finding.since_left import moved_by, values_of

#: A winding that is so much colder or hotter than on other days, or colder than so many degC, may have changed.
_COLDEST_DEGC, _COLDER_K, _HOTTER_K = 5.0, 15.0, 25.0
#: Share by which dither is seen to have moved, perhaps; from twice as much on, surely. Less than any tolerance,
#: because here it is a sign of something else: short-circuited turns let more of it through.
_DITHER_MOVED = 0.04


def observe(scene: Scene) -> dict[str, Values]:
    """Symptom -> values it may have. A symptom that the channels do not show is absent."""
    out: dict[str, Values] = {}
    stretches = {stretch.kind for stretch in scene.stretches}
    out["command"] = _command(stretches)
    out["pinned"] = _pinned(stretches)
    out["readings"] = frozenset({"missing"}) if scene.missing else AS_LEFT
    if scene.seen.has_current:
        out["flow"] = flow_of(scene, stretches)
    add_current_symptoms(scene, out)
    add_pressure_symptoms(scene, out)
    _zeros(scene, out)
    _one(scene, out, "supply_voltage", "supply", {"-": "low"})
    _one(scene, out, "hysteresis", "loop", {"+": "wide"})
    _resistance(scene, out)
    _dither(scene, out)
    return out


def _one(scene: Scene, out: dict[str, Values], quantity: str, symptom: str, names: Mapping[str, str]) -> None:
    values = values_of(scene.results.get(quantity))
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

"""Which part likely moved when a quantity did: what the other channels say."""

from __future__ import annotations

from asleft.judge.faults import FAULTS, KIND_OF
from asleft.judge.scene import Scene, moved
from asleft.judge.types import Part
from asleft.sheet.model import Where


def part_of(scene: Scene, name: str) -> tuple[Part, tuple[Part, ...], str]:
    """Likely part, what else it may be, and the evidence that tells them apart."""
    fault = FAULTS[KIND_OF[name]]
    if name.startswith("ramp"):
        other = moved(scene, "ramp_down" if name == "ramp_up" else "ramp_up")
        which = "The other ramp moved with it." if other else "The other ramp did not move." if other is False else ""
        return fault.part, (Part.DRIVER,) if other else (), f" {which}" if which else ""
    if name.startswith("current"):
        return _current_part(scene, name)
    if name.startswith("pressure"):
        return _pressure_part(scene, name)
    return fault.part, fault.alternatives, ""


def _current_part(scene: Scene, name: str) -> tuple[Part, tuple[Part, ...], str]:
    instrument = scene.sheet.instruments.get("current")
    where = instrument.where if instrument is not None else None
    end = "pressure_at_zero" if name.endswith("zero") else "pressure_at_full"
    followed = moved(scene, end)
    if followed is None:
        return Part.DRIVER_SETTING, (Part.CURRENT_SENSOR,), " No pressure to tell driver and current reading apart."
    if where is Where.MONITOR:
        return Part.DRIVER, (Part.CURRENT_SENSOR,), " The current is the driver's own monitor output."
    if followed:
        return Part.DRIVER_SETTING, (), " Pressure moved with it, so the current really changed."
    return Part.CURRENT_SENSOR, (Part.DRIVER_SETTING,), " Pressure did not move with it."


def _pressure_part(scene: Scene, name: str) -> tuple[Part, tuple[Part, ...], str]:
    shift = scene.vented_shift_bar
    result = scene.results[name]
    if shift is not None and result.as_found is not None and result.as_left is not None:
        change = result.as_found - (
            result.as_left_measured if result.as_left_measured is not None else result.as_left
        )
        if abs(change) > 0 and abs(shift) > 0.5 * abs(change) and shift * change > 0:
            return Part.PRESSURE_SENSOR, (), f" With the press stopped and vented it reads {shift:+.1f} bar too."
    current = moved(scene, "current_at_zero" if name.endswith("zero") else "current_at_full")
    if scene.found.clip is not None:
        return Part.VALVE, (), " The current is clipped."
    if current is None:
        return Part.VALVE, (Part.DRIVER, Part.PRESSURE_SENSOR), " No current reading to tell driver and valve apart."
    if current:
        return Part.DRIVER_SETTING, (Part.VALVE,), " The current changed with it."
    vented = " and the reading with the press vented is right" if shift is not None else ""
    others = (Part.PRESSURE_SOURCE,) if shift is not None else (Part.PRESSURE_SOURCE, Part.PRESSURE_SENSOR)
    return Part.VALVE, others, f" The current is as left{vented}."

"""From verdicts, charts and watched conditions to findings: kind, likely part, onset, one sentence of evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.charts import Chart
from asleft.judge.estimates import AsFound, Seen
from asleft.judge.faults import FAULTS, KIND_OF
from asleft.judge.onset import feature_series, onset_of
from asleft.judge.pressure import LevelKey, ceiling_bar, key_of, steady
from asleft.judge.types import Finding, Part, QuantityResult, Verdict
from asleft.judge.watch import Stretch
from asleft.sheet.model import Sheet, Where
from asleft.sheet.names import LABELS, format_quantity


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything findings rest on."""

    sheet: Sheet
    seen: Seen
    found: AsFound
    results: Mapping[str, QuantityResult]
    charts: Mapping[str, Chart]
    stretches: Sequence[Stretch]
    missing: Mapping[str, int]  # unusable readings by reason
    readings: int  # usable ones, beside the missing
    vented_shift_bar: float | None  # pressure reading while stopped and vented, now minus when left


def find(scene: Scene, earlier: Mapping[str, Finding]) -> list[Finding]:
    """All findings now, worst first.

    One already known keeps its onset; one whose quantity is undecided or not observed stays as it was, because not
    seeing a fault is no sign that it has gone.
    """
    raised = _watched(scene) + _clipped(scene) + _quantities(scene) + _missing(scene)
    now: dict[str, Finding] = {}
    for finding in raised:
        if finding.kind not in now or finding.severity > now[finding.kind].severity:
            now[finding.kind] = finding
    for kind, known in earlier.items():
        if kind in now:
            if known.onset_s is not None:
                now[kind] = replace(now[kind], onset_s=known.onset_s)
        elif _unclear(scene, kind):
            now[kind] = known
    linked = [_link(replace(finding, consequence_of=None), now, scene) for finding in now.values()]
    return sorted(linked, key=lambda f: (f.consequence_of is not None, -f.severity, f.kind))


def _unclear(scene: Scene, kind: str) -> bool:
    names = [name for name, k in KIND_OF.items() if k == kind and name in scene.results]
    if kind == "dither-lost":
        names = ["dither_amplitude"]
    if kind == "current-clipped":
        names = ["current_at_full"]
        top = max((level.demand for level in scene.found.levels), default=0.0)
        return top < 0.9 or scene.results.get("current_at_full") is None
    unclear = {Verdict.UNDECIDED, Verdict.NOT_OBSERVED}
    return bool(names) and all(scene.results[name].verdict in unclear for name in names if name in scene.results)


def _make(kind: str, evidence: str, onset_s: float | None, **changes: object) -> Finding:
    fault = FAULTS[kind]
    base = Finding(kind, fault.part, fault.alternatives, onset_s, fault.severity, evidence)
    return replace(base, **changes)  # type: ignore[arg-type]


# ------------------------------------------------------------------------------------------ watched conditions


def _watched(scene: Scene) -> list[Finding]:
    out = []
    for kind in ("command-failed", "command-clipped", "current-lost", "current-unwanted", "pressure-unwanted"):
        stretches = [s for s in scene.stretches if s.kind == kind]
        if stretches:
            out.append(_watched_one(kind, stretches, scene))
    out += _above_characteristic(scene)
    for stretch in scene.stretches:
        how, _, channel = stretch.kind.partition(":")
        if how in {"pinned", "stuck"}:
            part = {"current": Part.CURRENT_SENSOR, "pressure": Part.PRESSURE_SENSOR, "command": Part.COMMAND_WIRING}
            value = stretch.detail.get("value", math.nan)
            what = "stays at the end of its range" if how == "pinned" else "does not move while the command does"
            evidence = f"The {channel} reading {what} ({value:.4g})."
            out.append(
                _make(
                    "reading-pinned",
                    evidence,
                    stretch.from_s,
                    part=part.get(channel, Part.SUPPLY),
                    alternatives=(Part.DATA,),
                )
            )
    return out


def _watched_one(kind: str, stretches: Sequence[Stretch], scene: Scene) -> Finding:
    first, last = stretches[0], stretches[-1]
    value = last.detail.get("value", math.nan)
    signal = scene.sheet.signal
    times = "" if len(stretches) == 1 else f" ({len(stretches)} times)"
    if kind in {"command-failed", "command-clipped"}:
        reading = signal.at_zero + value * (signal.at_full - signal.at_zero)
        limit = "outside 3.6 to 21 mA" if kind == "command-failed" else "beyond its range"
        return _make(kind, f"The command signal stood at {reading:.2f} {signal.unit}, {limit}{times}.", first.from_s)
    if kind == "current-lost":
        evidence = f"The driver is commanded, and {value:.3f} A flows{times}."
        return _make(kind, evidence, first.from_s)
    if kind == "current-unwanted":
        return _make(kind, f"{value:.3f} A flows that no command asks for{times}.", first.from_s)
    return _make(
        kind, f"Pressure rose to {value:.0f} bar while the machine was stopped or not enabled{times}.", first.from_s
    )


def _above_characteristic(scene: Scene) -> list[Finding]:
    """Steady pressure well above what the valve should let through: evidence whoever is in control."""
    sheet = scene.sheet
    full = sheet.as_left.get("pressure_at_full")
    if full is None or sheet.controls != "pressure":
        return []
    tolerance = sheet.tolerance["pressure_at_full"].above
    margin = max(3.0 * tolerance, 0.08 * full)
    above = []
    for dwell in steady(scene.seen.dwells, sheet):
        ceiling = ceiling_bar(sheet, min(max(dwell.demand, 0.0), 1.0), -1.0)
        if ceiling is not None and math.isfinite(margin) and dwell.pressure_bar > ceiling + margin:
            above.append((dwell, ceiling))
    if len(above) < 2:
        return []
    dwell, ceiling = above[-1]
    here = f"{dwell.pressure_bar:.0f} bar at {100 * dwell.demand:.0f} % command"
    evidence = f"{here}, where the valve was left at {ceiling:.0f} bar."
    return [_make("pressure-unwanted", evidence, above[0][0].from_s)]


# ------------------------------------------------------------------------------------------ clipping


def _clipped(scene: Scene) -> list[Finding]:
    out = []
    clip = scene.found.clip
    if clip is not None:
        evidence = f"Current stops at {clip.limit_a:.3f} A where {clip.demanded_a:.3f} A is demanded."
        part, others, why = _clip_part(scene, clip.limit_a)
        out.append(_make("current-clipped", evidence + why, clip.from_s, part=part, alternatives=others))
    plateau = _pressure_plateau(scene)
    if plateau is not None:
        out.append(plateau)
    return out


def _clip_part(scene: Scene, limit_a: float) -> tuple[Part, tuple[Part, ...], str]:
    supply = scene.results.get("supply_voltage")
    if supply is not None and supply.as_found is not None and supply.as_left is not None:
        sag = 1.0 - supply.as_found / supply.as_left
        if sag > 0.05:
            return (
                Part.SUPPLY,
                (Part.COIL,),
                f" The supply is at {supply.as_found:.1f} V, left at {supply.as_left:.1f} V.",
            )
        why = f" The supply is at {supply.as_found:.1f} V"
        left = scene.sheet.as_left.get("coil_resistance")
        if left is not None:
            drop = scene.sheet.coil.driver_drop_v or 0.0
            duty = scene.sheet.coil.duty_max or 1.0
            cable = scene.sheet.coil.cable_resistance_ohm or 0.0
            resistance = (supply.as_found - drop) * duty / limit_a - cable
            # Copper, IEC 60028: R(T) = R20 (1 + 0.00393 (T - 20)).
            temperature = 20.0 + (resistance / left - 1.0) / 0.00393
            why += f", so the coil is at {resistance:.1f} ohm: {temperature:.0f} degC for {left:.1f} ohm at 20 degC"
            if resistance < left:
                return Part.DRIVER, (Part.COIL,), f"{why}: the driver limits."
        return Part.COIL, (Part.DRIVER,), f"{why}."
    return Part.COIL, (Part.SUPPLY, Part.DRIVER), " Supply not recorded, so coil and supply cannot be told apart."


def _pressure_plateau(scene: Scene) -> Finding | None:
    """Top levels fell and lie together, lower controlled levels did not, and the current is right."""
    if not scene.found.control or scene.seen.control is None or scene.found.clip is not None:
        return None
    tolerance = scene.sheet.tolerance.get("pressure_at_full")
    if tolerance is None:
        return None
    # By branch: a wider hysteresis lowers the rising and lifts the falling one, and must not look like a plateau.
    change: dict[LevelKey, list[tuple[float, float, float]]] = {}
    for dwell in scene.found.judged_pressure:
        level = scene.found.control.get(key_of(dwell))
        if level is not None:
            off = dwell.pressure_bar - level.pressure_bar
            change.setdefault(key_of(dwell), []).append((off, dwell.pressure_bar, dwell.from_s))
    rising = sorted(step for step, arrival in change if arrival > 0)
    if len(change) < 3 or not rising:
        return None
    moved = {key: float(np.median([c[0] for c in changes])) for key, changes in change.items()}
    pressure = {step: float(np.median([c[1] for c in change[step, 1]])) for step in rising}
    fallen = [step for step in rising if moved[step, 1] < -tolerance.below]
    top = rising[-1]
    others = [key for key in change if 0 < key[0] < min(fallen, default=0)]
    if top not in fallen or not others or any(step not in fallen for step in rising if step > min(fallen)):
        return None
    # A changed gain would lower the levels below in proportion; a relief leaves them alone.
    if any(abs(moved[key]) > 0.4 * abs(moved[top, 1]) * key[0] / top for key in others):
        return None
    if max(pressure[k] for k in fallen) - min(pressure[k] for k in fallen) > tolerance.below:
        return None
    below = max(others)[0]
    evidence = (
        f"Pressure no longer follows above {pressure[top]:.0f} bar: {-moved[top, 1]:.0f} bar less than when left at "
        f"{5 * top} % command, while {5 * below} % is unchanged."
    )
    return _make(
        "pressure-clipped", evidence, min(c[2] for k in fallen for c in change[k, 1] if c[0] < -tolerance.below)
    )


# ------------------------------------------------------------------------------------------ quantities


def _quantities(scene: Scene) -> list[Finding]:
    out = []
    for name, result in scene.results.items():
        if name not in KIND_OF:
            continue
        if name == "dither_amplitude" and _dither_lost(result):
            evidence = (
                f"The bursts show no dither; it was left at {format_quantity(name, result.as_left)} peak to peak."
            )
            out.append(_make("dither-lost", evidence, _onset(scene, name)))
            continue
        chart = scene.charts.get(name)
        signal = chart.signal() if chart is not None else None
        if result.verdict is Verdict.OUT:
            out.append(_changed(scene, name, result, _onset(scene, name), severity=2))
        elif (
            signal is not None
            and result.verdict in {Verdict.IN, Verdict.UNDECIDED}
            and _counts(scene, name, signal[0])
        ):
            out.append(_changed(scene, name, result, signal[1], severity=1))
    if any(f.kind == "dither-lost" for f in out):
        out = [f for f in out if f.kind != "dither-changed"]
    return out


def _counts(scene: Scene, name: str, side: int) -> bool:
    """Whether a drift to that side matters: one-sided quantities have an unjudged side."""
    tolerance = scene.sheet.tolerance.get(name)
    return tolerance is not None and math.isfinite(tolerance.above if side > 0 else tolerance.below)


def _dither_lost(result: QuantityResult) -> bool:
    return bool(
        result.as_found is not None
        and result.as_left
        and result.as_found < 0.25 * result.as_left
        and result.verdict is Verdict.OUT
    )


def _changed(scene: Scene, name: str, result: QuantityResult, onset_s: float | None, *, severity: int) -> Finding:
    kind = KIND_OF[name]
    part, others, why = _part_of(scene, name)
    left = result.as_left if severity == 2 or result.as_left_measured is None else result.as_left_measured
    verb = "takes" if name.startswith("ramp") else "is at"
    now, was = format_quantity(name, result.as_found), format_quantity(name, left)
    evidence = f"{LABELS[name].capitalize()} {verb} {now}, left at {was}"
    if severity == 1:
        evidence += (
            ", not certainly outside its tolerance but moving"
            if result.verdict is Verdict.UNDECIDED
            else ", in tolerance but moving"
        )
    if result.trend_per_day is not None:
        per_day = format_quantity(name, abs(result.trend_per_day)) if abs(result.trend_per_day) >= 0.05 else None
        if per_day is not None:
            evidence += f"; it {'rises' if result.trend_per_day > 0 else 'falls'} {per_day} a day"
    return _make(kind, f"{evidence}.{why}", onset_s, part=part, alternatives=others, severity=severity)


def _moved(scene: Scene, name: str) -> bool | None:
    """Whether another quantity moved by more than half its tolerance; None if it cannot be seen."""
    result = scene.results.get(name)
    if result is None or result.verdict is Verdict.NOT_OBSERVED or result.tolerance_used_pct is None:
        return None
    return abs(result.tolerance_used_pct) > 50.0


def _part_of(scene: Scene, name: str) -> tuple[Part, tuple[Part, ...], str]:
    """Likely part, what else it may be, and the evidence that tells them apart."""
    fault = FAULTS[KIND_OF[name]]
    if name.startswith("ramp"):
        other = _moved(scene, "ramp_down" if name == "ramp_up" else "ramp_up")
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
    moved = _moved(scene, end)
    if moved is None:
        return Part.DRIVER_SETTING, (Part.CURRENT_SENSOR,), " No pressure to tell driver and current reading apart."
    if where is Where.MONITOR:
        return Part.DRIVER, (Part.CURRENT_SENSOR,), " The current is the driver's own monitor output."
    if moved:
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
    current = _moved(scene, "current_at_zero" if name.endswith("zero") else "current_at_full")
    if scene.found.clip is not None:
        return Part.VALVE, (), " The current is clipped."
    if current is None:
        return Part.VALVE, (Part.DRIVER, Part.PRESSURE_SENSOR), " No current reading to tell driver and valve apart."
    if current:
        return Part.DRIVER_SETTING, (Part.VALVE,), " The current changed with it."
    vented = " and the reading with the press vented is right" if shift is not None else ""
    others = (Part.PRESSURE_SOURCE,) if shift is not None else (Part.PRESSURE_SOURCE, Part.PRESSURE_SENSOR)
    return Part.VALVE, others, f" The current is as left{vented}."


def _onset(scene: Scene, name: str) -> float | None:
    """When a quantity left its place: the best single change point of points and features, or the first sight."""
    result = scene.results[name]
    chart = scene.charts.get(name)
    features = feature_series(name, scene.seen, scene.found)
    first = features[0][0] if features else math.inf
    # Points of history first; where single segments are still known they tell the instant better.
    series = [(at, value) for at, value, _ in chart.points if at < first] if chart is not None else []
    series += features
    left = result.as_left
    if not series or left is None:
        return result.coverage.from_s
    tolerance = scene.sheet.tolerance[name]
    return onset_of(series, left, min(tolerance.above, tolerance.below))


# ------------------------------------------------------------------------------------------ data, links


def _missing(scene: Scene) -> list[Finding]:
    total = sum(scene.missing.values())
    if total == 0:
        return []
    parts = ", ".join(f"{count} {reason}" for reason, count in sorted(scene.missing.items()))
    share = 100.0 * total / max(scene.readings + total, 1)
    return [_make("data-missing", f"{total} readings could not be used ({share:.2g} %): {parts}.", None)]


_RAMP = ("current-lost", "reading-pinned", "current-unwanted")
_CURRENT = ("command-failed", "current-lost", "reading-pinned", "current-unwanted")
_CURRENT_MOVED = ("current-clipped", "current-full-changed", "current-zero-changed")
#: What each kind may hang under, most telling first: one cause, one alarm.
_CAUSES: Mapping[str, tuple[str, ...]] = {
    "pressure-changed": (
        "reading-pinned",
        "command-failed",
        "current-lost",
        "current-unwanted",
        *_CURRENT_MOVED,
        "dither-lost",  # the spool sticks: lower on the way up, higher on the way down
        "pressure-clipped",
    ),
    "pressure-unwanted": ("reading-pinned", "current-unwanted"),
    "pressure-clipped": ("reading-pinned", "dither-lost"),
    "current-clipped": ("current-lost", "reading-pinned", "supply-low"),
    "current-full-changed": _CURRENT,
    "current-zero-changed": _CURRENT,
    "current-unwanted": ("reading-pinned",),
    "current-lost": ("command-failed",),
    "ramp-up-changed": _RAMP,
    "ramp-down-changed": _RAMP,
    "dither-lost": ("current-lost",),
    "dither-changed": ("current-lost",),
}


def _link(finding: Finding, now: Mapping[str, Finding], scene: Scene) -> Finding:
    """Hang a finding under its cause where the numbers say that it is one."""
    for cause in _CAUSES.get(finding.kind, ()):
        if cause in now and _explains(now[cause], finding, scene):
            return replace(finding, consequence_of=cause)
    return finding


def _explains(cause: Finding, finding: Finding, scene: Scene) -> bool:
    if cause.kind == "reading-pinned":  # a dead reading explains what was concluded from it, and nothing else
        sensor = Part.PRESSURE_SENSOR if finding.kind.startswith("pressure") else Part.CURRENT_SENSOR
        return cause.part is sensor
    if finding.kind == "pressure-changed" and cause.kind in _CURRENT_MOVED:
        return cause.part is not Part.CURRENT_SENSOR and not _current_is_right(scene)
    return True


def _current_is_right(scene: Scene) -> bool:
    return scene.found.clip is None and not any(_moved(scene, n) for n in ("current_at_zero", "current_at_full"))

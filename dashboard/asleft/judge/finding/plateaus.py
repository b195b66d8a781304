"""Findings of what stops short: a clipped current and which part limits it, a pressure that no longer follows."""

from __future__ import annotations

import numpy as np
from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.finding.current_symptoms import cut_share, limit_ohm, short_of_full
from asleft.judge.finding.widening import widening_explains
from asleft.judge.types import Finding, Verdict
from asleft.judge.valve.pressure import LevelKey, change_bar, cut_off, key_of
from asleft.sheet.names import format_bar

_SAME_LEVEL = 0.02


def clipped(context: FindingContext) -> list[Finding]:
    """Findings of clipped current and clipped pressure."""
    out = []
    clip = context.found.clip
    if clip is not None and short_of_full(context):
        evidence = f"Current stops at {clip.limit_a:.3f} A where {clip.demanded_a:.3f} A is demanded."
        severity = FINDING_KINDS["current-clipped"].severity if _cut_matters(context) else 1
        out.append(make("current-clipped", evidence + _what_it_takes(context), clip.from_s, severity=severity))
    plateau = _pressure_plateau(context)
    if plateau is not None:
        out.append(plateau)
    return out


def _cut_matters(context: FindingContext) -> bool:
    """Whether what the cut takes away is beyond a tolerance, of the current or of the pressure it makes."""
    pressure = context.results.get("pressure_at_full")
    return cut_share(context) > 1.0 or (pressure is not None and pressure.verdict is Verdict.OUT)


def rests_on_cut(context: FindingContext) -> bool:
    """Whether the highest pressures judged were read with the current cut off, whatever it does since.

    A coil that has cooled takes its current again, but in cold oil no pressure is judged: those known are older.
    """
    judged = {d.from_s for d in context.found.judged_pressure}
    top = max((d.demand for d in context.found.judged_pressure), default=0.0)
    dwells = context.seen.dwells
    cut = [
        is_cut
        for dwell, is_cut in zip(dwells, cut_off(dwells, context.sheet), strict=True)
        if dwell.from_s in judged and dwell.demand >= top - _SAME_LEVEL
    ]
    return sum(cut) > 0.5 * len(cut)


def _what_it_takes(context: FindingContext) -> str:
    """The supply beside it, and how warm a coil would explain it."""
    supply = context.results.get("supply_voltage")
    if supply is None or supply.as_found is None:
        return ""
    ohm, left = limit_ohm(context), context.sheet.as_left.get("coil_resistance")
    if ohm is None or left is None:
        return f" The supply is at {supply.as_found:.1f} V."
    # Copper, IEC 60028: R(T) = R20 (1 + 0.00393 (T - 20)).
    temperature = 20.0 + (ohm / left - 1.0) / 0.00393
    would = f"a coil at {ohm:.1f} Ω would explain it: {temperature:.0f} °C for {left:.1f} Ω at 20 °C"
    return f" The supply is at {supply.as_found:.1f} V; {would}."


def _pressure_plateau(context: FindingContext) -> Finding | None:
    """Top levels fell and lie together, lower controlled levels did not, and the current is right."""
    if (
        not context.found.control
        or context.seen.control is None
        or context.found.clip is not None
        or rests_on_cut(context)
    ):
        return None
    tolerance, loop = context.sheet.tolerance.get("pressure_at_full"), context.results.get("hysteresis")
    if tolerance is None:
        return None
    if loop is not None and loop.verdict is Verdict.OUT and widening_explains(context):
        return None
    # By branch: a wider hysteresis lowers the rising and lifts the falling one, and must not look like a plateau.
    change: dict[LevelKey, list[tuple[float, float, float]]] = {}
    for dwell in context.found.judged_pressure:
        level = context.found.control.get(key_of(dwell))
        if level is not None:
            off = change_bar(dwell, level, context.sheet)
            change.setdefault(key_of(dwell), []).append((off, dwell.pressure_bar, dwell.from_s))
    rising = sorted(step for step, arrival in change if arrival > 0)
    if len(change) < 3 or not rising:
        return None
    moved = {key: float(np.median([c[0] for c in changes])) for key, changes in change.items()}
    pressure = {step: float(np.median([c[1] for c in change[step, 1]])) for step in rising}
    fell = tolerance.below * context.deadband_factor("pressure-clipped")
    fallen = [step for step in rising if moved[step, 1] < -fell]
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
        f"Pressure no longer follows above {format_bar(pressure[top])}: {format_bar(-moved[top, 1])} less than when "
        f"left at {min(5 * top, 100)} % command, while {5 * below} % is unchanged."
    )
    return make("pressure-clipped", evidence, min(c[2] for k in fallen for c in change[k, 1] if c[0] < -fell))

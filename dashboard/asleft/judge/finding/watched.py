"""Findings from conditions seen sample by sample, and from pressure above the characteristic."""

from __future__ import annotations

import math
from collections.abc import Sequence

from asleft.judge.finding.context import FindingContext, make
from asleft.judge.types import Finding, Part
from asleft.judge.valve.pressure import highest_bar, steady
from asleft.judge.watching.watch import Stretch

#: An unasked current this close to the value of a dead reading is that (share of it).
_SAME = 0.05


def watched(context: FindingContext) -> list[Finding]:
    """Findings of failed, lost, unwanted and pinned readings, and of pressure nobody asked for."""
    out = []
    for kind in ("command-failed", "command-clipped", "current-lost", "current-unwanted", "pressure-unwanted"):
        stretches = [s for s in context.stretches if s.kind == kind]
        if stretches:
            out.append(_watched_one(kind, stretches, context))
    out += _above_characteristic(context)
    for stretch in context.stretches:
        how, _, channel = stretch.kind.partition(":")
        if how in {"pinned", "stuck"}:
            part = {"current": Part.CURRENT_SENSOR, "pressure": Part.PRESSURE_SENSOR, "command": Part.COMMAND_WIRING}
            value = stretch.detail.get("value", math.nan)
            mover = "current" if channel == "command" else "command"
            what = "stays at the end of its range" if how == "pinned" else f"does not move while the {mover} does"
            evidence = f"The {channel} reading {what} ({value:.4g})."
            out.append(
                make(
                    "reading-pinned",
                    evidence,
                    stretch.from_s,
                    part=part.get(channel, Part.SUPPLY),
                    alternatives=(Part.DATA,),
                )
            )
    return out


def dead_reading_shows_unasked(context: FindingContext) -> bool:
    """Whether a current nobody asked for is what a dead reading shows: its one value, or that of a dead command.

    A reading that only stops at the end of its range shows right what lies below.
    """
    unasked = [s.detail.get("value", math.nan) for s in context.stretches if s.kind == "current-unwanted"]
    for stretch in context.stretches:
        how, _, channel = stretch.kind.partition(":")
        if how not in {"pinned", "stuck"}:
            continue
        value = stretch.detail.get("value", math.nan)
        if channel == "command" or (channel == "current" and any(a > (1.0 - _SAME) * value for a in unasked)):
            return True
    return False


def _watched_one(kind: str, stretches: Sequence[Stretch], context: FindingContext) -> Finding:
    first = stretches[0]
    value = next((s.detail["value"] for s in reversed(stretches) if "value" in s.detail), math.nan)
    signal = context.sheet.signal
    count = round(sum(stretch.detail.get("times", 1.0) for stretch in stretches))
    times = "" if count == 1 else f" ({count} times)"
    if kind in {"command-failed", "command-clipped"}:
        reading = signal.at_zero + value * (signal.at_full - signal.at_zero)
        limit = "outside 3.6 to 21 mA" if kind == "command-failed" else "beyond its range"
        return make(kind, f"The command signal stood at {reading:.2f} {signal.unit}, {limit}{times}.", first.from_s)
    if kind == "current-lost" and all("times" in stretch.detail for stretch in stretches):
        return make(kind, f"The current broke off {count} times while the driver was commanded.", first.from_s)
    if kind == "current-lost":
        evidence = f"The driver is commanded, and {value:.3f} A flows{times}."
        return make(kind, evidence, first.from_s)
    if kind == "current-unwanted":
        return make(kind, f"{value:.3f} A flows that no command asks for{times}.", first.from_s)
    evidence = f"Pressure rose to {value:.0f} bar while the machine was stopped or not enabled{times}."
    return _unwanted(evidence, first.from_s, context)


def _unwanted(evidence: str, onset_s: float, context: FindingContext) -> Finding:
    """Pressure nobody asked for; where no current is read, the driver may have made it."""
    if context.seen.has_current:
        return make("pressure-unwanted", evidence, onset_s)
    others = (Part.DRIVER, Part.PRESSURE_SENSOR)
    return make("pressure-unwanted", evidence, onset_s, alternatives=others)


def _above_characteristic(context: FindingContext) -> list[Finding]:
    """Steady pressure well above what the valve should let through: evidence whoever is in control.

    Above what it let through at that command and at the current that flows: with more current than left, more
    pressure is the current's doing.
    """
    sheet = context.sheet
    full = sheet.as_left.get("pressure_at_full")
    if full is None or sheet.controls != "pressure":
        return []
    tolerance = sheet.tolerance["pressure_at_full"].above
    margin = max(3.0 * tolerance, 0.08 * full)
    above = []
    for dwell in steady(context.seen.dwells, sheet):
        ceiling = highest_bar(dwell, sheet)
        if ceiling is not None and math.isfinite(margin) and dwell.pressure_bar > ceiling + margin:
            above.append((dwell, ceiling))
    if len(above) < 2:
        return []
    dwell, ceiling = above[-1]
    here = f"{dwell.pressure_bar:.0f} bar at {round(100 * dwell.demand)} % command"
    evidence = f"{here}, where the valve was left at {ceiling:.0f} bar."
    return [_unwanted(evidence, above[0][0].from_s, context)]

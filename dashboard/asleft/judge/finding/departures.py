"""Findings of quantities that are out or drift inside their tolerance, and of what is cut off or has no headroom."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.catalogue.finding_kinds import FINDING_KINDS, KIND_OF
from asleft.catalogue.parts import Part
from asleft.judge.coil_state import DAY_S
from asleft.judge.driver.clipping import cuts_of
from asleft.judge.driver.currents import usable
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.finding.loop_within import widening_explains
from asleft.judge.finding.pressure_symptoms import bears_out
from asleft.judge.finding.symptoms import cut_share, limit_ohm, short_of_full
from asleft.judge.finding.within import moved_within
from asleft.judge.onset import Times, feature_series, onset_of, times_beyond
from asleft.judge.trend import due_words
from asleft.judge.types import Finding, QuantityResult, Verdict
from asleft.judge.valve.pressure import LevelKey, change_bar, cut_off, key_of
from asleft.sheet.names import LABELS, counted, format_bar, format_pair, format_quantity, format_rate

# A current that is cut off at times: what tells a limit from a gain, an offset or a reading that comes and goes.
#
# At a limit different commands near the top have one current, where a gain or an offset leaves them apart. And a
# limit takes from the top alone, where a gain takes from lower levels in proportion and an offset as much: seen at
# lower levels at any time. It misses a cut that shows neither.

_NAME = "current_at_full"
#: Lowest level (share of the command) that tells a cut from a gain, how alike those of one level are, how many visits
#: it takes, and the most they may lack of what a gain would take, against the level's usual current (a quantile).
_LOWER, _ONE_LEVEL, _LEAST, _LACK, _USUAL = 0.2, 0.01, 3, 0.35, 0.8
#: Visits of lower levels that would have met a gain from which there being nearly none (this share) is no chance.
_TELLING_VISITS, _FEW = 6.0, 0.25
#: Share of its usual slope that the current may have left at a limit, with so many standard uncertainties.
_FLAT, _TELLING = 0.4, 2.0


@dataclass(frozen=True, slots=True)
class CutAtTimes:
    """Where the current stopped (A), where it was to go, in how many visits of the top of how many, since when."""

    limit_a: float
    demanded_a: float
    cut: int
    visits: int
    since_s: float


def cut_at_times(context: FindingContext) -> CutAtTimes | None:
    """How the current is cut off at times; None where it is not, or all along."""
    tolerance, left = context.sheet.tolerance.get(_NAME), context.sheet.as_left.get(_NAME)
    if tolerance is None or left is None or context.found.clip is not None:
        return None
    series = feature_series(_NAME, context.sheet, context.seen, context.found)
    times = times_beyond(series, left, tolerance.below, tolerance.above)
    if times is None:
        return _once(context, left, tolerance.below)
    cut = [value for at, value in series if at in times.at_s]
    limit = float(np.median(cut))
    if limit > left:
        return None
    if not (_one_current(context, times) or _lower_as_ever(context, times, len(series), (limit, left - limit))):
        return _once(context, left, tolerance.below)
    return CutAtTimes(limit, left, len(cut), len(series), min(times.at_s))


def _once(context: FindingContext, left_a: float, tolerance_a: float) -> CutAtTimes | None:
    """A cut that came and went within too few visits of the top to be seen by these alone."""
    zero = context.sheet.as_left.get("current_at_zero")
    if zero is None:
        return None
    settled = [d for d in context.seen.dwells if usable(d, context.sheet)]
    cuts = cuts_of(settled, (zero, left_a), tolerance_a, context.seen.strokes)
    if not cuts:
        return None
    limit_a, demanded_a = cuts[-1].dwell.current_a, max(cut.should_a for cut in cuts)
    lowest = min(cut.dwell.demand for cut in cuts) - _ONE_LEVEL
    reached = sum(d.demand >= lowest for d in context.seen.dwells)  # those too whose reading ended below it
    return CutAtTimes(limit_a, demanded_a, len(cuts), max(reached, len(cuts)), cuts[0].dwell.from_s)


def _one_current(context: FindingContext, times: Times) -> bool:
    """Whether commands that differ have one current in the visits that fell short."""
    rows = [(d.demand, d.current_a) for d in context.seen.dwells if d.from_s in times.at_s and d.flat > 0.5]
    if len(rows) < _LEAST or context.found.line is None:
        return False
    demand, current = np.array(rows).T
    if np.ptp(demand) < _ONE_LEVEL:  # of one command they have one current anyhow
        return False
    span = context.found.line.at_full_a - context.found.line.at_zero_a
    demand = demand - demand.mean()
    power = float(demand @ demand)
    slope = float(demand @ current) / power if power > 0.0 else 0.0
    left_over = current - current.mean() - slope * demand
    u = math.sqrt(float(left_over @ left_over) / (len(rows) - 2) / power) if power > 0.0 else math.inf
    return abs(slope) + _TELLING * u < _FLAT * span


def _lower_as_ever(context: FindingContext, times: Times, visits: int, limit_short_a: tuple[float, float]) -> bool:
    """Whether no lower level ever lacks what a gain or an offset would take from it, in as many visits as would show.

    `limit_short_a`: where the current stops, and by how much that is short; a level that needs less is not cut. Asked
    of all visits at any time, not of those near a visit that fell short: what comes and goes faster than the cycle
    may be away in between.
    """
    levels: dict[int, list[Dwell]] = {}
    limit_a, short_a = limit_short_a
    for dwell in context.seen.dwells:
        if dwell.flat > 0.5 and dwell.demand > _LOWER:
            levels.setdefault(round(dwell.demand / _ONE_LEVEL), []).append(dwell)
    lack: list[float] = []
    for level in levels.values():
        if len(level) > _LEAST:
            current = np.array([d.current_a for d in level])
            usual = np.quantile(current, _USUAL)
            if usual < limit_a:
                lack += ((usual - current) / (short_a * level[0].demand)).tolist()
    expected = len(times.at_s) / visits * len(lack)
    return expected >= _TELLING_VISITS and sum(one > _LACK for one in lack) < _FEW * expected


#: So little of the dither that it is called lost.
_LOST = 0.25


def departures(context: FindingContext) -> list[Finding]:
    """Findings of every quantity that is out of tolerance or signals on its chart."""
    out = []
    for name, result in context.results.items():
        if name not in KIND_OF:
            continue
        if name == "dither_amplitude" and _dither_lost(result, _LOST / context.deadband_factor("dither-lost")):
            evidence = (
                f"The bursts show no dither; it was left at {format_quantity(name, result.as_left)} peak to peak."
            )
            out.append(make("dither-lost", evidence, _onset(context, name), quantities=(name,)))
            continue
        cut = cut_at_times(context) if name == "current_at_full" else None
        if cut is not None:
            evidence = (
                f"Current stopped at {cut.limit_a:.3f} A at times ({cut.cut} of {counted(cut.visits, 'visit')})"
            )
            evidence += f", where {cut.demanded_a:.3f} A is demanded."
            out.append(make("current-clipped", evidence, cut.since_s, quantities=(name,)))
            continue
        chart = context.charts.get(name)
        signal = chart.signal() if chart is not None else None
        if result.verdict is Verdict.OUT:
            out.append(_changed(name, result, _onset(context, name), severity=2))
        elif (
            signal is not None
            and result.verdict in {Verdict.IN, Verdict.UNDECIDED}
            and _counts(context, name, signal[0])
        ):
            out.append(_changed(name, result, signal[1], severity=1))
        within = moved_within(context, name) if result.verdict is not Verdict.OUT else None
        if within is not None:
            out.append(make(KIND_OF[name], within.evidence, within.onset_s, quantities=(name,)))
    if any(f.kind == "dither-lost" for f in out):
        out = [f for f in out if f.kind != "dither-changed"]
    return out


def _counts(context: FindingContext, name: str, side: int) -> bool:
    """Whether a drift to that side matters: one-sided quantities have an unjudged side."""
    tolerance = context.sheet.tolerance.get(name)
    return tolerance is not None and math.isfinite(tolerance.above if side > 0 else tolerance.below)


def _dither_lost(result: QuantityResult, share: float) -> bool:
    return bool(
        result.as_found is not None
        and result.as_left
        and result.as_found < share * result.as_left
        and result.verdict is Verdict.OUT
    )


def _changed(name: str, result: QuantityResult, onset_s: float | None, *, severity: int) -> Finding:
    kind = KIND_OF[name]
    left = result.as_left if severity == 2 or result.as_left_measured is None else result.as_left_measured
    verb = "takes" if name.startswith("ramp") else "is at"
    now, was = format_pair(name, result.as_found, left)
    evidence = f"{LABELS[name].capitalize()} {verb} {now}, left at {was}"
    if severity == 1:
        evidence += (
            ", not certainly outside its tolerance but moving"
            if result.verdict is Verdict.UNDECIDED
            else ", in tolerance but moving"
        )
    if result.trend_per_day is not None and trend_counts(result):
        per_day = format_rate(name, result.trend_per_day)
        evidence += f"; it {'rises' if result.trend_per_day > 0 else 'falls'} {per_day} a day"
    if severity == 1 and result.forecast_in_days is not None:
        evidence += f"; at that pace it reaches its tolerance {due_words(*result.forecast_in_days)}"
    return make(kind, f"{evidence}.", onset_s, severity=severity, quantities=(name,))


def borne_out(context: FindingContext, raised: Sequence[Finding]) -> list[Finding]:
    """Currents that lie beyond their tolerance, though not certainly, where a pressure bears them out.

    What may hide in the reading of a current, as a dither that stands still, is not seen by the valve: a pressure
    that is out, by what the current's change asks for, says that the current changed as it is read. It is wrong where
    a valve's own change happens to be what such a dither seems to ask for.
    """
    if context.found.clip is not None:
        return []
    out = [f for f in raised if f.kind == "pressure-changed" and bears_out(context, f)]
    moved = {q for f in out for q in f.quantities if context.results[q].verdict is Verdict.OUT}
    found = []
    for name in ("current_at_zero", "current_at_full"):
        result = context.results.get(name) if name.replace("current", "pressure") in moved else None
        if (
            result is None
            or result.verdict is not Verdict.UNDECIDED
            or abs(result.tolerance_used_pct or 0.0) <= 100.0
        ):
            continue
        finding = _changed(name, result, _onset(context, name), severity=2)
        words = f"{finding.evidence[:-1]}, not certainly outside its tolerance, but the pressure is with it."
        found.append(replace(finding, evidence=words))
    return found


def trend_counts(result: QuantityResult) -> bool:
    """Whether a trend is worth a word: it uses up a hundredth of the tolerance or more in a day."""
    per_day = result.trend_per_day
    side = result.tolerance_above if (per_day or 0.0) > 0.0 else result.tolerance_below
    return per_day is not None and side is not None and math.isfinite(side) and abs(per_day) >= 0.01 * side


def _onset(context: FindingContext, name: str) -> float | None:
    """When a quantity left its place: the best single change point of points and features, or the first sight.

    What it did before the finding was last seen to be gone is another story.
    """
    result = context.results[name]
    chart = context.charts.get(name)
    features = feature_series(name, context.sheet, context.seen, context.found)
    first = features[0][0] if features else math.inf
    # Points of history first; where single segments are still known they tell the instant better.
    series = [(at, value) for at, value, _ in chart.points if at < first] if chart is not None else []
    gone_s = context.gone_s.get(KIND_OF[name], -math.inf)
    series = [(at, value) for at, value in [*series, *features] if at > gone_s]
    left = result.as_left
    if not series or left is None:
        return result.coverage.from_s
    tolerance = context.sheet.tolerance[name]
    return onset_of(series, left, min(tolerance.above, tolerance.below))


# Findings of what stops short: a clipped current and which part limits it, a pressure that no longer follows.

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


# The finding of too little headroom: before the current is clipped, or, once it is, as a consequence of that.
#
# It is raised when the verdict is out, so never by assumptions alone: what is not re-measured widens the
# uncertainty. What it misses: a driver whose own limit the sheet does not give.


def headroom_low(context: FindingContext) -> list[Finding]:
    """The finding, with where clipping begins and, if a trend tells, when; empty where headroom is not out."""
    result = context.results.get("headroom")
    if result is None or result.verdict is not Verdict.OUT or result.as_found is None:
        return []
    value, least = format_quantity("headroom", result.as_found), format_quantity("headroom", result.tolerance_below)
    room = context.coil.room if context.coil is not None else None
    if room is None:
        return []
    worst = room.worst
    there = f"{worst.most_a:.3f} A to be had at {worst.supply_v:.1f} V"
    if math.isfinite(worst.winding_degc):
        there += f" with the winding at {worst.winding_degc:.0f} °C"
    evidence = f"Headroom is {value} where {least} is wanted: {there}."
    if worst.limited_by == "driver":
        limit = f"the driver itself gives {worst.most_a:.3f} A at most"
        evidence = f"Headroom is {value} where {least} is wanted: {limit}."
        return [make("headroom-low", evidence, result.coverage.from_s, part=Part.DRIVER, alternatives=())]
    if room.clips_at_degc is not None and room.clips_at_v is not None and context.found.clip is None:
        at = room.now or room.corner or worst
        evidence += (
            f" Clipping begins at {room.clips_at_degc:.0f} °C of the winding with {at.supply_v:.1f} V, or at "
            f"{room.clips_at_v:.1f} V with the winding at {at.winding_degc:.0f} °C."
        )
    if context.nearing is not None and result.coverage.to_s is not None:
        days = [(at - result.coverage.to_s) / DAY_S for at in (context.nearing.at_s, context.nearing.latest_s)]
        evidence += f" By the trend of the {context.nearing.what} that is in {max(days[0], 0.0):.0f} days."
    return [make("headroom-low", evidence, result.coverage.from_s)]

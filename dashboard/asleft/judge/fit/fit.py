"""Does what is read fit the sheet? Asked before anything is found.

Live, what does not fit is said as soon as one other reading of the columns explains it, and taken back when the
latest readings agree with the sheet; where too little is seen, it stays.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from asleft.judge.fit.causes import beyond_instrument, find_misfits
from asleft.judge.fit.command_causes import live_zero
from asleft.judge.fit.levels import FitPoints, Levels, levels_of, share_at
from asleft.judge.fit.other_readings import Misfit, as_it_is, demand_of, out_of_range, straightness
from asleft.judge.types import Coverage, Fit, QuantityResult, Verdict
from asleft.judge.valve.curve import curve_of
from asleft.sheet.model import Sheet

# A log that belongs to another sheet: of another valve, or from before this one was left.
#
# Another valve differs in everything at once. Counted are the independent changes that what was found needs:
# currents by one gain or one shift are one, else two; ramps by one factor one, else two; pressures along the sheet's
# characteristic none, by one factor one, else two. Two faults at once need two, of at most some tolerances each.
#
# Misses: a twin of the valve, set up alike; a log that shows too few quantities.

#: Out by so many tolerances counts as changed.
_CHANGED = 2.0
#: Changes by one gain, one shift or one factor agree within this share of themselves.
_ALIKE = 0.15
#: So many independent changes are another valve's, if one current is further out than any fault takes it; one fewer
#: if both are, or one is far out; two are enough where both are far out by no one gain or shift, and where only
#: pressures are seen and one is far too high.
_MANY = 4
_BEYOND_A_FAULT, _FAR_OUT = 6.5, 12.5
#: A current at full that is too high by so much, over its whole span, is none that comes and goes.
_NO_FAULT = 25.0
#: A current whose span is less than this share of that of the sheet is lost, clipped or dead, not another valve's.
_ALIVE = 0.25
_ENDS = ("current_at_zero", "current_at_full")
_PRESSURE_NEAR = 0.06  # share of full: on the sheet's characteristic
#: Before this a log's times are seconds from its own beginning, not dates.
_DATED_S = datetime(2000, 1, 1, tzinfo=UTC).timestamp()
#: Zones left out and a sheet written up on the evening of the sweep: no more than a day.
_DAY_S = 86_400.0


def of_another_valve(sheet: Sheet, results: Mapping[str, QuantityResult], *, steady: bool) -> bool:
    """Whether everything that can be seen differs at once, by more than faults of the machine do.

    `steady`: whether one command gives one current, in a straight line; what comes and goes is a fault.
    """
    out = {name: used for name, result in results.items() if (used := _used(result)) is not None}
    changes = _currents(sheet, results, out) + _ramps(results, out) + _pressures(sheet, results, out)
    ends = [abs(out.get(name, 0.0)) for name in _ENDS]
    if not any(_seen(results, name) for name in _ENDS):
        high = max((out.get(name, 0.0) for name in ("pressure_at_zero", "pressure_at_full")), default=0.0)
        return changes >= _MANY - 2 and high > _FAR_OUT
    if not _alive(sheet, results) or short_supply(results):
        return False
    if changes >= _MANY:
        return max(ends) > _BEYOND_A_FAULT
    if changes == _MANY - 1 and out.get("current_at_full", 0.0) > _NO_FAULT:
        return True
    if not steady or changes < _MANY - 2:
        return False
    if changes == _MANY - 2:  # both currents, by no one gain or shift, each further than a fault takes it
        return min(ends) > _FAR_OUT
    return min(ends) > _BEYOND_A_FAULT or max(ends) > _FAR_OUT


def _seen(results: Mapping[str, QuantityResult], name: str) -> bool:
    return name in results and results[name].as_found is not None


def _alive(sheet: Sheet, results: Mapping[str, QuantityResult]) -> bool:
    """Whether a current still flows over a good part of its span."""
    if not all(_seen(results, name) for name in _ENDS):
        return False
    zero, full = (results[name].as_found or 0.0 for name in _ENDS)
    return full - zero > _ALIVE * (sheet.as_left["current_at_full"] - sheet.as_left["current_at_zero"])


def short_supply(results: Mapping[str, QuantityResult]) -> bool:
    """Whether the supply fell so far that it cuts the current at full off, the rest below being as left.

    As left it drove the current at full, so that what is left of it drives at least as great a share of that. What
    flows at low commands it does not touch; another valve's differs there too.
    """
    supply, full = (results.get(name) for name in ("supply_voltage", "current_at_full"))
    low = [results.get(name) for name in ("current_at_zero", "pressure_at_zero")]
    if supply is None or full is None or any(end is not None and end.verdict is Verdict.OUT for end in low):
        return False
    shares = [(one.as_found or 0.0) / one.as_left if one.as_left else math.inf for one in (supply, full)]
    return all(one.verdict is Verdict.OUT for one in (supply, full)) and shares[0] <= shares[1] < 1.0


def left_later_s(sheet: Sheet, to_s: float | None) -> float | None:
    """When the sheet was left (unix s), if that is more than a day after the end of the log; None if not."""
    at = sheet.revision.at
    if at is None or to_s is None or to_s < _DATED_S or at.timestamp() - to_s <= _DAY_S:
        return None
    return at.timestamp()


def _used(result: QuantityResult) -> float | None:
    """Tolerances away from as left where that is out and more than two; None where it is not."""
    used = result.tolerance_used_pct
    if result.verdict is not Verdict.OUT or used is None or abs(used) < 100.0 * _CHANGED:
        return None
    return used / 100.0


def _currents(sheet: Sheet, results: Mapping[str, QuantityResult], out: Mapping[str, float]) -> int:
    names = _ENDS
    moved = [name for name in names if name in out]
    if len(moved) < 2:
        return len(moved)
    now = [results[name].as_found or 0.0 for name in names]
    left = [sheet.as_left[name] for name in names]
    shift = [a - b for a, b in zip(now, left, strict=True)]
    gain = [a / b if b else math.inf for a, b in zip(now, left, strict=True)]
    return 1 if _alike(*shift) or _alike(gain[0] - 1.0, gain[1] - 1.0) else 2


def _ramps(results: Mapping[str, QuantityResult], out: Mapping[str, float]) -> int:
    names = [name for name in ("ramp_up", "ramp_down") if name in out]
    if len(names) < 2:
        return len(names)
    factors = [(results[name].as_found or 0.0) / (results[name].as_left or math.inf) for name in names]
    return 1 if all(factors) and _alike(math.log(factors[0]), math.log(factors[1])) else 2


def _pressures(sheet: Sheet, results: Mapping[str, QuantityResult], out: Mapping[str, float]) -> int:
    """Pressures that the currents as found do not explain along the sheet's characteristic."""
    curve, full = curve_of(sheet), sheet.as_left.get("pressure_at_full")
    names = [name for name in ("pressure_at_zero", "pressure_at_full") if name in out]
    if curve is None or full is None or not names:
        return 0
    factors = []
    for name in names:
        end = name.removeprefix("pressure")
        current = results.get(f"current{end}")
        at_a = current.as_found if current is not None and current.as_found is not None else None
        left_a = sheet.as_left.get(f"current{end}")
        if at_a is None and left_a is None:
            continue
        wanted = float(curve.pressure_at(np.array(at_a if at_a is not None else left_a)))
        found = results[name].as_found or 0.0
        if abs(found - wanted) > _PRESSURE_NEAR * full:
            factors.append(found / wanted if wanted else math.inf)
    return 1 if len(factors) == 2 and _alike(factors[0] - 1.0, factors[1] - 1.0) else len(factors)


def _alike(a: float, b: float) -> bool:
    return math.isfinite(a) and math.isfinite(b) and abs(a - b) <= _ALIKE * max(abs(a), abs(b))


#: Live, fewer readings of the latest part than this are judged together with the part before.
_ALONE = 300.0
_AGREES = 0.12  # of span: so near, the current is the sheet's
_SPREAD = 0.2
_OUTSIDE = 0.05  # of the weight of the command may lie outside its range
#: Level means of another valve's current: on a straight line (correlation squared), and each time the same.
_STRAIGHT, _SAME = 0.97, 0.15
_NOTHING = Coverage(0, None, None, None, None)


def judge_fit(
    sheet: Sheet,
    points: FitPoints,
    known: Fit,
    results: Mapping[str, QuantityResult],
    to_s: float | None,
    *,
    live: bool,
    stated: bool = False,
) -> Fit:
    """Whether the readings so far fit the sheet. `known`: what was last said. `live`: no log but a running valve.

    `stated`: a person says that this is the sheet to hold the valve against; then only units, ranges and columns are
    asked for.
    """
    later_s = None if live or stated else left_later_s(sheet, to_s)
    if later_s is not None and to_s is not None:
        return _before(to_s, later_s)
    alone = live and points.every.count >= _ALONE
    now = _by_levels(sheet, points, alone=alone, live=live)
    if now.fits is None and not stated and of_another_valve(sheet, results, steady=_steady(points)):
        now = _other_valve(sheet, live=live)
    if now.fits is None and known.fits is False:
        return known
    if now.fits is not False:
        return now
    began_s = points.part_from_s if alone else points.from_s
    return replace(now, since_s=known.since_s if known.fits is False else began_s)


def unjudged(result: QuantityResult) -> QuantityResult:
    """The quantity without a verdict; why is said once for all of them, by `fit_sentence`."""
    return replace(
        result, as_found=None, uncertainty=None, change_uncertainty=None, tolerance_used_pct=None,
        verdict=Verdict.NOT_OBSERVED, reason="not judged",
        bound_below=None, bound_above=None, coverage=_NOTHING, as_left_measured=None, trend_per_day=None,
        trend_low_per_day=None, trend_high_per_day=None, forecast_s=None, forecast_early_s=None,
        forecast_late_s=None, forecast_in_days=None,
    )  # fmt: skip


def fit_sentence(sheet: Sheet, fit: Fit, *, live: bool) -> str:
    """What is said first where the readings do not fit."""
    what = "These readings do" if live else "This log does"
    return f"{what} not fit sheet {sheet.revision.number}: {fit.evidence} {fit.remedy}".strip()


def _by_levels(sheet: Sheet, points: FitPoints, *, alone: bool, live: bool) -> Fit:
    """By what is read at the levels of the command: at rest where enough rests, else of all readings."""
    rest, every = points.rest, points.every
    if live and not alone:
        rest, every = rest.and_also(points.rest_before), every.and_also(points.every_before)
    agrees = False
    for levels in (levels_of(rest, at_rest=True), levels_of(every, at_rest=False)):
        agreed = levels.at_rest and _agrees(sheet, levels) and live_zero(sheet, levels) is None
        if agreed and not beyond_instrument(sheet, levels, points.whole):
            return Fit(True)  # the usual case, and then nothing else is tried
        misfits = find_misfits(sheet, levels, points.whole)
        if misfits:
            return _fit_of(misfits, live=live)
        agrees |= _agrees(sheet, levels)
    return Fit(True) if agrees else Fit(None)


def _agrees(sheet: Sheet, levels: Levels) -> bool:
    current, pressure = as_it_is(sheet, levels)
    seen = [current.most <= _AGREES and current.spread >= _SPREAD] if current.levels else []
    if pressure is not None:
        seen.append(pressure.above <= 0.1 and pressure.on >= 0.3 and pressure.spread >= _SPREAD)
    legal = levels.command.size > 0 and out_of_range(demand_of(sheet, levels.command), levels.weight) <= _OUTSIDE
    return legal and bool(seen) and all(seen)


def _fit_of(misfits: Sequence[Misfit], *, live: bool) -> Fit:
    """The first cause in full, the others with it."""
    evidence = "; ".join(one.evidence.rstrip("?.") + "?" * one.evidence.endswith("?") for one in misfits)
    evidence = evidence[:1].lower() + evidence[1:]
    evidence += "" if evidence.endswith("?") else "."
    keys = {channel: value for one in misfits for channel, value in one.keys.items()}
    notes = [one.note for one in misfits if one.note]
    said = []
    if live and keys:
        said.append(
            f"Mend unit and scale of {_and(list(keys))} in the agent's file"
            + (", as a log's map would have it: " if all("(" not in v for v in keys.values()) else ": ")
            + ", ".join(f"{channel} = {value}" for channel, value in keys.items()) + "."
        )  # fmt: skip
    elif keys:
        lines = " and ".join(f"{channel} = {value}" for channel, value in keys.items())
        said.append(f"Write {lines} under [column] in the map (--map FILE), or under [log.column] in the sheet.")
    said += [f"Write {one.sheet_keys} under [signal] in the sheet." for one in misfits if one.sheet_keys]
    if not said:
        said.append("Compare the column and the sheet's [signal] with what is wired.")
    return Fit(False, misfits[0].cause, evidence, " ".join([*said, *notes]))


def _steady(points: FitPoints) -> bool:
    """Whether one command gives one current, in a straight line."""
    levels = levels_of(points.rest, at_rest=True)
    read = np.isfinite(levels.current)
    if not read.any():
        return True
    current, weight = levels.current[read], levels.weight[read]
    spread = float(np.ptp(current))
    usual = share_at(levels.current_sd[read], weight, 0.75)
    return abs(straightness(levels.command[read], current, weight)) >= _STRAIGHT and usual <= _SAME * spread


def _other_valve(sheet: Sheet, *, live: bool) -> Fit:
    source = "agent's file" if live else "log"
    return Fit(
        False,
        "another-valve",
        "nearly everything is far from what the sheet says at once: is it the sheet of another valve?",
        f'The sheet is of "{sheet.valve}": see whose readings these are, and give the sheet of that valve to this '
        f"{source}, or a new revision if the valve was set up anew.",
    )


def _before(to_s: float, later_s: float) -> Fit:
    left, ends = (datetime.fromtimestamp(at_s, UTC) for at_s in (later_s, to_s))
    return Fit(
        False,
        "before-the-sheet",
        f"the log ends on {ends.day} {ends:%B %Y}, and the sheet was left on {left.day} {left:%B %Y}.",
        f"Take the sheet that was in force then, or mend at = {left:%Y-%m-%dT%H:%M:%SZ} under [revision], or the "
        f"clock and zone of the log.",
        to_s,
    )


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"

"""Findings that no verdict tells: conditions seen sample by sample, pressure above the characteristic, strokes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import NamedTuple

import numpy as np
from asleft.catalogue.parts import Part
from asleft.judge.driver.answer import IN_A_ROW, LEAST_S, SHARE, answer_of, median_chi2
from asleft.judge.features import PressureDelay
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.types import Finding
from asleft.judge.valve.living import is_end
from asleft.judge.valve.pressure import BEYOND, end_of_range_bar, highest_bar
from asleft.judge.watching.asked import FORESTALLED
from asleft.judge.watching.stretches import Stretch
from asleft.sheet.model import Sheet
from asleft.sheet.names import format_bar

#: An unasked current this close to the value of a dead reading is that (share of it).
_SAME = 0.05
_SENSOR: Mapping[str, Part] = {
    "current": Part.CURRENT_SENSOR, "pressure": Part.PRESSURE_SENSOR, "command": Part.COMMAND_WIRING,
    "stuck:supply": Part.DATA,
}  # fmt: skip


def watched(context: FindingContext) -> list[Finding]:
    """Findings of failed, lost, unwanted and pinned readings, and of pressure nobody asked for."""
    out = []
    for kind in ("command-failed", "command-clipped", "current-lost", "current-unwanted", "pressure-unwanted"):
        stretches = [s for s in context.stretches if s.kind == kind]
        if stretches:
            out.append(_watched_one(kind, stretches, context))
    out += _above_characteristic(context)
    return out + _pinned(context)


def _pinned(context: FindingContext) -> list[Finding]:
    """Readings that are dead, then those that end below what there is to read.

    Of two that are dead the way they share is likelier than two sensors. An instrument that reads rightly as far as
    it goes is whole: what ends is its range, as it was set or chosen.
    """
    dead = dead_channels(context)
    first: dict[str, Stretch] = {}
    for stretch in context.stretches:
        how, _, channel = stretch.kind.partition(":")
        if how in {"pinned", "stuck"}:
            first.setdefault(channel, stretch)
    said = " ".join(_dead_words(channel, first[channel]) for channel in first if channel in dead)
    parts = list(dict.fromkeys(_sensor(first[channel]) for channel in first if channel in dead))
    out = []
    if parts:
        onset_s = min(first[channel].from_s for channel in first if channel in dead)
        parts = [Part.DATA, *parts] if len(parts) > 1 else [*parts, Part.DATA]
        parts = list(dict.fromkeys(parts))
        out.append(make("reading-pinned", said, onset_s, part=parts[0], alternatives=tuple(parts[1:])))
    for channel in first.keys() - dead:
        value, sensor = first[channel].detail.get("value", math.nan), _sensor(first[channel])
        said = f"The {channel} reading ends at {value:.4g}: what lies above is not read."
        out.append(
            make(
                "reading-pinned",
                said,
                first[channel].from_s,
                part=Part.DATA,
                alternatives=(sensor,),
                severity=1,
            )
        )
    return out


def _dead_words(channel: str, stretch: Stretch) -> str:
    mover = "current" if channel == "command" else "command"
    at_end = stretch.kind.startswith("pinned")
    what = "stays at the end of its range" if at_end else f"does not move while the {mover} does"
    return f"The {channel} reading {what} ({stretch.detail.get('value', math.nan):.4g})."


def _sensor(stretch: Stretch) -> Part:
    """What reads the channel; a dead reading of the supply is no fault of the supply."""
    return _SENSOR.get(stretch.kind, _SENSOR.get(stretch.kind.partition(":")[2], Part.SUPPLY))


def dead_channels(context: FindingContext) -> frozenset[str]:
    """Channels whose reading stood still, or stays at the end of its instrument; not those that only end too low."""
    ends = {"current": context.seen.end_a, "pressure": end_of_range_bar(context.seen.dwells)}
    out = set()
    for stretch in context.stretches:
        how, _, channel = stretch.kind.partition(":")
        if how in {"pinned", "stuck"} and not is_end(stretch, ends.get(channel, math.inf)):
            out.add(channel)
    return frozenset(out)


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


def lost_by_dead_command(context: FindingContext) -> bool:
    """Whether most losses of current lie where the command's reading stood still: nothing was asked there."""
    stuck = [s for s in context.stretches if s.kind == "stuck:command"]
    lost = [s for s in context.stretches if s.kind == "current-lost"]
    within = sum(any(s.from_s <= one.to_s and one.from_s <= s.to_s for s in stuck) for one in lost)
    return 2 * within > len(lost)


def _command_words(demand: float) -> str:
    """A level of the command; what lies outside its range is none."""
    if -BEYOND <= demand <= 1.0 + BEYOND:
        return f"{round(100 * min(max(demand, 0.0), 1.0))} % command"
    return "a command beyond its range"


def _watched_one(kind: str, stretches: Sequence[Stretch], context: FindingContext) -> Finding:
    first = stretches[0]
    values = (stretch.detail.get("value", math.nan) for stretch in reversed(stretches))
    value = next((one for one in values if math.isfinite(one)), math.nan)  # none where no reading of it was good
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
        flows = f"{value:.3f} A flows" if math.isfinite(value) else "no current is seen to flow"
        evidence = f"The driver is commanded, and {flows}{times}."
        return make(kind, evidence, first.from_s)
    if kind == "current-unwanted":
        return make(kind, f"{value:.3f} A flows that no command asks for{times}.", first.from_s)
    evidence = f"Pressure rose to {format_bar(value)} while the machine was stopped or not enabled{times}."
    return _unwanted(evidence, first.from_s, context)


def _unwanted(evidence: str, onset_s: float, context: FindingContext) -> Finding:
    """Pressure nobody asked for; where no current is read, the driver may have made it."""
    if context.seen.has_current:
        return make("pressure-unwanted", evidence, onset_s)
    others = (Part.DRIVER, Part.PRESSURE_SENSOR)
    return make("pressure-unwanted", evidence, onset_s, alternatives=others)


def margin_bar(sheet: Sheet) -> float:
    """How far above what the valve as left lets through a pressure is nobody's; infinite where none is judged."""
    full = sheet.as_left.get("pressure_at_full")
    if full is None or sheet.controls != "pressure":
        return math.inf
    return max(3.0 * sheet.tolerance["pressure_at_full"].above, 0.08 * full)


def _above_characteristic(context: FindingContext) -> list[Finding]:
    """Steady pressure well above what the valve should let through: evidence whoever is in control.

    Above what it let through at that command and at the current that flows: with more current than left, more
    pressure is the current's doing.
    """
    margin = margin_bar(context.sheet) * context.deadband_factor("pressure-unwanted")
    if not math.isfinite(margin):
        return []
    ceilings = ((dwell, highest_bar(dwell, context.sheet)) for dwell in context.at_rest)
    above = [(dwell, most) for dwell, most in ceilings if most is not None and dwell.pressure_bar > most + margin]
    if len(above) < 2:
        return []
    dwell, ceiling = above[-1]
    now, was = format_bar(dwell.pressure_bar, ceiling), format_bar(ceiling, dwell.pressure_bar)
    evidence = f"{now} at {_command_words(dwell.demand)}, where the valve was left at {was}."
    return [_unwanted(evidence, above[0][0].from_s, context)]


# Findings of what strokes say beside ramps: a response that has moved, and ways that no setting explains.

_K = 2.0
#: Late moves of the pressure that are no chance, where they go both ways, and one way only by as much (s). On 200
#: healthy machines of all kinds no two moves in a row were late.
_LATE_MOVES, _LATE_ONE_WAY, _AS_LATE_S = 4, 6, 0.3
#: Of moves that come late at times, all their parts by more than the first; those that do not by less than the second
#: (s); how many of either kind each way.
_BEHIND_S, _WITH_IT_S, _EACH_WAY = 0.4, 0.2, 3
_EXPLAINING = ("current-lost", "current-unwanted", "command-failed", "pinned:", "stuck:")


def stroke_findings(context: FindingContext) -> list[Finding]:
    """`response-changed` and `model-misfit`, as `driver.answer` and `segments.dwells` describe them."""
    known = any(stretch.kind.startswith(_EXPLAINING) for stretch in context.stretches)
    late = _read_late(context) or _pressure_late(context)
    if known or late or context.found.clip is not None:
        return late
    return [*_response(context), *_misfit(context)]


def read_late(context: FindingContext) -> list[Stretch]:
    """Where the current moved before the command that asked for it, first to last."""
    return [stretch for stretch in context.stretches if stretch.kind == FORESTALLED]


def strokes_unclear(context: FindingContext, kind: str) -> bool:
    """Whether nothing can be said of such a finding now, so that one known before stays."""
    if kind == "response-changed":
        return answer_of(context.found.combined) is None or context.found.clip is not None
    return kind == "model-misfit" and median_chi2(context.seen.strokes) is None


def response_change(context: FindingContext) -> tuple[bool, bool, bool] | None:
    """Whether the response moved, whether by its delay more than its lag, whether it is slower; None: not known."""
    moved = _moved(context)
    return None if moved is None else (moved.surely, moved.as_a_whole, moved.change_s > 0.0)


class _Moved(NamedTuple):
    change_s: float
    response_s: float
    surely: bool  # beyond it by more than the uncertainty
    as_a_whole: bool  # by a delay, not by a lag


def _moved(context: FindingContext) -> _Moved | None:
    left, now = context.reaction.left, answer_of(context.found.combined)
    if left is None or now is None:
        return None
    change_s = now.response_s - left.response_s
    unsure_s = _K * math.hypot(now.u_s, left.u_s)
    limit_s = max(LEAST_S, SHARE * left.lag_s, context.seen.interval_s)
    return _Moved(
        change_s,
        now.response_s,
        surely=abs(change_s) - unsure_s > limit_s * context.deadband_factor("response-changed"),
        as_a_whole=abs(now.delay_s - left.delay_s) > abs(now.lag_s - left.lag_s),
    )


def _read_late(context: FindingContext) -> list[Finding]:
    steps = read_late(context)
    if not steps:
        return []
    times, lead_s = round(sum(step.detail["times"] for step in steps)), steps[-1].detail["lead_s"]
    evidence = f"The current moved {lead_s:.2g} s before the command that asks for it ({times} times)"
    evidence += ", which no driver can: the command is read late."
    return [make("response-changed", evidence, steps[0].from_s, part=Part.DATA, alternatives=())]


def late_moves(context: FindingContext) -> list[PressureDelay]:
    """Moves in which the pressure came late, next to others that did: many, by as much, and better both ways.

    A reading may come late at times only. Single late moves are a spool's that stuck, or a load's.
    """
    told = [move for move in context.pressure_delays if math.isfinite(move.delay_s)]
    runs = (list(run) for late, run in groupby(told, lambda move: move.delay_s > 0.0) if late)
    moves = [move for run in runs if len(run) > 1 for move in run]
    return moves if _no_chance(moves) else _late_at_times(context.pressure_delays)


def _late_at_times(moves: Sequence[PressureDelay]) -> list[PressureDelay]:
    """Moves all of whose parts came late beside as many that did not, where no single one tells a dead time.

    What a lag does it does in every move: one that is there at times is none of the oil's. Both ways, and in runs.
    """
    runs = (list(run) for late, run in groupby(moves, lambda move: move.behind_s > _BEHIND_S) if late)
    late = [move for run in runs if len(run) > 1 for move in run]
    for way in {move.way for move in moves}:
        here = [move.behind_s for move in late if move.way == way]
        usual = [move.behind_s for move in moves if move.way == way and move.behind_s < _WITH_IT_S]
        if min(len(here), len(usual)) < _EACH_WAY:
            return []
    return late if len({move.way for move in late}) > 1 else []


def _no_chance(moves: Sequence[PressureDelay]) -> bool:
    if len({move.way for move in moves}) > 1:
        return len(moves) >= _LATE_MOVES
    delays = [move.delay_s for move in moves]
    return len(moves) >= _LATE_ONE_WAY and max(delays) - min(delays) < _AS_LATE_S


def _pressure_late(context: FindingContext) -> list[Finding]:
    moves = late_moves(context)
    if not moves:
        return []
    late_s = float(np.median([move.behind_s or move.delay_s for move in moves]))
    evidence = (
        f"The pressure comes {late_s:.1f} s after the current that makes it, at "
        f"the beginning of a move and at its end alike ({len(moves)} times): its reading is late."
    )
    return [make("response-changed", evidence, moves[0].at_s, part=Part.DATA, alternatives=())]


def _response(context: FindingContext) -> list[Finding]:
    moved = _moved(context)
    if moved is None or not moved.surely:
        return []
    evidence = (
        f"Beside its ramps the current follows the command after {1e3 * moved.response_s:.0f} ms on the mean, "
        f"{abs(1e3 * moved.change_s):.0f} ms {'later' if moved.change_s > 0.0 else 'earlier'} than when left"
    )
    if moved.as_a_whole:
        evidence += "; it sets in later or earlier as a whole, as when a reading comes late."
        return [make("response-changed", evidence, None, part=Part.DATA, alternatives=(Part.DRIVER,))]
    evidence += f"; it sets in as before and settles more {'slowly' if moved.change_s > 0.0 else 'quickly'}."
    return [make("response-changed", evidence, None, part=Part.DRIVER, alternatives=(Part.COIL,))]


def _misfit(context: FindingContext) -> list[Finding]:
    misfit = context.misfit
    limit, now = misfit.limit, median_chi2(context.seen.strokes)
    if limit is None or now is None or len(misfit.latest) < IN_A_ROW:
        return []
    if min(now, *misfit.latest) <= limit * context.deadband_factor("model-misfit"):
        return []
    evidence = (
        f"The current's way from level to level is unlike any ramp and lag: what is left over is {np.sqrt(now):.1f} "
        f"times the noise, and was {np.sqrt(np.median(misfit.first)):.1f} times when left."
    )
    return [make("model-misfit", evidence, None)]

"""Currents at zero and at full command as found, from dwells, or why they are not observed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.driver.beat import without_beat
from asleft.judge.driver.clipping import cut_lately, cuts_of, on_dwells, split_clipped
from asleft.judge.driver.currents import CurrentLine, Level, alive, current_line, floored, levels_of, usable
from asleft.judge.driver.supply import cut_by_supply
from asleft.judge.driver.systematic import (
    current_systematic,
    hidden_dither_a,
    instrument_u,
    unequal_ramps,
)
from asleft.judge.estimates.as_found import DEAD, AsFound, NotObserved, Seen, not_seen
from asleft.judge.features import Dwell
from asleft.judge.outer import FLOOR, slow_line
from asleft.judge.valve.pressure import (
    BEYOND,
)
from asleft.sheet.model import MadeBy, Sheet


def estimate_currents(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    """Put the currents at both ends into `out`, with the levels and the line that they rest on."""
    names = ("current_at_zero", "current_at_full")
    if not seen.has_current:
        not_seen(out, names, NotObserved("no current reading on this valve"))
        return
    good = alive([d for d in seen.dwells if usable(d, sheet)])
    outer = sheet.signal.made_by is MadeBy.CLOSED_LOOP
    left0, left1 = sheet.as_left.get(names[0]), sheet.as_left.get(names[1])
    if not outer and left0 is not None and left1 is not None:
        beat = without_beat(good, left1 - left0, seen.interval_s)
        good, out.beat_a = beat.dwells, beat.amplitude_a
    out.levels = levels_of(
        good, seen.resolution_a, demand_step=seen.demand_step, wire_sd=seen.wire.sd, wire_u=seen.wire.u
    )
    if not out.levels:
        dead = "current" in seen.dead
        not_seen(out, names, NotObserved(DEAD if dead else "no settled stretches of the current"))
        return
    span = (left1 - left0) if left0 is not None and left1 is not None else out.levels[-1].current_a
    tolerance = sheet.tolerance[names[1]].below if names[1] in sheet.tolerance else 0.02 * span
    why = "the command did not rest at two separated levels"
    if outer:
        slow = slow_line(good, span, tolerance, seen.resolution_a, seen.demand_noise)
        kept, out.clip, line, why = slow.levels, slow.clip, slow.line, slow.reason
        if out.clip is not None and line is not None:
            out.clip = on_dwells(out.clip, line, good)
        out.slow, out.followed = True, slow.followed
    else:
        kept, line = _open_loop_line(sheet, seen, out, good, span, tolerance, (left0, left1))
    raised = 0
    if not outer and left0 is not None and left1 is not None and names[0] in sheet.tolerance:
        raised = floored(kept, (left0, left1), sheet.tolerance[names[0]].above)
    floor = kept[:raised]
    if raised:
        kept = kept[raised:]
        line = current_line(kept, 0.0, seen.wire.u, seen.wire.sd)
        if line is None:
            why = f"the current never falls below {floor[0].current_a:.3f} A, and too few levels lie above"
    out.line = line
    if line is None:
        not_seen(out, names, NotObserved(why))
    else:
        _ends(sheet, seen, out, line, kept, good, span)
    _at_floor(sheet, floor, out)


def _open_loop_line(
    sheet: Sheet,
    seen: Seen,
    out: AsFound,
    good: Sequence[Dwell],
    span: float,
    tolerance: float,
    left_a: tuple[float | None, float | None],
) -> tuple[list[Level], CurrentLine | None]:
    """The levels that a straight law makes, and the line through them; what is cut off is set in `out`."""
    zero, full = left_a
    demand_se = 0.0  # a level knows its own
    # What lies beyond the range should have full current at least; how much more, no two drivers agree.
    beyond = _beyond(seen.dwells) if out.levels[-1].demand < 1.0 - BEYOND else []
    top = levels_of(beyond, seen.resolution_a, demand_step=seen.demand_step)
    kept, out.clip = split_clipped([*out.levels, *top], span, tolerance, demand_se, left_a, seen.strokes)
    kept = [level for level in kept if level not in top]
    line = current_line(kept, demand_se, seen.wire.u, seen.wire.sd)
    if out.clip is not None and line is not None:
        out.clip = on_dwells(out.clip, line, good)
    if out.clip is None and zero is not None and full is not None:
        cut_s = _cut_within(sheet, seen, good, (zero, full), tolerance, out)
        whole = [d for d in good if d.from_s not in cut_s]
        again = levels_of(
            whole, seen.resolution_a, demand_step=seen.demand_step, wire_sd=seen.wire.sd, wire_u=seen.wire.u
        )
        if cut_s:
            kept, line = again, current_line(again, demand_se, seen.wire.u, seen.wire.sd)
    return kept, line


def _ends(
    sheet: Sheet,
    seen: Seen,
    out: AsFound,
    line: CurrentLine,
    kept: Sequence[Level],
    good: Sequence[Dwell],
    span: float,
) -> None:
    """The currents at both ends of the line through the levels `kept`; `span`: as left (A)."""
    names = ("current_at_zero", "current_at_full")
    outer = sheet.signal.made_by is MadeBy.CLOSED_LOOP
    loop_shift, loop_shift_u = (0.0, 0.0) if outer else unequal_ramps(sheet, seen.wire)
    systematic = math.hypot(
        current_systematic(sheet, span, good, seen.interval_s, out.beat_a),
        FLOOR * span if outer else 0.0,
        span * loop_shift_u,
        hidden_dither_a(sheet, line, span) if seen.no_tone else 0.0,
    )
    for name, value, se, same in (
        (names[0], line.at_zero_a, line.se_zero_a, math.hypot(line.clipped_zero_a, line.law_zero_a)),
        (names[1], line.at_full_a, line.se_full_a, math.hypot(line.clipped_full_a, line.law_full_a)),
    ):
        if name == names[1] and out.clip is not None:
            start = f"clipped at {out.clip.limit_a:.3f} A from {100 * out.clip.demand:.0f} % command"
            note = f"{start}; taken from lower levels"
        else:
            note = ""
        out.quantities[name] = Estimate(
            value=value - span * loop_shift,
            repeatability=se,
            dof=line.dof,
            systematic=math.hypot(systematic, same),
            segments=sum(level.dwells for level in kept),
            from_s=min(level.from_s for level in kept),
            to_s=max(level.to_s for level in kept),
            command_min_pct=100.0 * kept[0].demand,
            command_max_pct=100.0 * kept[-1].demand,
            note=note,
        )


def _at_floor(sheet: Sheet, floor: Sequence[Level], out: AsFound) -> None:
    """The current at zero where levels stand on a floor: theirs."""
    if not floor:
        return
    weight = [level.dwells for level in floor]
    out.quantities["current_at_zero"] = Estimate(
        value=float(np.average([level.current_a for level in floor], weights=weight)),
        repeatability=max(max(level.current_se_a for level in floor), float(np.ptp([x.current_a for x in floor]))),
        dof=float(max(sum(weight) - 1, 1)),
        systematic=instrument_u(sheet, "current"),
        segments=sum(weight),
        from_s=min(level.from_s for level in floor),
        to_s=max(level.to_s for level in floor),
        command_min_pct=100.0 * floor[0].demand,
        command_max_pct=100.0 * floor[-1].demand,
        note="the current falls no lower",
    )


def _cut_within(
    sheet: Sheet, seen: Seen, good: Sequence[Dwell], left_a: tuple[float, float], tolerance_a: float, out: AsFound
) -> frozenset[float]:
    """When the dwells began whose current was cut off within the readings: what they read is no setting.

    A cut that is still there is the clip; one that went again is known by its dwells alone.
    """
    lately = cut_lately(good, left_a, tolerance_a, seen.strokes)
    if lately is not None:
        out.clip, cut_s = lately
        return cut_s
    out.cut_s = frozenset(cut.dwell.from_s for cut in cuts_of(good, left_a, tolerance_a, seen.strokes))
    volts, width = sheet.as_left.get("supply_voltage"), sheet.tolerance.get("supply_voltage")
    if volts is not None and width is not None:
        out.cut_s |= cut_by_supply(good, volts - width.below, tolerance_a, left_a[1] - left_a[0])
    return out.cut_s


def _beyond(dwells: Sequence[Dwell]) -> list[Dwell]:
    """Settled dwells whose command lies beyond full."""
    return [d for d in dwells if d.flat > 0.5 and d.demand > 1.0 + BEYOND and math.isfinite(d.current_a)]

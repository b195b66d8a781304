"""The finding of too little headroom: before the current is clipped, or, once it is, as a consequence of that.

It is raised when the verdict is out, so never by assumptions alone: what is not re-measured widens the uncertainty.
What it misses: a driver whose own limit the sheet does not give.
"""

from __future__ import annotations

import math

from asleft.judge.coil_state.days import DAY_S
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.types import Finding, Part, Verdict
from asleft.sheet.names import format_quantity


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

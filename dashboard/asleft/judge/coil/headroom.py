"""Headroom: the current still to be had above the full-command current before supply, coil or driver run out.

    headroom = ((V - drop) duty / (R + cable) - dither / 2 - I1) / I1, and not above the driver's own limit,

*now* with the lowest supply and the resistance just seen, and *at the corner*, with the hottest winding and lowest
supply the sheet allows (or what was seen, if that is worse), before it happens. The quantity `headroom` is the worse
of the two. What is entered and not re-measured carries an uncertainty of its own, so that a small headroom that rests
on assumptions comes out as undecided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from asleft.judge.coil.coil import Output, Reference, Resistance, copper, output_of, winding_degc
from asleft.judge.decide import Estimate, verdict
from asleft.judge.driver.clipping import Clip
from asleft.judge.features import Dwell
from asleft.judge.types import Coverage, QuantityResult, Verdict
from asleft.sheet.model import Sheet, Tolerance
from asleft.sheet.names import with_minus


@dataclass(frozen=True, slots=True)
class Need:
    """What the output must give: current at full, half of the dither, standard uncertainty of the former (A)."""

    full_a: float
    half_dither_a: float
    u_a: float


@dataclass(frozen=True, slots=True)
class Point:
    """Headroom (%) at one supply and winding temperature, its standard uncertainty, and the current to be had (A)."""

    pct: float
    u_pct: float
    supply_v: float
    winding_degc: float
    most_a: float
    limited_by: str  # "supply and coil" or "driver"


@dataclass(frozen=True, slots=True)
class Room:
    """Headroom now and at the corner, and where clipping begins: at which winding temperature, at which supply."""

    now: Point | None
    corner: Point | None
    clips_at_degc: float | None  # with the supply as it is (at the corner where that is not known)
    clips_at_v: float | None  # with the winding as it is, likewise
    assumed: tuple[str, ...]

    @property
    def worst(self) -> Point:
        """The point the quantity stands for."""
        points = [p for p in (self.now, self.corner) if p is not None]
        return min(points, key=lambda p: p.pct)


def point(
    sheet: Sheet, need: Need, output: Output, supply: tuple[float, float], coil: tuple[float, float], r20_ohm: float
) -> Point:
    """Headroom with a supply (V) and a coil (ohm, of the winding as it is), each with its standard uncertainty."""
    supply_v, supply_u = supply
    ohm, ohm_u = coil
    total = ohm + output.cable_ohm
    most = max(supply_v - output.drop_v, 0.0) * output.duty / total
    share = math.hypot(
        math.hypot(supply_u, output.drop_u_v) / max(supply_v - output.drop_v, 1e-3),
        output.duty_u / output.duty,
        math.hypot(ohm_u, output.cable_u_ohm) / total,
    )
    u_most, limited = share * most, "supply and coil"
    limit = sheet.coil.driver_limit_a
    if limit is not None and limit < most:
        most, u_most, limited = limit, 0.0, "driver"
    pct = 100.0 * (most - need.half_dither_a - need.full_a) / need.full_a
    u_pct = 100.0 * math.hypot(u_most, need.u_a * most / need.full_a) / need.full_a
    return Point(pct, u_pct, supply_v, winding_degc(ohm / r20_ohm), most, limited)


def room_of(
    sheet: Sheet,
    need: Need,
    *,
    supply_now: tuple[float, float] | None,
    now: Resistance | None,
    reference: Reference | None,
    clip: Clip | None,
) -> Room | str:
    """Headroom from what was seen and what the sheet says, or why there is none.

    `supply_now`: lowest supply seen and its standard uncertainty (V).
    """
    if reference is None and now is None:
        return "no resistance known"
    output = output_of(sheet)
    r20 = math.nan if reference is None else reference.ohm
    present = None
    if supply_now is not None and now is not None:
        present = point(sheet, need, output, supply_now, (now.ohm, now.u_ohm), r20)
        if clip is not None and clip.limit_a < present.most_a:
            pct = 100.0 * (clip.limit_a - need.half_dither_a - need.full_a) / need.full_a
            present = replace(present, pct=pct, u_pct=100.0 * need.u_a / need.full_a, most_a=clip.limit_a)
    corner = None
    hot, low = sheet.coil.hot_temperature_degc, sheet.coil.supply_minimum_v
    if reference is not None and hot is not None and low is not None:
        coil = (r20 * copper(hot), math.hypot(reference.share, reference.gain) * r20 * copper(hot))
        if now is not None and now.ohm > coil[0]:
            coil = (now.ohm, now.u_ohm)
        supply = supply_now if supply_now is not None and supply_now[0] < low else (low, 0.0)
        corner = point(sheet, need, output, supply, coil, r20)
    if present is None and corner is None:
        if supply_now is None and low is None:
            return "supply not recorded, and no lowest supply in the sheet"
        return "the resistance now is not seen, and the sheet has no hottest winding or no lowest supply"
    return Room(present, corner, *_clips(need, output, present, corner, r20), output.assumed)


def _clips(
    need: Need, output: Output, present: Point | None, corner: Point | None, r20_ohm: float
) -> tuple[float | None, float | None]:
    """Winding temperature and supply at which clipping begins, the other being as it is now (else at the corner)."""
    at = present or corner
    if at is None or not math.isfinite(r20_ohm):
        return None, None
    needed = need.full_a + need.half_dither_a
    ohm = max(at.supply_v - output.drop_v, 0.0) * output.duty / needed - output.cable_ohm
    volt = needed * (r20_ohm * copper(at.winding_degc) + output.cable_ohm) / output.duty + output.drop_v
    return winding_degc(ohm / r20_ohm), volt


def lowest_supply(dwells: Sequence[Dwell], u_v: float) -> tuple[float, float] | None:
    """Lowest mean supply of any dwell in production, and the standard uncertainty of its calibration (V)."""
    values = [d.supply_v for d in dwells if d.producing > 0.5 and math.isfinite(d.supply_v)]
    return (min(values), u_v) if values else None


def estimate_of(room: Room, dwells: Sequence[Dwell]) -> Estimate:
    """The quantity: the worse point, with words for both."""
    worst = room.worst
    where = f"at {worst.supply_v:.1f} V and the coil as it is"
    if math.isfinite(worst.winding_degc):
        where = f"at {worst.winding_degc:.0f} °C of the winding and {worst.supply_v:.1f} V"
    if worst.limited_by == "driver":
        where = "by the driver's own limit"
    said = [where]
    if room.now is not None and worst is not room.now:
        said.append(with_minus(f"{room.now.pct:.0f} % now"))
    if room.assumed:
        said.append(f"usual values taken for {', '.join(room.assumed)}")
    return Estimate(
        value=worst.pct,
        repeatability=0.0,
        dof=math.inf,
        systematic=worst.u_pct,
        segments=len(dwells),
        from_s=dwells[0].from_s if dwells else None,
        to_s=dwells[-1].to_s if dwells else None,
        note="; ".join(said),
    )


def headroom_result(found: Estimate | str, given: Tolerance | None) -> QuantityResult:
    """The line of the sheet. `given.below` is the least headroom to be had (%); without one there is no verdict.

    There is no as left; tolerance used counts from twice the least (0 %) over the least (-100 %) down.
    """
    tolerance = Tolerance(0.0, math.inf) if given is None else given
    least = tolerance.below
    if isinstance(found, str):
        return QuantityResult(
            "headroom", "%", None, None, None, None, least, tolerance.above, None, Verdict.NOT_OBSERVED, found,
            None, None, Coverage(0, None, None, None, None),
        )  # fmt: skip
    expanded = found.expanded()
    decided = verdict(found.value - least, expanded, Tolerance(0.0, math.inf))
    reason = found.note
    if decided is Verdict.UNDECIDED:
        reason += "; the uncertainty reaches over the limit"
    return QuantityResult(
        id="headroom",
        unit="%",
        as_left=None,
        as_found=found.value,
        uncertainty=expanded,
        change_uncertainty=None,
        tolerance_below=least,
        tolerance_above=tolerance.above,
        tolerance_used_pct=min(100.0 * (found.value - 2.0 * least) / least, 0.0) if least > 0.0 else None,
        verdict=decided,
        reason=reason,
        bound_below=None,
        bound_above=None,
        coverage=Coverage(found.segments, found.from_s, found.to_s, None, None),
    )

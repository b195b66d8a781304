"""What the coil looks like now, from one set of features: resistance, winding temperature, headroom."""

from __future__ import annotations

import math
from dataclasses import dataclass

from asleft.judge.coil.coil import ColdCoil, Reference, Resistance, Winding, reference_of, resistance_now, winding
from asleft.judge.coil.headroom import Need, Room, estimate_of, lowest_supply, room_of
from asleft.judge.coil_state.days import Nearing
from asleft.judge.decide import Estimate
from asleft.judge.driver.systematic import instrument_u
from asleft.judge.estimates import AsFound, Found, NotObserved, Seen
from asleft.judge.types import CoilNow
from asleft.sheet.model import Sheet

#: Relative standard uncertainty of a current at full that is taken as left because it is not seen.
_UNSEEN = 0.01


@dataclass(frozen=True, slots=True)
class CoilState:
    """All that is known of the coil from one set of features."""

    resistance: Resistance | None
    reference: Reference | None
    winding: Winding | None
    room: Room | None
    lowest_v: float | None  # of the supply in production

    @property
    def clipping(self) -> tuple[float | None, float | None]:
        """Winding temperature and supply at which clipping begins."""
        return (None, None) if self.room is None else (self.room.clips_at_degc, self.room.clips_at_v)


def look(sheet: Sheet, seen: Seen, found: AsFound, cold: ColdCoil | None) -> tuple[CoilState, Found]:
    """The coil now, and headroom as a quantity. Uses the currents and dither of `found`, as left where not seen."""
    clip = found.clip
    now = resistance_now(seen.dwells, sheet, clip)
    reference = reference_of(sheet, cold)
    winding_now = winding(now, reference) if now is not None and reference is not None else None
    need = _need(sheet, found)
    supply = lowest_supply(seen.dwells, instrument_u(sheet, "supply"))
    lowest_v = None if supply is None else supply[0]
    if need is None:
        return CoilState(now, reference, winding_now, None, lowest_v), NotObserved("current at full is not known")
    room = room_of(sheet, need, supply_now=supply, now=now, reference=reference, clip=clip)
    if isinstance(room, str):
        return CoilState(now, reference, winding_now, None, lowest_v), NotObserved(room)
    return CoilState(now, reference, winding_now, room, lowest_v), estimate_of(room, seen.dwells)


def _need(sheet: Sheet, found: AsFound) -> Need | None:
    """Current at full and half the dither as found, or as left where not seen; lost dither is to come back."""
    full = found.quantities.get("current_at_full")
    dither = found.quantities.get("dither_amplitude")
    swing_a = sheet.as_left.get("dither_amplitude", 0.0)
    if isinstance(dither, Estimate) and dither.value > 0.0:
        swing_a = dither.value
    if isinstance(full, Estimate):
        return Need(full.value, 0.5 * swing_a, math.hypot(full.repeatability, full.systematic))
    left = sheet.as_left.get("current_at_full")
    return None if left is None or left <= 0.0 else Need(left, 0.5 * swing_a, _UNSEEN * left)


def report_of(state: CoilState, soon: Nearing | None) -> CoilNow | None:
    """What the judgement publishes of the coil; None where nothing is known of it now."""
    now, room = state.resistance, state.room
    if now is None and room is None:
        return None
    return CoilNow(
        resistance_ohm=None if now is None else now.ohm,
        resistance_u_ohm=None if now is None else 2.0 * now.u_ohm,
        temperature_degc=None if state.winding is None else state.winding.degc,
        temperature_u_k=None if state.winding is None else state.winding.u_k,
        basis="" if now is None else now.basis,
        headroom_now_pct=room.now.pct if room is not None and room.now is not None else None,
        headroom_corner_pct=room.corner.pct if room is not None and room.corner is not None else None,
        clips_at_degc=None if room is None else room.clips_at_degc,
        clips_at_v=None if room is None else room.clips_at_v,
        clips_from_s=None if soon is None else soon.at_s,
        clips_earliest_s=None if soon is None else soon.earliest_s,
        clips_latest_s=None if soon is None else soon.latest_s,
    )

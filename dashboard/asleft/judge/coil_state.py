"""The coil as it is now and as it was on other days: resistance, temperature, headroom."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.coil.coil import ColdCoil, Reference, Resistance, Winding, reference_of, resistance_now, winding
from asleft.judge.coil.headroom import Need, Room, estimate_of, lowest_supply, room_of
from asleft.judge.decide import Estimate
from asleft.judge.driver.systematic import instrument_u
from asleft.judge.estimates.as_found import AsFound, Found, NotObserved, Seen
from asleft.judge.trend import theil_sen
from asleft.judge.types import CoilNow
from asleft.sheet.model import Sheet

# The coil's days: the hottest winding and the lowest supply of each, and when their trends reach clipping.
#
# A date is given only where the interval of the trend (Theil-Sen, Sen 1968) excludes none, and never further ahead
# than there is history. What it misses: changes within the eight days a trend needs. A step is no trend, but a step
# among few days may pass for one.

DAY_S = 86400.0
#: A trend needs so many days with production.
LEAST_DAYS = 8
_MOST_DAYS = 120


@dataclass(frozen=True, slots=True)
class CoilDay:
    """One day (UTC, days since 1970): hottest winding (degC) and lowest supply (V), NaN where not seen."""

    day: int
    hottest_degc: float
    lowest_v: float


@dataclass(frozen=True, slots=True)
class Nearing:
    """When clipping will begin by the trend of `what`: unix seconds, and the earliest and latest of its interval."""

    what: str
    at_s: float
    earliest_s: float
    latest_s: float


def remember_day(
    days: Sequence[CoilDay], at_s: float, hottest_degc: float | None, lowest_v: float | None
) -> list[CoilDay]:
    """The days with one more look at the coil taken in; the newest `_MOST_DAYS` are kept."""
    day = int(at_s // DAY_S)
    hot = math.nan if hottest_degc is None else hottest_degc
    low = math.nan if lowest_v is None else lowest_v
    if days and days[-1].day == day:
        last = days[-1]
        seen = CoilDay(day, float(np.fmax(last.hottest_degc, hot)), float(np.fmin(last.lowest_v, low)))
        return [*days[:-1], seen]
    return [*days, CoilDay(day, hot, low)][-_MOST_DAYS:]


def usual_hottest_degc(days: Sequence[CoilDay]) -> float | None:
    """Median over all days but the newest of the hottest winding (degC); None where none is known."""
    known = [day.hottest_degc for day in days[:-1] if math.isfinite(day.hottest_degc)]
    return float(np.median(known)) if known else None


def nearing(days: Sequence[CoilDay], clips_at_degc: float | None, clips_at_v: float | None) -> Nearing | None:
    """When the trend of the hottest winding or the lowest supply reaches clipping, the earlier; None: neither."""
    candidates = [
        _crossing([(d.day, d.hottest_degc) for d in days], clips_at_degc, 1.0, "winding temperature"),
        _crossing([(d.day, d.lowest_v) for d in days], clips_at_v, -1.0, "supply"),
    ]
    return min((c for c in candidates if c is not None), key=lambda c: c.at_s, default=None)


def _crossing(series: Sequence[tuple[int, float]], limit: float | None, way: float, what: str) -> Nearing | None:
    rows = [(day, value) for day, value in series if math.isfinite(value)]
    if limit is None or len(rows) < LEAST_DAYS:
        return None
    t, y = np.array(rows, dtype=np.float64).T
    slope, low, high = theil_sen(t, y)
    slow, fast = (low, high) if way > 0 else (high, low)
    level = float(np.median(y - slope * t)) + slope * float(t[-1])
    left = way * (limit - level)
    if way * slow <= 0.0 or left <= 0.0:
        return None
    ahead, soonest, latest = left / (way * slope), left / (way * fast), left / (way * slow)
    if ahead > t[-1] - t[0]:
        return None
    from_s = (float(t[-1]) + 0.5) * DAY_S
    return Nearing(what, from_s + ahead * DAY_S, from_s + soonest * DAY_S, from_s + latest * DAY_S)


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

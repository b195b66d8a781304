"""As found: every quantity of the sheet from dwells, strokes and bursts, or why it is not observed."""

from __future__ import annotations

from asleft.judge.coil.coldsoak import cold_estimate
from asleft.judge.decide import Estimate
from asleft.judge.dither import dither_found
from asleft.judge.driver.supply import supply_estimate
from asleft.judge.driver.systematic import (
    instrument_u,
)
from asleft.judge.estimates.as_found import AsFound, NotObserved, Seen
from asleft.judge.estimates.currents import estimate_currents
from asleft.judge.estimates.pressures import estimate_pressures
from asleft.judge.estimates.ramps import bound_by_followed, estimate_ramps
from asleft.judge.ramp_fit.ramps import overshoot_share
from asleft.judge.valve.characteristic import measure
from asleft.judge.valve.hysteresis import low_pass_hz
from asleft.sheet.model import MadeBy, Sheet


def estimate(sheet: Sheet, seen: Seen) -> AsFound:
    """As found for every quantity the sheet gives; never raises for poor data, says what is missing instead."""
    out = AsFound()
    estimate_currents(sheet, seen, out)
    estimate_ramps(sheet, seen, out)
    bound_by_followed(out)
    estimate_pressures(sheet, seen, out)
    supply = supply_estimate(seen.dwells, recorded=seen.has_supply, instrument_u_v=instrument_u(sheet, "supply"))
    out.quantities["supply_voltage"] = supply if isinstance(supply, Estimate) else NotObserved(supply)
    _dither(sheet, seen, out)
    _characteristic(sheet, seen, out)
    cold = cold_estimate(sheet, seen.cold, seen.dwells, out.clip)
    out.quantities["coil_resistance"] = cold if isinstance(cold, Estimate) else NotObserved(cold)
    return out


def _characteristic(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    """Hysteresis, and what else branches say; without judged pressure for the reason pressure itself gave."""
    if sheet.signal.made_by is MadeBy.CLOSED_LOOP:
        out.quantities["hysteresis"] = NotObserved("only moving data: a controller outside makes the command")
        return
    pressure = out.quantities["pressure_at_full"]
    why = pressure.reason if isinstance(pressure, NotObserved) and not out.judged_pressure else ""
    at_rest = {d.from_s: d for d in out.judged_pressure}
    out.characteristic = found = measure(
        sheet,
        [at_rest.get(d.from_s, d) for d in seen.dwells],
        out.judged_pressure,
        wire=seen.wire,
        current_u_a=instrument_u(sheet, "current"),
        steps=(seen.resolution_a, seen.resolution_bar),
        swing=sum(overshoot_share(out.combined, k, low_pass_hz(sheet)) for k in (0, 1)),
        creep=out.creep,
        why_none=why,
    )
    out.quantities["hysteresis"] = (
        NotObserved(found.reason, below=found.below_pct, above=found.above_pct)
        if found.hysteresis is None
        else found.hysteresis
    )


def _dither(sheet: Sheet, seen: Seen, out: AsFound) -> None:
    names = ("dither_frequency", "dither_amplitude")
    for name, found in zip(names, dither_found(seen.bursts, sheet), strict=True):
        out.quantities[name] = found if isinstance(found, Estimate) else NotObserved(found)

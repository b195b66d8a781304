"""A winding whose resistance is too low for any temperature it can have: turns of it are short-circuited.

A coil at work sits on a valve full of oil and heats itself, so it is hardly colder than the oil. Where its voltage
and current say a temperature far below, the copper is not all there. It needs coil voltage and oil temperature;
without them a short shows in dither and in the force alone. It misses a short of less than about a tenth of the
turns, which a warm day hides; it cries wolf where the coil voltage is read wrong.
"""

from __future__ import annotations

import numpy as np
from asleft.judge.coil.coil import copper
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.types import Finding

#: How much colder than the oil, and than on other days, a winding at work has to seem (K).
_BELOW_OIL_K, _BELOW_USUAL_K = 25.0, 15.0


def seems_short_of_turns(context: FindingContext) -> bool:
    """Whether the winding seems colder than it can be."""
    winding = context.coil.winding if context.coil is not None else None
    oil = [d.oil_degc for d in context.seen.dwells if d.producing > 0.5 and np.isfinite(d.oil_degc)]
    if winding is None or not oil:
        return False
    warmest = winding.degc + winding.u_k
    usual = context.usual_winding_degc
    back = context.deadband_factor("coil-changed")
    return warmest < min(oil) - back * _BELOW_OIL_K and (usual is None or warmest < usual - back * _BELOW_USUAL_K)


def shorted_turns(context: FindingContext) -> list[Finding]:
    """The finding of a coil with shorted turns, or none."""
    if not seems_short_of_turns(context) or context.coil is None or context.coil.resistance is None:
        return []
    winding = context.coil.winding
    if winding is None:
        return []
    evidence = (
        f"Coil voltage and current give {context.coil.resistance.ohm:.2f} Ω: the winding would be at "
        f"{winding.degc:.0f} °C at work, colder than its oil, so turns are missing."
    )
    return [make("coil-changed", evidence, _onset_s(context, context.coil.resistance.ohm))]


def _onset_s(context: FindingContext, ohm: float) -> float | None:
    """The first dwell whose resistance is nearer to what it is now than to a whole winding's at the oil's heat."""
    left = context.sheet.as_left.get("coil_resistance")
    if left is None:
        return None
    oil = float(np.median([d.oil_degc for d in context.seen.dwells if np.isfinite(d.oil_degc)]))
    whole = left * copper(oil)
    return min(
        (d.from_s for d in context.seen.dwells if d.current_a > 0.0 and d.coil_v / d.current_a < 0.5 * (whole + ohm)),
        default=None,
    )

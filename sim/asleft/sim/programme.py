"""Which segments a valve goes through: the programmes "production", "day", "live" and "sweep"."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Literal, get_args

from asleft.sim.calendar import Stretch, live_stretches, local_hour, stretches, warmth
from asleft.sim.model import ValveModel
from asleft.sim.segments import Script, Segment

Programme = Literal["production", "day", "live", "sweep"]

#: Hours in which a press's oil and coils warm up at work and cool down at rest (own choice).
OIL_WARM_UP_H, OIL_COOL_DOWN_H = 0.9, 6.0
COIL_WARM_UP_H, COIL_COOL_DOWN_H = 0.4, 0.5
#: Air in the hall when the oil has been standing for long (degC).
HALL_DEGC = 14.0


def check_programme(programme: str) -> None:
    """Raise ValueError for a programme that does not exist."""
    if programme not in get_args(Programme):
        raise ValueError(f"programme must be one of {', '.join(get_args(Programme))}, not {programme!r}")


def segments(model: ValveModel, start_s: float, programme: Programme, rng: random.Random) -> Iterator[Segment]:
    """Segments from `start_s` on, without end, for one valve."""
    forever_s = start_s + 1e9
    script = Script(model, start_s, rng)
    if programme == "production":
        yield from script.producing(forever_s)
    elif programme == "sweep":
        yield from script.sweeping(forever_s)
    elif programme == "live":
        yield from _through(script, live_stretches(model.press_key, start_s))
    else:
        yield from _through(script, stretches(model.press_key, start_s, forever_s))


def _through(script: Script, plan: Iterator[Stretch]) -> Iterator[Segment]:
    first = True
    for stretch in plan:
        if first and stretch.kind in ("night", "weekend"):
            script.come_to_rest()  # it had stopped long before this recording begins
        first = False
        if stretch.kind == "producing":
            yield from script.producing(stretch.to_s)
        elif stretch.kind == "set-up":
            yield from script.setting_up(stretch.to_s)
        elif stretch.kind == "verification":
            yield from script.verifying(stretch.to_s)
        elif stretch.kind == "emergency":
            yield from script.emergency(stretch.to_s)
        elif stretch.kind == "break":
            yield from script.pause(stretch.to_s)
        else:
            yield from script.stopped(stretch.to_s)


def oil_degc(model: ValveModel, time_s: float, programme: Programme) -> float:
    """Oil temperature at an instant; only the calendar lets it go cold, elsewhere it breathes with the day."""
    breath_k = 1.5 * _afternoon(time_s)
    if programme != "day":
        return model.oil_degc + breath_k
    warm = warmth(time_s, OIL_WARM_UP_H, OIL_COOL_DOWN_H)
    return HALL_DEGC + (model.oil_degc + breath_k - HALL_DEGC) * warm


def ambient_degc(model: ValveModel, time_s: float, programme: Programme) -> float:
    """Air round the coil: warmest in the afternoon, and that of the hall when the press has stood for long."""
    air = model.ambient_degc + model.ambient_swing_k * _afternoon(time_s)
    if programme != "day":
        return air
    return HALL_DEGC + (air - HALL_DEGC) * warmth(time_s, OIL_WARM_UP_H, OIL_COOL_DOWN_H)


def coil_warmth(time_s: float, programme: Programme) -> float:
    """Share of the steady rise of the coil that is there when a recording begins."""
    return warmth(time_s, COIL_WARM_UP_H, COIL_COOL_DOWN_H) if programme == "day" else 1.0


def _afternoon(time_s: float) -> float:
    """From -1 at 4 h local time to +1 at 16 h and back, in straight lines."""
    hour = local_hour(time_s)
    half_days = ((hour - 4.0) % 24.0) / 12.0
    return 1.0 - 2.0 * abs(half_days - 1.0)

"""A spool that sticks and jumps: the pressure at one level differs from one arrival to the next.

Friction alone is repeatable: it moves the two branches apart, by the same each time. A spool that rests until it
breaks loose stops at another place each time. Seen as the scatter of successive arrivals at levels which the valve
controls, in production with the current as left.

It misses a spool that always sticks at the same place, and one that is seen at fewer than two levels or four times.
It cries wolf where a load varies at a level that counts as controlled; a scatter that was there when the valve was
left would do so too, so it has to exceed three tenths of the pressure's tolerance, of which commissioning leaves
room.
"""

from __future__ import annotations

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.finding.context import FindingContext, make
from asleft.judge.finding.pressure_symptoms import SCATTERS, level_visits, pressure_tolerance_bar, scatter_bar
from asleft.judge.finding.standing import stood_still
from asleft.judge.types import Finding, FloatArray
from asleft.judge.valve.pressure import steady
from asleft.sheet.names import format_bar

#: Share of the highest pressure.
_USUAL_TOLERANCE = 0.02


def sticking(context: FindingContext) -> list[Finding]:
    """The finding of a sticking spool, or none. Its kind is that of a changed hysteresis: it is one that varies."""
    if context.found.held is not None:  # a load that a loop outside rejects is no sign
        return []
    tolerance, scatter, stood = pressure_tolerance_bar(context), scatter_bar(context), stays_stood(context)
    if stood:
        times = f"{len(stood)} times, the last time at {format_bar(stood[-1].pressure_bar)}"
        evidence = f"Pressure stood still while command and current went on to another level ({times})."
        return [make("hysteresis-changed", evidence, stood[0].from_s)]
    if (
        tolerance is None
        or scatter is None
        or scatter <= SCATTERS * context.deadband_factor("hysteresis-changed") * tolerance
    ):
        return []
    evidence = f"Pressure at the same command differs from one cycle to the next by {format_bar(2.0 * scatter)}."
    return [make("hysteresis-changed", evidence, _onset_s(context, scatter))]


def stays_stood(context: FindingContext) -> list[Dwell]:
    """Stays in which the pressure stood still, also of a sheet without pressures; none where a load may do so."""
    if context.found.held is not None:
        return []
    tolerance = pressure_tolerance_bar(context)
    tolerance = _usual_tolerance_bar(context) if tolerance is None else tolerance
    return stood_still(context, tolerance) if tolerance is not None else []


def _usual_tolerance_bar(context: FindingContext) -> float | None:
    """Where the sheet has no pressures, the usual tolerance of the highest seen; None where the valve makes none.

    A spool that stands still does so whatever its pressures were.
    """
    if context.sheet.controls != "pressure":
        return None
    highest = max((d.pressure_bar for d in steady(context.seen.dwells, context.sheet)), default=0.0)
    return _USUAL_TOLERANCE * highest if highest > 0.0 else None


def _onset_s(context: FindingContext, scatter_bar: float) -> float | None:
    """When arrivals began to differ from the ones before them, at the same level, by as much as they do now.

    One may do so by chance or by a load: of all ways to cut the differences in two, the likeliest is taken, each part
    with its own share of large ones (binomial). The first arrival of all where they were large from the beginning.
    """
    rows = [
        (visit.from_s, abs(step) > scatter_bar)
        for visits, bar, _ in level_visits(context)
        for visit, step in zip(visits[1:], np.diff(bar).tolist(), strict=True)
    ]
    rows.sort()
    large = np.array([so for _, so in rows], dtype=float)
    if not large.any():
        return None
    seen, before = np.arange(large.size, dtype=float), np.concatenate(([0.0], np.cumsum(large)[:-1]))
    later, after = large.size - seen, large.sum() - before
    likely = _log_likelihood(before, seen) + _log_likelihood(after, later)
    begins = int(np.argmax(np.where(after * seen >= before * later, likely, -np.inf)))
    return rows[begins + int(np.argmax(large[begins:]))][0]


def _log_likelihood(large: FloatArray, of: FloatArray) -> FloatArray:
    """Of so many large ones among so many, at their own share; 0 where all or none are."""
    share = np.divide(large, of, out=np.zeros_like(large), where=of > 0)
    inner = (share > 0.0) & (share < 1.0)
    share = np.where(inner, share, 0.5)
    return np.where(inner, large * np.log(share) + (of - large) * np.log1p(-share), 0.0)

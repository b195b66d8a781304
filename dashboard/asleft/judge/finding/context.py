"""What findings rest on: what is at hand, what moved since the valve was left, and the shape of it over levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.judge.coil_state import CoilState, Nearing
from asleft.judge.drift import Chart
from asleft.judge.driver.answer import Misfit, Reaction
from asleft.judge.estimates.as_found import AsFound, Seen
from asleft.judge.features import Dwell, PressureDelay
from asleft.judge.finding.signatures import Values
from asleft.judge.types import Finding, FloatArray, QuantityResult, Verdict
from asleft.judge.valve.pressure import steady
from asleft.judge.watching.stretches import Stretch
from asleft.sheet.model import Sheet

DEADBAND_FACTOR = 0.8
"""Alarm deadband (the term of ISA-18.2, which leaves its size to the plant): a finding goes when its measure is a
fifth below the threshold that raised it. The fifth is a choice: more than the scatter of most measures."""


@dataclass(frozen=True, slots=True)
class Within:
    """A change within the readings: in words, since when, and whether it comes and goes."""

    evidence: str
    onset_s: float
    at_times: frozenset[float] = frozenset()  # beginnings of the segments that showed it (unix s); none: it stays


@dataclass(frozen=True, slots=True)
class FindingContext:
    """Everything findings rest on."""

    sheet: Sheet
    seen: Seen
    found: AsFound
    results: Mapping[str, QuantityResult]
    charts: Mapping[str, Chart]
    stretches: Sequence[Stretch]
    missing: Mapping[str, int]  # unusable readings by reason
    readings: int  # usable ones, beside the missing
    vented_shift_bar: float | None  # pressure reading while stopped and vented, now minus when left
    idle_shift_a: float | None = None  # current reading while the driver is off, now minus when left
    coil: CoilState | None = None
    nearing: Nearing | None = None  # when the current will be clipped, by a trend
    usual_winding_degc: float | None = None  # hottest winding of a usual day before this one
    reaction: Reaction = field(default_factory=Reaction)
    misfit: Misfit = field(default_factory=Misfit)
    pressure_delays: Sequence[PressureDelay] = ()
    gone_s: Mapping[str, float] = field(default_factory=dict)  # finding -> when it was last seen to be gone
    standing: frozenset[str] = frozenset()  # kinds of the findings told before and not seen to be gone
    _at_rest: list[list[Dwell]] = field(default_factory=list, init=False, repr=False, compare=False)
    within: dict[str, Within | None] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What `finding.within.moved_within` has found: several findings ask, and each answer takes milliseconds."""

    @property
    def at_rest(self) -> list[Dwell]:
        """`steady` dwells of all that was seen, worked out when first asked for."""
        if not self._at_rest:
            self._at_rest.append(steady(self.seen.dwells, self.sheet, self.found.creep))
        return self._at_rest[0]

    def deadband_factor(self, kind: str) -> float:
        """By what the threshold of a finding is multiplied: less than 1 while it stands, so that none flickers."""
        return DEADBAND_FACTOR if kind in self.standing else 1.0


def make(kind: str, evidence: str, onset_s: float | None, **changes: object) -> Finding:
    """A finding with its part, alternatives and severity as the kind usually has them, `changes` laid over."""
    usual = FINDING_KINDS[kind]
    base = Finding(kind, usual.part, usual.alternatives, onset_s, usual.severity, evidence)
    return replace(base, **changes)  # type: ignore[arg-type]


def moved(context: FindingContext, name: str) -> bool | None:
    """Whether another quantity moved by more than half its tolerance; None if it cannot be seen."""
    result = context.results.get(name)
    if result is None or result.verdict is Verdict.NOT_OBSERVED or result.tolerance_used_pct is None:
        return None
    return abs(result.tolerance_used_pct) > 50.0


# Shapes of a change over command levels: which of a few simple ones fits what moved.
#
# Currents move at their ends in one of four ways; pressures at their levels in one of seven. A shape is accepted
# where what it leaves over is small against what there is, so several may be accepted, and none ("other") too.

#: Share of the largest change that an accepted shape of the pressure may leave over at any level.
_LEFT_OVER = 0.3
#: The same of the two ends of the current, which are known much better.
_LEFT_OVER_CURRENT = 0.08
#: The current's change must ask for this share of the pressure's tolerance to tell whether that follows.
_TELLING = 0.7
#: How much steeper or flatter than on the whole a characteristic may be at a level.
_ALIKE, _ALIKE_SURE = 3.0, 1.5
#: Levels this close to an end of the command are that end.
_AT_END = 0.02
#: Of the steepest slope, under which a level tells nothing of the loop.
_LITTLE_SLOPE = 0.2
#: Under this share of tolerance a change is none; between this and the next, it may be one.
SURELY_NONE, SURELY_ONE = 0.45, 0.6


@dataclass(frozen=True, slots=True)
class LevelChange:
    """One command level on one branch: what its pressure was, how it moved, and how the current moved there."""

    demand: float
    arrival: float  # +1 from below, -1 from above
    left_bar: float
    change_bar: float
    se_bar: float
    current_change_a: float | None  # None: no current is read
    slope_bar_per_a: float  # of the characteristic, as left
    slope_sure: bool = True  # False: taken from the ends, though a dead band or a relief may lie there
    current_u_a: float = 0.0  # expanded uncertainty of the current's change


def size_values(change: float, expanded_u: float, below: float, above: float) -> frozenset[str]:
    """Signs a change may have, given its expanded uncertainty and the tolerance of either side: "as left", +, -.

    A side without tolerance takes the other's. A change inside its own uncertainty may be none at all, and one that
    is known to less than a tolerance may have the other sign.
    """
    limit = above if change > 0 else below
    if not np.isfinite(limit) or limit <= 0.0:
        limit = below if change > 0 else above
    if not np.isfinite(limit) or limit <= 0.0:
        return frozenset({"as left"})
    sign, other = ("+", "-") if change > 0 else ("-", "+")
    if expanded_u > max(abs(change), SURELY_ONE * limit):
        return frozenset({"as left", sign, *((other,) if expanded_u - abs(change) > SURELY_ONE * limit else ())})
    used, unsure = abs(change) / limit, min(expanded_u / limit, 0.3)
    if used < SURELY_NONE - unsure:
        return frozenset({"as left"})
    return frozenset({sign}) if used > SURELY_ONE + unsure else frozenset({"as left", sign})


def current_shapes(
    change_a: tuple[float, float], expanded_a: tuple[float, float], left_a: tuple[float, float]
) -> frozenset[str]:
    """Shapes, with their sign, of how currents at zero and full moved: zero, full, gain, offset, or other."""
    shapes = {"zero": (1.0, 0.0), "full": (0.0, 1.0), "gain": left_a, "offset": (1.0, 1.0)}
    change, expanded = np.array(change_a), np.array(expanded_a)
    slack = np.maximum(1.5 * expanded, _LEFT_OVER_CURRENT * np.abs(change).max())
    out = set()
    for name, values in shapes.items():
        shape = np.array(values)
        size = float(shape @ change / (shape @ shape))
        if np.all(np.abs(change - size * shape) <= slack):
            out.add(f"{name}{'+' if size > 0 else '-'}")
    return frozenset(out or {"other"})


def following(levels: Sequence[LevelChange], tolerance_bar: float) -> float | None:
    """Share of the pressure change that the change of current asks for which has come: 1 follows, 0 stands still.

    None where the current did not move enough to tell (under 0.7 of the pressure's tolerance at every level).
    """
    told = telling(levels, tolerance_bar)
    if not told:
        return None
    asked, came = asked_bar(told), np.array([level.change_bar for level in told])
    share = came / asked
    if asked.min() <= 0.0:
        return float(np.median(share))
    # More pressure than the load takes does not come: there it has followed if it moved at all.
    return 1.0 if came.max() > tolerance_bar else float(share.max())


def telling(levels: Sequence[LevelChange], tolerance_bar: float) -> list[LevelChange]:
    """Levels whose current surely moved, and so far that the pressure must show whether it went with it."""
    known = [
        level
        for level in levels
        if level.current_change_a is not None and abs(level.current_change_a) > level.current_u_a
    ]
    asked = np.abs(asked_bar(known))
    least = max(_TELLING * tolerance_bar, 0.3 * float(asked.max(initial=0.0)))
    return [level for level, bar in zip(known, asked.tolist(), strict=True) if bar >= least]


def explained_bar(levels: Sequence[LevelChange]) -> FloatArray:
    """What the change of current explains of each level's change of pressure (bar), (levels,).

    All of a change of the same sign and of a like size, the more alike where the slope is known at the level. At the
    ends of the command it leaves the currents that were ever seen, where the slope is as elsewhere at best; where it
    may be flat there, none of the change need come.
    """
    asked, came = asked_bar(levels), np.array([level.change_bar for level in levels])
    sure = np.array([level.slope_sure and _AT_END < level.demand < 1.0 - _AT_END for level in levels])
    factor = np.where(sure, _ALIKE_SURE, _ALIKE)
    alike = (asked * came > 0.0) & (np.abs(came) > np.abs(asked) / factor) & (np.abs(came) < np.abs(asked) * factor)
    perhaps_flat = np.array([not level.slope_sure for level in levels])
    nothing_to_all = np.clip(came, np.minimum(_ALIKE * asked, 0.0), np.maximum(_ALIKE * asked, 0.0))
    return np.asarray(np.where(perhaps_flat, nothing_to_all, np.where(alike, came, asked)))


def asked_bar(levels: Sequence[LevelChange]) -> FloatArray:
    """Pressure change (bar) that the current's change asks for at each level, (levels,); 0 where none is read."""
    return np.array([(level.current_change_a or 0.0) * level.slope_bar_per_a for level in levels])


def pressure_shapes(
    levels: Sequence[LevelChange], explained_bar: FloatArray, tolerance_bar: float, currents_a: tuple[float, float]
) -> frozenset[str]:
    """Shapes, with their sign, of what is left of the levels' changes beyond `explained_bar` (levels,).

    "as left" where that is nothing against the tolerance; "other" where no shape fits.
    """
    rest = np.array([level.change_bar for level in levels]) - explained_bar
    largest = float(np.abs(rest).max())
    out: set[str] = set()
    if largest < SURELY_ONE * tolerance_bar:
        out.add("as left")
    if largest < SURELY_NONE * tolerance_bar:
        return frozenset(out)
    noise = 3.0 * np.array([level.se_bar for level in levels])
    slack = np.maximum(noise, max(_LEFT_OVER * largest, 0.2 * tolerance_bar))
    for name, shape in _shapes(levels, currents_a).items():
        weight = float(shape @ shape)
        if weight <= 0.0:
            continue
        if name == "loop":
            sign = _widened(shape, rest, slack)
            if sign:
                out.add(f"loop{sign}")
            continue
        size = float(shape @ rest) / weight
        if np.all(np.abs(rest - size * shape) <= slack) and abs(size) * float(np.abs(shape).max()) > 0.5 * largest:
            out.add(f"{name}{'+' if size > 0 else '-'}")
    left = np.array([level.left_bar for level in levels])
    high = left > 0.2 * left.max()
    if np.all(rest[high] < -0.7 * left[high]):
        return frozenset({"gone"})
    return frozenset(out | _limited(left, rest, tolerance_bar) or {"other"})


def _widened(shape: FloatArray, rest: FloatArray, slack: FloatArray) -> str:
    """Sign of a loop's change, where both branches moved apart (+) or together (-); empty where they did not.

    A way shorter than the loop is wide does not cross it: such a level moves by anything from nothing to all of it.
    """
    along = np.divide(rest, shape, out=np.zeros_like(rest), where=np.abs(shape) > _LITTLE_SLOPE)
    size = along[int(np.argmax(np.abs(along)))]
    whole = size * shape
    within = (rest >= np.minimum(whole, 0.0) - slack) & (rest <= np.maximum(whole, 0.0) + slack)
    big = np.abs(rest) > np.maximum(0.5 * np.abs(whole), slack)
    apart = np.any(big & (shape > 0.0)) and np.any(big & (shape < 0.0))
    return ("+" if size > 0.0 else "-") if apart and within.all() else ""


def _shapes(levels: Sequence[LevelChange], currents_a: tuple[float, float]) -> Mapping[str, FloatArray]:
    demand = np.array([level.demand for level in levels])
    arrival = np.array([level.arrival for level in levels])
    left = np.array([level.left_bar for level in levels])
    slope = np.array([level.slope_bar_per_a for level in levels])
    span = max(currents_a[1] - currents_a[0], 1e-6)
    usual = slope * span / max(float(np.abs(slope).max()) * span, 1e-9)
    lowest = left.min()
    return {
        "offset": np.ones(demand.size),
        "zero": (1.0 - demand) * usual,
        "spring": (left - lowest) / max(float(np.ptp(left)), 1e-9),
        "gain": left / max(float(left.max()), 1e-9),
        "loop": -arrival * usual,
        "force": (currents_a[0] + demand * span) * usual / max(currents_a[1], 1e-9),
    }


def _limited(left: FloatArray, rest: FloatArray, tolerance_bar: float) -> set[str]:
    """Shapes of what ends at one height: a cut at the top, a floor at the foot."""
    cut = _cut_at_an_end(left, rest, left / left.max(), tolerance_bar)
    floor = _cut_at_an_end(-left, -rest, np.ones(left.size), tolerance_bar)
    return {name for name, so in (("top-", cut), ("foot+", floor)) if so}


def _cut_at_an_end(left: FloatArray, rest: FloatArray, share: FloatArray, tolerance_bar: float) -> bool:
    """Whether only the highest pressures fell, to one height: a relief or a weak pump, not a changed gain.

    `share` (n,): of what the highest lost, what something that moves all levels would take from each. With all signs
    turned round: whether only the lowest rose, to a floor under them.
    """
    fallen = rest < -SURELY_NONE * tolerance_bar
    if not fallen.any() or fallen.all():
        return False
    if left[fallen].min() <= left[~fallen].max() or float(np.ptp((left + rest)[fallen])) > tolerance_bar:
        return False
    # What limits leaves the levels on the other side of it alone.
    low = ~fallen & (share > 0.1)
    inner = np.abs(rest[low]) <= 0.4 * np.abs(rest.min()) * share[low]
    return bool(low.any() and inner.all())


# What moved since the valve was left: one quantity's change, and the currents it is measured by.

#: A measured as-left may lie off the entered one by this share of the tolerance.
_AGREES = 0.5


def reference_of(result: QuantityResult) -> tuple[float, bool] | None:
    """What a change is counted from, and whether it was measured: so where that agrees with the sheet, else entered.

    A measured as-left that lies off the entered one by more than half a tolerance was learnt from a valve that was
    not as the sheet says; what has moved since the sheet shows against the sheet alone.
    """
    entered, measured = result.as_left, result.as_left_measured
    if measured is None or entered is None:
        return None if entered is None else (entered, False)
    off = measured - entered
    limit = result.tolerance_above if off > 0.0 else result.tolerance_below
    return (entered, False) if limit is not None and abs(off) > _AGREES * limit else (measured, True)


def moved_by(result: QuantityResult | None) -> tuple[float, float] | None:
    """Change of a quantity since it was left and its expanded uncertainty; None where it was not observed."""
    if result is None or result.verdict is Verdict.NOT_OBSERVED or result.as_found is None:
        return None
    left = reference_of(result)
    if left is None:
        return None
    unsure = result.change_uncertainty if left[1] and result.change_uncertainty is not None else result.uncertainty
    return result.as_found - left[0], unsure or 0.0


def values_of(result: QuantityResult | None) -> Values | None:
    """Signs that the change of a quantity may have ("as left", +, -); None where it or its tolerance is not known."""
    change = moved_by(result)
    if result is None or change is None or result.tolerance_below is None or result.tolerance_above is None:
        return None
    return size_values(change[0], change[1], result.tolerance_below, result.tolerance_above)


def ends_of(context: FindingContext) -> tuple[float, float] | None:
    """Currents at zero and full as left, measured where that agrees with the sheet."""
    values = []
    for name in ("current_at_zero", "current_at_full"):
        result = context.results.get(name)
        left = reference_of(result) if result is not None else None
        value = left[0] if left is not None else context.sheet.as_left.get(name)
        if value is None:
            return None
        values.append(value)
    return values[0], values[1]

"""Settings from a recording: those that would give wanted pressures, and those of a valve that no sheet knows.

It proposes; the technician decides.

The current for the pressure wanted at zero command is read off the falling branch, for that wanted at full off the
rising one: so a gauge shows them (the sheet's own definition). Between levels the branch is a monotone cubic; what
that leaves open is taken as a third of its distance from the straight line. Nothing is extrapolated.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.coil.coil import copper, output_of
from asleft.judge.coil.headroom import Need, point
from asleft.judge.decide import Estimate, coverage_factor
from asleft.judge.estimates.as_found import Found, NotObserved
from asleft.judge.estimates.estimate import estimate
from asleft.judge.judge import state_of_log
from asleft.judge.steps.points import seen_of
from asleft.judge.types import FloatArray, Samples
from asleft.judge.valve.curve import hermite
from asleft.judge.verify.result import Check, Step
from asleft.sheet.as_left import LIMITS
from asleft.sheet.model import Sheet
from asleft.sheet.tolerances import default_tolerances

#: A level has left the base once it lies this far above it: shares of the sweep's pressures, and of its own doubt.
_MOVED_SHARE, _MOVED_U = 0.01, 2.0
#: Points a step of the sweep at which the slope of its cubic is taken; what the cubic adds to the chord may be
#: as much again (95 %).
_FINE, _K_BETWEEN = 20, 2.0
_COIL_U = 0.03  # standard uncertainty of a resistance that was entered (share)


@dataclass(frozen=True, slots=True)
class Wanted:
    """Pressures (bar) at zero and full command, and the fastest change of pressure (bar/s); None: not asked."""

    zero_bar: float | None = None
    full_bar: float | None = None
    rate_bar_s: float | None = None


@dataclass(frozen=True, slots=True)
class Proposed:
    """One number, with expanded uncertainty for 95 %, or why there is none. `quantity`: of the sheet, or empty."""

    quantity: str
    label: str
    unit: str
    value: float | None
    uncertainty: float | None
    basis: str


def propose(sheet: Sheet, check: Check, wanted: Wanted) -> tuple[Proposed, ...]:
    """All proposals, in the order in which a driver is set up. Never raises for poor data: says why not."""
    up, down = (_branch(check.steps, way) for way in ("up", "down"))
    start = _start(up)
    zero = _current(down, wanted.zero_bar, "falling", "current_at_zero", "current for the wanted pressure at zero")
    full = _current(up, wanted.full_bar, "rising", "current_at_full", "current for the wanted pressure at full")
    span = (zero.value, full.value)
    return (
        start,
        zero,
        full,
        _ramp(up, span, wanted.rate_bar_s, "ramp_up", "shortest ramp up for the wanted rate"),
        _ramp(down, span, wanted.rate_bar_s, "ramp_down", "shortest ramp down for the wanted rate"),
        _headroom(sheet, full),
    )


@dataclass(eq=False, frozen=True, slots=True)
class _Branch:
    current_a: FloatArray
    current_u: FloatArray
    pressure_bar: FloatArray
    pressure_u: FloatArray


def _branch(steps: Sequence[Step], way: str) -> _Branch:
    """Levels of one way by ascending current, as far as both numbers were read."""
    rows = sorted(
        (s.current.found, s.current.uncertainty or 0.0, s.pressure.found, s.pressure.uncertainty or 0.0)
        for s in steps
        if s.way == way and s.current.found is not None and s.pressure.found is not None
    )
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return _Branch(*(table[:, k] for k in range(4)))


def _none(quantity: str, label: str, unit: str, why: str) -> Proposed:
    return Proposed(quantity, label, unit, None, None, why)


def _start(up: _Branch) -> Proposed:
    """Where the rising branch leaves its base: between the last level on it and the first above it."""
    label = "current at which pressure starts to move"
    if up.current_a.size < 4:
        return _none("", label, "A", "too few settled levels with current and pressure on the way up")
    base = float(up.pressure_bar[0])
    rise = float(np.ptp(up.pressure_bar))
    moved = up.pressure_bar - base > np.maximum(_MOVED_SHARE * rise, _MOVED_U * up.pressure_u)
    if not moved.any():
        return _none("", label, "A", "the pressure did not follow the current")
    first = int(np.argmax(moved))
    if first <= 1:
        at = float(up.current_a[0])
        return _none("", label, "A", f"it moves from the lowest level of the sweep on: below {at:.3f} A")
    # The first two levels above the base say where their line would meet it.
    i, p = up.current_a[first : first + 2], up.pressure_bar[first : first + 2]
    meets = float(i[0])
    if i.size == 2 and p[1] > p[0]:
        meets = float(i[0] - (p[0] - base) * (i[1] - i[0]) / (p[1] - p[0]))
    low, high = float(up.current_a[first - 1]), float(up.current_a[first])
    value = min(max(meets, low), high)
    u = math.hypot((high - low) / math.sqrt(12.0), float(up.current_u[first]) / 2.0)
    return Proposed(
        "", label, "A", value, coverage_factor(math.inf) * u, f"between levels {low:.3f} and {high:.3f} A"
    )


def _current(branch: _Branch, wanted_bar: float | None, name: str, quantity: str, label: str) -> Proposed:
    if wanted_bar is None:
        return _none(quantity, label, "A", "no pressure was asked for")
    nodes, values = _rising(branch)
    if nodes.size < 3:
        return _none(quantity, label, "A", f"too few settled levels on the {name} branch")
    if not nodes[0] <= wanted_bar <= nodes[-1]:
        seen = f"{nodes[0]:.1f} to {nodes[-1]:.1f} bar"
        return _none(quantity, label, "A", f"the sweep's {name} branch goes from {seen}: not to {wanted_bar:.1f} bar")
    at = np.array([wanted_bar])
    value = float(hermite(at, nodes, values)[0])
    straight = float(np.interp(wanted_bar, nodes, values))
    k = min(max(int(np.searchsorted(nodes, wanted_bar)), 1), nodes.size - 1)
    slope = (values[k] - values[k - 1]) / (nodes[k] - nodes[k - 1])  # A per bar
    near = int(np.argmin(np.abs(branch.pressure_bar - wanted_bar)))
    u = math.sqrt(
        (float(branch.pressure_u[near]) / 2.0 * slope) ** 2
        + (float(branch.current_u[near]) / 2.0) ** 2
        + ((value - straight) / 3.0) ** 2
    )
    return Proposed(quantity, label, "A", value, coverage_factor(math.inf) * u, f"{name} branch, {nodes.size} levels")


def _rising(branch: _Branch) -> tuple[FloatArray, FloatArray]:
    """Pressures (strictly rising) and their currents: levels that do not rise above all before them tell nothing."""
    keep: list[int] = []
    for k, pressure in enumerate(branch.pressure_bar.tolist()):
        if not keep or pressure > branch.pressure_bar[keep[-1]] + 1e-9:
            keep.append(k)
    return branch.pressure_bar[keep], branch.current_a[keep]


def _ramp(
    branch: _Branch, span: tuple[float | None, float | None], rate_bar_s: float | None, quantity: str, label: str
) -> Proposed:
    """Along a ramp of T seconds over the span the pressure changes by slope * span / T: never faster than wanted.

    The slope is the steepest of the monotone cubic through the levels. What it adds to the chord of its step stands
    between levels that were measured and counts as doubt.
    """
    if rate_bar_s is None:
        return _none(quantity, label, "s", "no rate was asked for")
    zero, full = span
    if zero is None or full is None or full <= zero:
        return _none(quantity, label, "s", "needs both currents above")
    inside = (branch.current_a >= zero - 1e-9) & (branch.current_a <= full + 1e-9)
    current, pressure = branch.current_a[inside], branch.pressure_bar[inside]
    if current.size < 3:
        return _none(quantity, label, "s", "too few settled levels between the two currents")
    # Within a step of the sweep the branch is steeper than its chord: a monotone cubic says by how much.
    chords = np.diff(pressure) / np.diff(current)
    fine = np.linspace(current[0], current[-1], _FINE * (current.size - 1) + 1)
    slopes = np.diff(hermite(fine, current, pressure)) / np.diff(fine)
    at = int(np.argmax(slopes))
    steepest = min(at // _FINE, current.size - 2)
    value = float(slopes[at]) * (full - zero) / rate_bar_s
    doubt = math.hypot(*(branch.pressure_u[inside][steepest : steepest + 2] / 2.0).tolist())
    share = doubt / max(abs(float(pressure[steepest + 1] - pressure[steepest])), 1e-9)
    between = abs(float(slopes[at]) - float(chords[steepest])) / max(abs(float(slopes[at])), 1e-9)
    share = math.hypot(share, between / _K_BETWEEN)
    where = f"steepest between {pressure[steepest]:.0f} and {pressure[steepest + 1]:.0f} bar"
    mean = float((pressure[-1] - pressure[0]) / (current[-1] - current[0])) * (full - zero) / rate_bar_s
    basis = f"{where}; {mean:.2f} s would do on average"
    return Proposed(quantity, label, "s", value, coverage_factor(math.inf) * share * value, basis)


def _headroom(sheet: Sheet, full: Proposed) -> Proposed:
    """With the hottest winding and the lowest supply of the sheet, at the current proposed for full command."""
    label = "headroom there, coil hot and supply low"
    if full.value is None:
        return _none("", label, "%", "needs the current for full command")
    coil, r20 = sheet.coil, sheet.as_left.get("coil_resistance")
    if r20 is None or coil.hot_temperature_degc is None or coil.supply_minimum_v is None:
        return _none("", label, "%", "needs coil resistance, hottest winding and lowest supply in the sheet")
    ohm = r20 * copper(coil.hot_temperature_degc)
    need = Need(full.value, 0.5 * sheet.as_left.get("dither_amplitude", 0.0), (full.uncertainty or 0.0) / 2.0)
    found = point(sheet, need, output_of(sheet), (coil.supply_minimum_v, 0.0), (ohm, _COIL_U * ohm), r20)
    basis = f"{coil.hot_temperature_degc:.0f} °C of the winding, {coil.supply_minimum_v:.1f} V: {found.most_a:.3f} A"
    if found.limited_by == "driver":
        basis = f"by the driver's own limit, {found.most_a:.3f} A"
    return Proposed("", label, "%", found.pct, coverage_factor(math.inf) * found.u_pct, basis)


# Settings of a valve that no sheet knows yet, from a recording alone: as found, to become as left.
#
# The estimators begin where a sheet says that the valve was left. Here they begin with ramps of a usual length and
# with pressures on a line over the current; what is found from there is the next beginning, until it no longer
# moves.

_ROUNDS = 4
_SETTLED = 0.25
"""Share of the expanded uncertainty by which a round may still move a value that is called settled."""
_RAMPS_S = (1.0, 5.0, 0.2)
"""Where searches for the ramps begin, one after the other until both are told: the middle, on a scale of ratios, of
what drivers offer (common practice), and towards its ends."""
_BINS = 20


@dataclass(frozen=True, slots=True)
class FirstSheet:
    """What a recording shows of a valve: a sheet with what was found as left, and why the rest is missing."""

    sheet: Sheet
    found: Mapping[str, Estimate]
    missing: Mapping[str, str]


def first_sheet(sheet: Sheet, samples: Samples) -> FirstSheet:
    """Fill `[as_left]` of a sheet that has signal, instruments and conditions from a whole recording.

    Never raises for poor data; what cannot be told is in `missing`, with why.
    """
    found: Mapping[str, Found] = {}
    kept: dict[str, Estimate] = {}
    for ramp_s in _RAMPS_S:
        another = _search(sheet, samples, {"ramp_up": ramp_s, "ramp_down": ramp_s})
        identified = _identified(another)
        if not found or len(identified) > len(kept):
            found, kept = another, identified
        if {"ramp_up", "ramp_down"} <= kept.keys() or "current" not in samples.channels:
            break
    missing = {name: _why(found.get(name), kept) for name in LIMITS if name not in kept}
    values = {name: _rounded(value) for name, value in kept.items()}
    return FirstSheet(_left_as(sheet, values), kept, missing)


def _search(sheet: Sheet, samples: Samples, left: Mapping[str, float]) -> Mapping[str, Found]:
    found: Mapping[str, Found] = {}
    for _ in range(_ROUNDS):
        begun = _left_as(sheet, left)
        state = state_of_log(begun, samples)
        found = estimate(begun, seen_of(state, state.dwells, state.strokes, state.bursts)).quantities
        identified = _identified(found)
        if all(_stands(value, left.get(name)) for name, value in identified.items()):
            break
        left = {**left, **{name: value.value for name, value in identified.items()}}
        left = {**_pressures(samples, left), **left}
    return found


def _identified(found: Mapping[str, Found]) -> dict[str, Estimate]:
    return {
        name: value for name, value in found.items() if isinstance(value, Estimate) and _is_identified(name, value)
    }


def proposed_tolerance(sheet: Sheet, quantity: str, expanded: float) -> float | None:
    """A tolerance (in the quantity's unit, either side) wider than the sheet's, where `expanded` U would fill that.

    None where the sheet's serves: four U and more wide, so that a valve in its middle is told in, not
    undecided (the test uncertainty ratio of 4:1 is common practice).
    """
    usual = sheet.tolerance[quantity]
    least = min(usual.below, usual.above)
    wanted = 4.0 * expanded
    return None if wanted <= least else _round_up(wanted)


def _left_as(sheet: Sheet, values: Mapping[str, float]) -> Sheet:
    as_left = {name: value for name, value in values.items() if name in LIMITS}
    return replace(sheet, as_left=as_left, tolerance=default_tolerances(as_left), characteristic=None)


def _pressures(samples: Samples, left: Mapping[str, float]) -> dict[str, float]:
    """Pressures to begin with: a line through the medians of pressure, current by current, at the currents found.

    Over the current and not over the command, behind which the current of a slow ramp lags. Empty without a rise.
    """
    current, pressure = (samples.channels.get(name) for name in ("current", "pressure"))
    ends = [left.get(f"current_at_{end}") for end in ("zero", "full")]
    if current is None or pressure is None or ends[0] is None or ends[1] is None or not ends[0] < ends[1]:
        return {}
    share = (current - ends[0]) / (ends[1] - ends[0])
    good = np.isfinite(share) & np.isfinite(pressure) & (share > -0.05) & (share < 1.05)
    at = np.clip(np.rint(share[good] * _BINS), 0, _BINS).astype(int)
    counts = np.bincount(at, minlength=_BINS + 1)
    filled = np.flatnonzero(counts)
    if filled.size < 2:
        return {}
    medians = [np.median(pressure[good][at == one]) for one in filled]
    slope, zero = np.polyfit(filled / _BINS, medians, 1, w=np.sqrt(counts[filled]))
    if not slope > max(0.0, -zero):
        return {}
    return {"pressure_at_zero": max(float(zero), 0.0), "pressure_at_full": float(zero + slope)}


def _is_identified(name: str, value: Estimate) -> bool:
    """Whether a value can stand on a sheet: within what a sheet takes, and known to better than itself."""
    if name not in LIMITS:
        return False
    low, high = LIMITS[name]
    return low <= value.value <= high and (value.expanded() < value.value or low <= 0.0)


def _stands(found: Estimate, before: float | None) -> bool:
    return before is not None and abs(found.value - before) <= _SETTLED * found.expanded()


def _why(found: Found | None, kept: Mapping[str, Estimate]) -> str:
    if isinstance(found, NotObserved):
        return found.reason
    if found is not None:
        return "what was found is less than its own uncertainty"
    return "the recording does not show it" if kept else "nothing was told from this recording"


def _rounded(found: Estimate) -> float:
    """To the digit that is a tenth of its uncertainty or less, as somebody would note it down."""
    expanded = found.expanded()
    if not 0.0 < expanded < math.inf:
        return found.value
    return round(found.value, 1 - math.floor(math.log10(expanded)))


def _round_up(value: float) -> float:
    """To two digits, upwards."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / unit) * unit:.12g}")

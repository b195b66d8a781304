"""The characteristic from production: branches, hysteresis, stick-slip, as the estimates carry them.

What is *measured* here becomes the quantity `hysteresis`; what is *told* of it (levels against the commissioned
curve, dead band, linearity) is put together in `characteristic_report`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.decide import Estimate
from asleft.judge.features import NAN, Dwell
from asleft.judge.noise import WireNoise, leftover
from asleft.judge.segments.dwells import loop_u_bar
from asleft.judge.valve.branches import (
    SAME_END,
    WELL_AWAY,
    Axis,
    BranchLevel,
    Visit,
    axis_of,
    levels_of,
    on_loop,
    stick_slip_bar,
    visits_of,
)
from asleft.judge.valve.creep import Creep
from asleft.judge.valve.curve import Curve, curve_of
from asleft.judge.valve.hysteresis import (
    NoiseLoopCorrection,
    NoWidth,
    Width,
    loop_width,
    low_pass_hz,
    noise_loop_correction,
    pairs_of,
)
from asleft.sheet.model import Sheet

# Branches from a slow sweep: settled levels are missing, but the pieces of a command that creeps tell as much.
#
# A command under about 4 % of its range a second counts as resting, and is cut into pieces of five seconds that are
# not flat. A piece's current is its mean over all of it, its pressure that of its last two fifths, which lies 0.3 of
# its length later; along a steady slope the current there follows from the neighbouring pieces. The pressure lags
# the current (oil, pipes and gauge: 0.1 s, give or take 0.06 s, common practice), which widens the loop by twice the
# slope times the lag: corrected, with its doubt. Faster sweeps are no use: at 4 % a second the doubt alone is half a
# percent.

LAG_S, LAG_U_S = 0.10, 0.06
#: Slope below which a piece is not sweeping (share of the span per second).
_LEAST_SLOPE = 1e-3
#: Change of slope from piece to piece, as a share of it, that still counts as steady.
_STEADY = 0.1
#: Distance of the middle of the last two fifths of a piece from its own middle, as a share of its length.
_LATE = 0.3
#: Pieces follow each other at once; where the sweep turns or begins, the half of one that is not flat may be missing.
_NEXT_S, _HALF_PIECE_S = 0.25, 2.8
#: Standard uncertainty of a piece's pressure: where the level lies, as a share of the change over its end, and bar.
_PLACE, _READ_BAR = 0.02, 0.05


def moving_visits(dwells: Sequence[Dwell], sheet: Sheet, axis: Axis) -> list[Visit]:
    """Pieces of slow sweeps as visits of both branches, current corrected for the lag; oldest first.

    What comes before both turning points have been seen is set aside, as for settled levels.
    """
    window = sheet.conditions.oil_temperature_degc
    out: list[Visit] = []
    share = [_share(d, axis) for d in dwells]
    way, low, high = 0.0, NAN, NAN
    top, bottom = -math.inf, math.inf  # of the leg under way
    for k in range(1, len(dwells)):
        if not _joined(dwells[k - 1], dwells[k], _HALF_PIECE_S):
            way, low, high, top, bottom = 0.0, NAN, NAN, -math.inf, math.inf
            continue
        step = share[k] - share[k - 1]
        top, bottom = max(top, share[k - 1], share[k]), min(bottom, share[k - 1], share[k])
        if abs(step) > _LEAST_SLOPE * (dwells[k].to_s - dwells[k].from_s):
            now = math.copysign(1.0, step)
            if way != 0.0 and now != way:
                low, high = (low, top) if now < 0.0 else (bottom, high)
                top, bottom = max(share[k - 1], share[k]), min(share[k - 1], share[k])
            way = now
        if k + 1 >= len(dwells) or low != low or high != high:
            continue
        slope = _slope(dwells[k - 1 : k + 2], share[k - 1 : k + 2])
        if slope is None or math.copysign(1.0, slope) != way:
            continue
        dwell = dwells[k]
        if window and dwell.oil_degc == dwell.oil_degc and not window[0] <= dwell.oil_degc <= window[1]:
            continue
        at = share[k] + slope * (_LATE * (dwell.to_s - dwell.from_s) - LAG_S)
        out.append(
            Visit(
                at_s=dwell.from_s,
                to_s=dwell.to_s,
                demand=dwell.demand + at - share[k],
                share=at,
                current_a=axis.zero + at * axis.span,
                current_se_a=2e-4 * axis.span,
                pressure_bar=dwell.pressure_bar,
                pressure_se_bar=math.hypot(_READ_BAR, _PLACE * dwell.pressure_moves_bar),
                arrival=way,
                low=low,
                high=high,
                oil_degc=dwell.oil_degc,
            )
        )
    return out


def lag_doubt(visits: Sequence[Visit]) -> float:
    """Standard uncertainty of the loop's width (share of the span) by the lag's: twice the mean slope times it."""
    slopes = []
    for before, after in itertools.pairwise(visits):
        if after.arrival == before.arrival and after.at_s - before.to_s < 1.0:
            slopes.append(abs(after.share - before.share) / (after.at_s - before.at_s))
    return 2.0 * LAG_U_S * sum(slopes) / len(slopes) if slopes else 0.0


def _share(dwell: Dwell, axis: Axis) -> float:
    if axis.by_command or dwell.current_a != dwell.current_a:
        return dwell.demand
    return (dwell.current_a - axis.zero) / axis.span


def _joined(before: Dwell, after: Dwell, gap_s: float) -> bool:
    """Whether one piece follows the other within `gap_s` and without a stop between them."""
    return after.from_s - before.to_s < gap_s and before.producing > 0.5 and after.producing > 0.5


def _slope(dwells: Sequence[Dwell], share: Sequence[float]) -> float | None:
    """Share per second in the middle one of three pieces, None if they do not lie on one steady slope."""
    before, now, after = dwells
    if not (_joined(before, now, _NEXT_S) and _joined(now, after, _NEXT_S)) or any(d.flat > 0.5 for d in dwells):
        return None
    if not (dwells[1].pressure_bar == dwells[1].pressure_bar and dwells[1].pressure_moves_bar != 0.0):
        return None
    middle = [0.5 * (d.from_s + d.to_s) for d in dwells]
    first = (share[1] - share[0]) / (middle[1] - middle[0])
    second = (share[2] - share[1]) / (middle[2] - middle[1])
    slope = (share[2] - share[0]) / (middle[2] - middle[0])
    if abs(slope) < _LEAST_SLOPE or abs(second - first) > _STEADY * abs(slope):
        return None
    return slope


#: A hysteresis whose expanded uncertainty exceeds this many tolerances is no answer, only a bound.
_WORST_U = 1.5
#: The same for one that no level shows by itself: where the curve must join the branches, a tilt of the curve looks
#: like a wider loop, and what that unsure leans on it more than on the readings.
_WORST_JOINED_U = 0.75
_USUAL_TOLERANCE_PCT = 2.0
#: Levels of either side without a recorded curve or a pair tell a width that is known to this share of its tolerance.
_JOINED_U = 0.5
#: A joined loop this much wider than left (% of span) is asked whether either branch has its share of that, each a
#: half if friction did it, and the least that still passes for one.
_TELLS_PCT, _LEAST_SIDE = 1.0, 0.2
#: A loop shorter than the wanted one by up to this share of it stands for that, with what this leaves open.
_NEARLY_WHOLE = 0.12
#: Degrees of freedom of a sweep's noise, which is not taken from repetition.
_SWEPT_DOF = 30.0
_NOT_CONTROLLED = "the valve was not in control of the pressure"


@dataclass(slots=True)
class Measured:
    """What dwells say of the characteristic. `hysteresis` is None with a `reason`, and bounds where there are any."""

    levels: list[BranchLevel] = field(default_factory=list)  # rising first, ascending current
    visits: list[Visit] = field(default_factory=list)
    curve: Curve | None = None
    width: Width | None = None
    hysteresis: Estimate | None = None
    reason: str = ""
    below_pct: float | None = None
    above_pct: float | None = None
    basis: str = ""
    loop: tuple[float, float] = (0.0, 1.0)  # shares of the current span at the loop's end points
    series: list[tuple[float, float]] = field(default_factory=list)  # (unix s, width in %) as single visits say it
    stick_slip_bar: float | None = None
    by_command: bool = False  # along the command, because no current is known
    span_a: float = 1.0  # of the loop's input


def measure(
    sheet: Sheet,
    dwells: Sequence[Dwell],
    judged: Sequence[Dwell],
    *,
    wire: WireNoise,
    current_u_a: float,
    steps: tuple[float, float] = (0.0, 0.0),
    swing: float = 0.0,
    creep: Creep | None = None,
    why_none: str = "",
) -> Measured:
    """Branches and hysteresis from all `dwells` in order of time; `judged` are those steady and the valve's own.

    `wire`: noise of the demand that the driver gets. `current_u_a`: standard uncertainty of the current's
    calibration. `steps`: of the converters of current (A) and pressure (bar). `swing`: how far the current swings
    beyond its levels, up and down together (share of full): the branches look up to as much too close. `creep`: what
    it left in the dwells. `why_none`: what to say if nothing was judged.
    """
    out = Measured(reason=why_none)
    axis = axis_of(sheet, dwells)
    out.by_command, out.span_a, out.curve = axis.by_command, axis.span, curve_of(sheet)
    if judged:
        out.visits = visits_of(dwells, {d.from_s for d in judged}, axis)
        out.stick_slip_bar = stick_slip_bar(out.visits)
    wanted = _commissioned_loop(sheet, out.curve, axis)
    seen, lag_u = _seen(sheet, dwells, out, wanted, axis)
    if not seen:
        none = "no whole loop of rising and falling command seen yet" if judged else _NOT_CONTROLLED
        out.reason = why_none or none
        return out
    out.reason = ""
    out.levels = levels_of(seen)
    if out.curve is None:
        out.reason = "the sheet gives neither pressures nor a curve"
        return out
    noise = noise_loop_correction(wire.density, [v.to_s - v.at_s for v in seen], low_pass_hz(sheet))
    width = _width(noise.carried(out.levels), out.curve, axis.span, out.loop)
    if isinstance(width, NoWidth):
        out.reason = width.reason
        return out
    out.width = width
    out.series = _series(seen, width, out.curve, axis.span)
    settling_u = math.hypot(loop_u_bar(judged), creep.loop_u_bar(judged) if creep is not None else 0.0)
    settling_u /= float(np.ptp(out.curve.pressure_bar))
    counted_u = _counted_u(steps, judged, width, out.curve, axis.span)
    found = _estimate(
        width,
        seen,
        noise,
        current_u_a / axis.span,
        math.hypot(lag_u, settling_u, _short_u(width, _missing(out.loop, wanted)), counted_u),
        out.loop,
        swept=lag_u > 0.0,
        by_command=axis.by_command,
        recorded=out.curve.recorded,
        swing=0.0 if lag_u > 0.0 else swing,
    )
    out.basis = found.note
    _decide(sheet, out, found, wanted, swept=lag_u > 0.0)
    return out


def _short_u(width: Width, missing: float) -> float:
    """What a loop that lacks a share `missing` of the wanted one leaves open (standard uncertainty, as `width`)."""
    return width.share * missing / math.sqrt(3.0) if missing <= _NEARLY_WHOLE else 0.0


def _counted_u(
    steps: tuple[float, float], judged: Sequence[Dwell], width: Width, curve: Curve, span_a: float
) -> float:
    """What coarse converters leave in the width (standard uncertainty, share of the span), each level on its own."""
    rows = np.array([(d.current_sd_a, d.pressure_sd_bar) for d in judged]).reshape(-1, 2)
    sd = [float(np.median(column[np.isfinite(column)])) if np.isfinite(column).any() else 0.0 for column in rows.T]
    current = leftover(steps[0], sd[0]) / span_a
    pressure = leftover(steps[1], sd[1]) / float(np.ptp(curve.pressure_bar))
    return math.sqrt(2.0 / max(width.pairs, 1)) * math.hypot(current, pressure)


def _seen(
    sheet: Sheet, dwells: Sequence[Dwell], out: Measured, wanted: tuple[float, float], axis: Axis
) -> tuple[list[Visit], float]:
    """Visits to rest on, and the doubt of their lag (0 for settled ones); sets the loop they lie on.

    Settled levels on the commissioned loop; else a slow sweep over it; else a smaller loop, the widest there is.
    """
    out.loop = wanted
    places = [v.share for v in out.visits]
    whole = bool(places) and min(places) <= wanted[0] + SAME_END and max(places) >= wanted[1] - SAME_END
    settled = on_loop(out.visits, *wanted, inner=whole)
    if len({v.arrival for v in settled}) == 2:
        return settled, 0.0
    if sheet.controls == "pressure":
        swept = on_loop(moving_visits(dwells, sheet, axis), *wanted)
        if len({v.arrival for v in swept}) == 2:
            return swept, lag_doubt(swept)
    known = [v for v in on_loop(out.visits, math.inf, -math.inf) if v.low == v.low and v.high == v.high]
    if known:
        out.loop = (min(v.low for v in known), max(v.high for v in known))
    return on_loop(known, *out.loop), 0.0


def _decide(sheet: Sheet, out: Measured, found: Estimate, wanted: tuple[float, float], *, swept: bool) -> None:
    """A value, or why none and what bounds it."""
    tolerance = sheet.tolerance.get("hysteresis")
    limit = tolerance.above if tolerance is not None and math.isfinite(tolerance.above) else _USUAL_TOLERANCE_PCT
    expanded = found.expanded()
    least = found.value - expanded if found.value > expanded else None
    if _missing(out.loop, wanted) > _NEARLY_WHOLE:
        from_pct, to_pct, low_pct, high_pct = (abs(round(100.0 * share)) for share in (*wanted, *out.loop))
        out.reason = (
            f"no loop between {from_pct} and {to_pct} % of the current span, only between {low_pct} and {high_pct} %"
        )
        out.above_pct = least
    elif not (swept or (out.width and out.width.pairs) or (out.curve and out.curve.recorded)) and (
        expanded > _JOINED_U * limit
    ):
        out.reason = "no level reached from both sides, and no recorded curve to join those that were"
    elif not swept and out.width is not None and out.width.pairs == 0 and _one_sided(out):
        out.reason = "no level reached from both sides, and one branch alone moved, as no wider loop does"
    elif expanded > (_WORST_U if swept or (out.width and out.width.pairs) else _WORST_JOINED_U) * limit:
        out.reason = "no level reached from both sides, and those seen lie too far apart"
        out.below_pct, out.above_pct = found.value + expanded, least
    else:
        out.hysteresis = found


def _one_sided(out: Measured) -> bool:
    """Whether one branch is as left and the other makes all of a wider loop: a floor, a dead band, no friction.

    Friction takes from either branch alike. Of levels that are joined by the curve nothing else tells these apart.
    False where a branch was not seen where it is known as left.
    """
    curve, width = out.curve, out.width
    if curve is None or width is None:
        return False
    wider_a = width.share * out.span_a - 2.0 * curve.half_width_a
    if 100.0 * wider_a / out.span_a < _TELLS_PCT:
        return False
    shares = []
    for side in (1.0, -1.0):
        levels = [level for level in width.levels if level.arrival == side]
        if not curve.recorded:  # then the pressures at the ends are all that is known as left
            end = 0.5 * (1.0 + side)
            levels = [level for level in out.levels if level.arrival == side and abs(level.share - end) < SAME_END]
        if not levels:
            return False
        current, bars = np.array([(level.current_a, level.pressure_bar) for level in levels]).T
        shares.append(float(np.median(side * (current - curve.current_at(bars)) - curve.half_width_a)) / wider_a)
    return min(shares) < _LEAST_SIDE


def _missing(loop: tuple[float, float], wanted: tuple[float, float]) -> float:
    """Share of the wanted loop that lies beyond the ends of `loop`.

    A loop of magnetic hysteresis is at most as much narrower as it is shorter (Rayleigh's law, small amplitudes; from
    memory), one of friction not at all.
    """
    short = max(loop[0] - wanted[0], 0.0) + max(wanted[1] - loop[1], 0.0)
    return short / (wanted[1] - wanted[0])


def _commissioned_loop(sheet: Sheet, curve: Curve | None, axis: Axis) -> tuple[float, float]:
    """Shares of the span at the ends of the loop recorded at commissioning; the whole span where none was."""
    if curve is None or not curve.recorded or sheet.characteristic is None:
        return 0.0, 1.0
    return max((curve.low_a - axis.zero) / axis.span, 0.0), min((curve.high_a - axis.zero) / axis.span, 1.0)


def _width(levels: Sequence[BranchLevel], curve: Curve, span_a: float, loop: tuple[float, float]) -> Width | NoWidth:
    """Width, leaving out levels that lie within it of the end they come from: there the spool has not moved yet.

    How wide it is, levels well away from those ends tell first.
    """

    def beyond(reach: float) -> list[BranchLevel]:
        return [x for x in levels if (x.share - loop[0] if x.arrival > 0 else loop[1] - x.share) > reach]

    away = beyond(WELL_AWAY)
    first = loop_width(away, curve, span_a)
    if isinstance(first, NoWidth):
        return loop_width(levels, curve, span_a)
    reach = first.share + 2.0 * (first.repeatability + first.systematic)
    moved = beyond(min(max(reach, SAME_END), WELL_AWAY))
    width = first if len(moved) == len(away) else loop_width(moved, curve, span_a)
    by_pairs = None if isinstance(width, Width) and width.pairs else _by_pairs_near_ends(levels, curve, span_a, loop)
    return width if by_pairs is None else by_pairs


def _by_pairs_near_ends(
    levels: Sequence[BranchLevel], curve: Curve, span_a: float, loop: tuple[float, float]
) -> Width | None:
    """Width by levels seen from both sides that lie near an end of the loop, yet clearly farther from it than that.

    A spool that has not moved yet shows the whole way from the end as a width; one that shows less has moved.
    """
    pairs = pairs_of(levels)
    paired = [levels[k] for k in sorted({k for pair in pairs for k in pair})]
    if not paired:
        return None
    width = loop_width(paired, curve, span_a)
    nearest = min(x.share - loop[0] if x.arrival > 0 else loop[1] - x.share for x in paired)
    if isinstance(width, NoWidth) or width.share + 2.0 * (width.repeatability + width.systematic) > nearest:
        return None
    return width


def _estimate(
    width: Width,
    seen: Sequence[Visit],
    noise: NoiseLoopCorrection,
    current_u_share: float,
    doubt: float,
    loop: tuple[float, float],
    *,
    swept: bool,
    by_command: bool,
    recorded: bool,
    swing: float,
) -> Estimate:
    """`doubt`: of the width, by pressures that had not come to rest (standard uncertainty, share of the span)."""
    low = min((v.low for v in seen if v.low == v.low), default=loop[0])
    high = max((v.high for v in seen if v.high == v.high), default=loop[1])
    narrowed_u = math.hypot(width.carried * noise.relative_u, width.carried_u)
    systematic = math.hypot(
        width.systematic, narrowed_u, width.share * current_u_share, doubt, swing / math.sqrt(12.0)
    )
    return Estimate(
        value=100.0 * max(width.share + 0.5 * swing, 0.0),
        repeatability=100.0 * width.repeatability,
        dof=_SWEPT_DOF if swept else width.dof,
        systematic=100.0 * systematic,
        segments=sum(level.visits for level in width.levels),
        from_s=min(level.from_s for level in width.levels),
        to_s=max(level.to_s for level in width.levels),
        command_min_pct=100.0 * low,
        command_max_pct=100.0 * high,
        note=_basis(width, (low, high), swept=swept, by_command=by_command, recorded=recorded),
    )


def _basis(width: Width, loop: tuple[float, float], *, swept: bool, by_command: bool, recorded: bool) -> str:
    low, high = (abs(round(100.0 * share)) for share in loop)
    axis = "command" if by_command else "current"
    words = [
        f"along the {axis}, % of its span from zero to full",
        f"loop {low}-{high}-{low} %",
    ]
    if swept:
        words.append(f"a slow sweep: moving data, corrected for a lag of {LAG_S:.2f} s")
    elif width.pairs:
        words.append(f"{width.pairs} level{'s' if width.pairs > 1 else ''} seen from both sides")
    else:
        joined = "the recorded curve" if recorded else "a smooth one"
        words.append(f"no level seen from both sides: joined by {joined}")
    if width.widest_at is not None:
        words.append(f"largest at {100 * width.widest_at:.0f} %")
    return ", ".join(words)


def _series(seen: Sequence[Visit], width: Width, curve: Curve, span_a: float) -> list[tuple[float, float]]:
    """What single visits say of the width (%), oldest first: their departure along the current, doubled, by side.

    A shift of the whole curve moves rising and falling visits apart in opposite senses and is no step in this.
    """
    rows = []
    for visit in seen:
        near = [x for x in width.levels if x.arrival == visit.arrival and abs(x.share - visit.share) <= SAME_END]
        if near:
            rows.append((visit, near[0]))
    if not rows:
        return []
    here = np.array([v.current_a for v, _ in rows]) - curve.current_at(np.array([v.pressure_bar for v, _ in rows]))
    mean = np.array([x.current_a for _, x in rows]) - curve.current_at(np.array([x.pressure_bar for _, x in rows]))
    off = 2.0 * np.array([v.arrival for v, _ in rows]) * (here - mean) / span_a
    out = [(v.at_s, 100.0 * (width.share + float(o))) for (v, _), o in zip(rows, off.tolist(), strict=True)]
    return sorted(out)

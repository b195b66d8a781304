"""A command or a current in another unit, range or by another factor than the sheet's."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from asleft.judge.fit.levels import Agreement, Levels, Whole, current_agreement, pressure_agreement, share_at
from asleft.judge.fit.other_readings import (
    AGREE_MOVING,
    AGREES_NEARLY,
    CURRENT_UNITS,
    FAR,
    LEAST_SPREAD,
    LEAST_SPREAD_UNIT,
    CommandReading,
    Misfit,
    UnitReading,
    agreement_limit,
    agrees,
    command_readings,
    counts_of,
    demand_of,
    faults_reach,
    has_current,
    number,
    out_of_range,
    range_words,
    signal_words,
    straightness,
)
from asleft.judge.types import FloatArray
from asleft.sheet.model import Sheet

# A current in another unit, or by another factor, than the sheet's.

#: Noise within a level, read in a factor's unit (share of span): more is no signal.
_NOISE = 0.25


def current_misfit(sheet: Sheet, levels: Levels, demand: FloatArray, *, also_command: bool = False) -> Misfit | None:
    """A current that follows the demand in another unit, or by another factor."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current)
    if current_agreement(sheet, demand, levels.current, levels.weight).off < (0.0 if also_command else FAR):
        return None
    noise = share_at(levels.current_sd[known], levels.weight[known], 0.5) / (full - zero)
    for unit in CURRENT_UNITS:
        limit = agreement_limit(levels) if also_command else 0.25
        close = agrees(sheet, levels, demand, levels.current / unit.times, limit, LEAST_SPREAD_UNIT)
        if close is not None and (noise / unit.times <= _NOISE or not levels.at_rest) and _follows(levels, demand):
            return _in_unit(unit)
    if also_command:
        return None
    unit = CURRENT_UNITS[0]
    shares = levels.current[known] / unit.times / full
    plausible = float(levels.weight[known][(shares > -0.05) & (shares < 1.3)].sum() / levels.weight[known].sum())
    if plausible >= AGREES_NEARLY and np.median(shares) * unit.times > 30.0 and np.ptp(shares) > 0.02:
        return _in_unit(unit)  # no driver gives as much, however little the current follows the command
    factor = _factor(sheet, levels, demand)
    if factor is None:
        return None
    factor = -1.0 if abs(factor + 1.0) < 0.05 else factor
    close = agrees(sheet, levels, demand, levels.current / factor, 0.05)
    if close is None or close.levels < 3 or noise / abs(factor) > _NOISE:
        return None
    seen = "of the other sign" if factor < 0.0 else f"{number(factor)} times what the sheet allows"
    return Misfit(
        "current-scale",
        f"the current is {seen} at every level: is it scaled wrongly?",
        {"current": f"{{ scale = {number(1.0 / factor)} }}"},
    )


def _in_unit(unit: UnitReading) -> Misfit:
    many = "1,000 times" if unit.times > 1.0 else "a thousandth of"
    return Misfit(
        "current-unit",
        f"the current is {many} what the sheet allows: is it in {unit.words}?",
        {"current": f'{{ unit = "{unit.unit}" }}'},
    )


def _follows(levels: Levels, demand: FloatArray) -> bool:
    known = np.isfinite(levels.current)
    return straightness(np.clip(demand[known], 0.0, 1.0), levels.current[known], levels.weight[known]) >= 0.8


def _factor(sheet: Sheet, levels: Levels, demand: FloatArray) -> float | None:
    """Current as read over that of the sheet, beyond what a fault does (over 3, under a third, negative)."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.isfinite(levels.current) & np.isfinite(demand)
    wanted = zero + np.clip(demand[known], 0.0, 1.0) * (full - zero)
    weight = levels.weight[known]
    factor = float(np.sum(weight * wanted * levels.current[known]) / np.sum(weight * wanted**2))
    return factor if factor > 3.0 or 1e-6 < factor < 1.0 / 3.0 or factor < -0.5 else None


#: A command in its legal range may be that of a narrower one, if the current then says so much more clearly.
_FAR_LEGAL, _AGREE_LEGAL = 0.25, 0.05
_FAR_LIVE_ZERO, _AGREE_LIVE_ZERO = 0.14, 0.04  # 4 to 20 mA against 0 to 20 mA: 20 % of span at the bottom
_LIVE_ZERO_MA, _AT_LIVE_ZERO_MA = 3.9, 0.15
_ILLEGAL_SHARE = 0.05  # of the weight of a command outside its range


def driver_side(
    sheet: Sheet, levels: Levels, whole: Mapping[str, Whole]
) -> tuple[tuple[Misfit | None, FloatArray], Misfit | None]:
    """What is wrong with command and current, and the demand that is to be believed."""
    demand = demand_of(sheet, levels.command)
    if not has_current(levels) or "current_at_full" not in sheet.as_left or "current_at_zero" not in sheet.as_left:
        return _command_by_pressure(sheet, levels, demand), None
    live = live_zero(sheet, levels)
    if live is not None:
        return (command_misfit(sheet, levels, live), live.demand(levels.command)), None
    here = current_agreement(sheet, demand, levels.current, levels.weight)
    if here.off < FAR:
        return (None, demand), None
    raw = counts_of(sheet, levels, demand, whole)
    if raw[0][0] is not None or raw[1] is not None:
        return raw
    by_current = current_misfit(sheet, levels, demand)
    if by_current is not None:
        return (None, demand), by_current
    ways = [w for w in command_readings(sheet.signal) if _command_may_be(sheet, levels, w, here)]
    if ways:
        best = min(ways, key=lambda w: with_command(sheet, levels, w).most)
        return (command_misfit(sheet, levels, best), best.demand(levels.command)), None
    for way in command_readings(sheet.signal):
        unit = current_misfit(sheet, levels, way.demand(levels.command), also_command=True)
        if unit is not None and out_of_range(demand, levels.weight) >= _ILLEGAL_SHARE:
            return (command_misfit(sheet, levels, way), way.demand(levels.command)), unit
    return (None, demand), None


def with_command(sheet: Sheet, levels: Levels, way: CommandReading) -> Agreement:
    """How the current agrees with a command read in another way."""
    return current_agreement(sheet, way.demand(levels.command), levels.current, levels.weight)


def _command_may_be(sheet: Sheet, levels: Levels, way: CommandReading, here: Agreement) -> bool:
    """Whether a command read in another way explains the current as the sheet's does not."""
    then = with_command(sheet, levels, way)
    if then.spread < LEAST_SPREAD or then.levels < 2 or then.most > agreement_limit(levels):
        return False
    demand = demand_of(sheet, levels.command)
    if out_of_range(demand, levels.weight) >= _ILLEGAL_SHARE:
        if sheet.signal.unit == "mA" and way.at_zero == 0.0 and way.at_full == 20.0:
            return here.off >= _FAR_LIVE_ZERO and not _rests_at_live_zero(levels)
        return here.off >= FAR and here.off >= 3.0 * then.most
    if not levels.at_rest or here.off < faults_reach(sheet):
        return False
    if way.words == "turned round":
        return here.off >= _FAR_LEGAL and then.spread >= 0.4
    narrower = abs(way.at_full - way.at_zero) < 0.8 * abs(sheet.signal.at_full - sheet.signal.at_zero)
    return narrower and here.off >= _FAR_LEGAL and then.most <= _AGREE_LEGAL and then.spread >= LEAST_SPREAD


def live_zero(sheet: Sheet, levels: Levels) -> CommandReading | None:
    """4 to 20 mA where the sheet has 0 to 20 mA: never below 4 mA, and there the current is that of zero command.

    At the top both say the same, so the lowest level must speak for itself.
    """
    ways = [way for way in command_readings(sheet.signal) if (way.at_zero, way.at_full) == (4.0, 20.0)]
    known = np.isfinite(levels.current)
    if not ways or not {"current_at_zero", "current_at_full"} <= set(sheet.as_left):
        return None
    if sheet.signal.unit != "mA" or not levels.at_rest or known.sum() < 2:
        return None
    lowest = float(levels.command[known].min())
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    wanted = zero + float(demand_of(sheet, np.array([lowest]))[0]) * (full - zero)
    off = abs(float(levels.current[known][int(np.argmin(levels.command[known]))]) - wanted) / (full - zero)
    then = with_command(sheet, levels, ways[0])
    rests = lowest >= _LIVE_ZERO_MA and lowest <= 4.0 + _AT_LIVE_ZERO_MA
    agrees = (then.most <= AGREE_MOVING and then.spread >= 0.6) or (then.most <= 0.03 and then.spread >= 0.35)
    agrees = agrees and _ends_agree(sheet, ways[0].demand(levels.command), levels)
    return ways[0] if rests and agrees and off >= max(_FAR_LIVE_ZERO, faults_reach(sheet)) else None


def _ends_agree(sheet: Sheet, demand: FloatArray, levels: Levels) -> bool:
    """Whether the lowest and the highest level lie on the sheet's line, with what a bent driver may add."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    known = np.flatnonzero(np.isfinite(levels.current))
    ends = known[[int(np.argmin(demand[known])), int(np.argmax(demand[known]))]]
    wanted = zero + np.clip(demand[ends], 0.0, 1.0) * (full - zero)
    near = np.abs(levels.current[ends] - wanted) <= _AGREE_LIVE_ZERO * (full - zero)
    switched_off = sheet.signal.off_below_pct > 0.0 and float(levels.current[ends[0]]) < 0.3 * zero
    return bool(near[1] and (near[0] or switched_off))


def _rests_at_live_zero(levels: Levels) -> bool:
    """A signal that is now and then at 4 mA and at 0 mA is one whose wire breaks."""
    return bool(np.any(np.abs(levels.command - 4.0) <= 0.3)) and levels.command.size < 4


def command_misfit(sheet: Sheet, levels: Levels, way: CommandReading) -> Misfit:
    """That the command is read wrongly, and what to write for the way in which it agrees."""
    signal = sheet.signal
    scale = (signal.at_full - signal.at_zero) / (way.at_full - way.at_zero)
    offset = signal.at_zero - scale * way.at_zero
    seen = f"the command reads {range_words(sheet, levels, 'command')} where the sheet has {signal_words(sheet)}"
    keys = {"command": f"{{ scale = {number(scale)}, offset = {number(offset)} }}"}
    if way.words == "turned round":
        sheet_keys = f"at_zero = {number(way.at_zero)} and at_full = {number(way.at_full)}"
        return Misfit(
            "command-signal", f"{seen}, and current falls as it rises: is the signal turned round?", {}, sheet_keys
        )
    question = f"{seen}: is it {way.words}?"
    if not way.same_unit:
        return Misfit("command-unit", question, keys)
    kind = {(4.0, 20.0): 'kind = "4-20mA"', (0.0, 10.0): 'kind = "0-10V"', (0.0, 5.0): 'kind = "0-5V"'}
    ends = f'unit = "{signal.unit}", at_zero = {number(way.at_zero)}, at_full = {number(way.at_full)}'
    return Misfit("command-signal", question, {}, kind.get((way.at_zero, way.at_full), ends))


def _command_by_pressure(sheet: Sheet, levels: Levels, demand: FloatArray) -> tuple[Misfit | None, FloatArray]:
    """Without a current: a command outside its range that the pressure explains in another way."""
    here = pressure_agreement(sheet, demand, levels)
    if here is None or out_of_range(demand, levels.weight) < 0.25:
        return None, demand
    best: tuple[float, CommandReading] | None = None
    for way in command_readings(sheet.signal):
        then = pressure_agreement(sheet, way.demand(levels.command), levels)
        legal = out_of_range(way.demand(levels.command), levels.weight) < 0.02
        if then is None or not legal or then.above > 0.1 or then.on < 0.6 or then.spread < 0.4 or then.levels < 3:
            continue
        if then.on >= here.on + 0.3 and (best is None or then.off < best[0]):
            best = (then.off, way)
    if best is None:
        return None, demand
    return command_misfit(sheet, levels, best[1]), best[1].demand(levels.command)

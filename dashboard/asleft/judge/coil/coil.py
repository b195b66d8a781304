"""The coil: its resistance now, the temperature of its winding, and its resistance at 20 degC.

A copper winding has R(T) = R20 (1 + 0.00393 (T - 20)) (IEC 60028). R *now* is the mean coil voltage over the mean
current of settled dwells (of a switched output the channel is the mean voltage), or, without that channel, what a
saturated output tells: (supply - drop) duty / current - cable. It is R at 20 degC only where the temperature of the
winding is known without it, after a cold soak (`coldsoak`); at all other times it gives the temperature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.decide import coverage_factor
from asleft.judge.driver.clipping import Clip
from asleft.judge.features import Dwell
from asleft.sheet.model import Sheet, Where

# Copper: resistance and temperature of a winding, R(T) = R20 (1 + 0.00393 (T - 20)) (IEC 60028).

#: Temperature coefficient of copper's resistance at 20 degC, 1/K (IEC 60028).
COPPER_PER_K = 0.00393
REFERENCE_DEGC = 20.0


def copper(temperature_degc: float) -> float:
    """R(T)/R(20 degC) of copper (IEC 60028)."""
    return 1.0 + COPPER_PER_K * (temperature_degc - REFERENCE_DEGC)


def winding_degc(ratio: float) -> float:
    """Temperature at which copper has `ratio` times its resistance at 20 degC; inverse of `copper`."""
    return REFERENCE_DEGC + (ratio - 1.0) / COPPER_PER_K


# What a driver can do and the cable takes away: as the sheet has it, or as is usual, with uncertainties to match.

#: What is taken where the sheet says nothing of the driver or the cable, and how far off that may be (k = 1).
USUAL_DROP_V, USUAL_DROP_U_V = 1.0, 0.6
USUAL_DUTY, USUAL_DUTY_U = 0.95, 0.03
USUAL_CABLE_OHM, USUAL_CABLE_U_OHM = 0.2, 0.2
#: Of what the sheet does say of them (k = 1).
_DROP_U_V, _DUTY_U, _CABLE_U = 0.1, 0.005, 0.1


@dataclass(frozen=True, slots=True)
class Output:
    """What the driver can do, and the cable: value and standard uncertainty of each. `assumed`: not in the sheet."""

    drop_v: float
    drop_u_v: float
    duty: float
    duty_u: float
    cable_ohm: float
    cable_u_ohm: float
    assumed: tuple[str, ...]


def output_of(sheet: Sheet) -> Output:
    """Driver and cable as the sheet has them, or as is usual with an uncertainty to match."""
    coil = sheet.coil
    assumed = [
        word
        for word, value in (
            ("driver drop", coil.driver_drop_v),
            ("largest duty", coil.duty_max),
            ("cable", coil.cable_resistance_ohm),
        )
        if value is None
    ]
    cable = coil.cable_resistance_ohm
    return Output(
        drop_v=USUAL_DROP_V if coil.driver_drop_v is None else coil.driver_drop_v,
        drop_u_v=USUAL_DROP_U_V if coil.driver_drop_v is None else _DROP_U_V,
        duty=USUAL_DUTY if coil.duty_max is None else coil.duty_max,
        duty_u=USUAL_DUTY_U if coil.duty_max is None else _DUTY_U,
        cable_ohm=USUAL_CABLE_OHM if cable is None else cable,
        cable_u_ohm=USUAL_CABLE_U_OHM if cable is None else _CABLE_U * cable,
        assumed=tuple(assumed),
    )


#: R now rests on this much time: less than the winding's time constant of some minutes.
NOW_S = 120.0
#: Dwells under this share of the current at full tell little of R and carry the current reading's offset.
LEAST_CURRENT = 0.25
#: Standard uncertainty of an entered R at 20 degC: a multimeter, and a winding some kelvin off when it was measured.
ENTERED = 0.025
#: No winding is colder than this: a lower temperature means that something else than the coil limits the current.
_COLDEST_DEGC = -40.0


@dataclass(frozen=True, slots=True)
class Resistance:
    """Coil resistance over some dwells (ohm): `se_ohm` repeatability with `dof`, `systematic_ohm` calibration."""

    ohm: float
    se_ohm: float
    dof: float
    systematic_ohm: float
    current_a: float
    from_s: float
    to_s: float
    dwells: int
    basis: str  # "coil voltage" or "full saturation"

    @property
    def u_ohm(self) -> float:
        """Standard uncertainty of the value."""
        return math.hypot(self.se_ohm, self.systematic_ohm)


@dataclass(frozen=True, slots=True)
class ColdCoil:
    """R at 20 degC from a start after a cold soak, taken at a winding temperature known to `temperature_u_k`."""

    ohm: float
    se_ohm: float
    dof: float
    gain: float  # relative standard uncertainty of the voltage and current readings, the same at every time
    temperature_degc: float
    temperature_u_k: float
    from_s: float
    to_s: float
    dwells: int

    @property
    def temperature_share(self) -> float:
        """Relative standard uncertainty that the unsure temperature leaves."""
        return COPPER_PER_K * self.temperature_u_k / copper(self.temperature_degc)


@dataclass(frozen=True, slots=True)
class Reference:
    """R at 20 degC to go by: re-measured or as entered, with its relative standard uncertainty against `now`.

    `gain`: that of the readings, which cancels against a resistance now and counts by itself.
    """

    ohm: float
    share: float
    measured: bool
    gain: float = 0.0


def telling(dwells: Sequence[Dwell], sheet: Sheet) -> list[Dwell]:
    """Dwells whose coil voltage and current tell a resistance."""
    least = max(LEAST_CURRENT * sheet.as_left.get("current_at_full", 0.0), 0.01)
    return [d for d in dwells if d.flat > 0.5 and d.coil_v > 0.0 and d.current_a > least]


def cable_in_voltage(sheet: Sheet) -> tuple[float, float]:
    """Cable resistance that the coil voltage contains (ohm), by where it is taken, and its standard uncertainty."""
    instrument = sheet.instruments.get("coil_voltage")
    if instrument is None or instrument.where is not Where.TERMINALS:
        return 0.0, 0.0
    output = output_of(sheet)
    return output.cable_ohm, output.cable_u_ohm


def by_voltage(dwells: Sequence[Dwell], sheet: Sheet) -> Resistance | None:
    """Coil resistance as the mean of voltage over current of settled dwells; None without any of enough current.

    A dwell of n samples has var(R) = (s_v^2 + R^2 s_i^2) / (n I^2), so it is weighted with n I^2: the least-squares
    solution for equal noise of all samples. A voltage taken at the driver's terminals contains the cable.
    """
    rows = telling(dwells, sheet)
    if not rows:
        return None
    n, volt, ampere = np.array([(d.n, d.coil_v, d.current_a) for d in rows]).T
    ratio, weight = volt / ampere, n * ampere**2
    ohm = float(weight @ ratio / weight.sum())
    dof = float(max(len(rows) - 1, 1))
    scatter = float(weight @ (ratio - ohm) ** 2) / dof if len(rows) > 1 else float(weight[0]) * (0.01 * ohm) ** 2
    gain = math.hypot(
        _share(sheet, "coil_voltage", float(np.average(volt, weights=weight))),
        _share(sheet, "current", float(np.average(ampere, weights=weight))),
    )
    cable_ohm, cable_u = cable_in_voltage(sheet)
    return Resistance(
        ohm=ohm - cable_ohm,
        se_ohm=math.sqrt(scatter / float(weight.sum())),
        dof=dof,
        systematic_ohm=math.hypot(gain * ohm, cable_u),
        current_a=float(np.average(ampere, weights=weight)),
        from_s=rows[0].from_s,
        to_s=rows[-1].to_s,
        dwells=len(rows),
        basis="coil voltage",
    )


def by_saturation(dwells: Sequence[Dwell], sheet: Sheet, clip: Clip | None) -> Resistance | None:
    """Coil resistance from dwells in which the output gave all it had: (supply - drop) duty / current - cable.

    None where nothing was cut off, the supply was not recorded, the sheet says nothing of drop or duty, the driver's
    own limit was reached, or the result would be a winding colder than any: then the driver limits, not the coil.
    """
    coil = sheet.coil
    if clip is None or coil.driver_drop_v is None or coil.duty_max is None:
        return None
    if coil.driver_limit_a is not None and clip.limit_a > 0.98 * coil.driver_limit_a:
        return None
    near = 0.5 * (clip.demanded_a - clip.limit_a)
    rows = [
        d
        for d in dwells
        if d.flat > 0.5
        and d.demand >= clip.demand - 0.02
        and abs(d.current_a - clip.limit_a) < near
        and math.isfinite(d.supply_v)
    ]
    if not rows:
        return None
    output = output_of(sheet)
    volt = np.array([(d.supply_v - output.drop_v) * output.duty for d in rows])
    ampere = np.array([d.current_a for d in rows])
    each = volt / ampere - output.cable_ohm
    ohm, total = float(each.mean()), float((volt / ampere).mean())
    left = sheet.as_left.get("coil_resistance")
    if left is not None and ohm < left * copper(_COLDEST_DEGC):
        return None
    dof = float(max(len(rows) - 1, 1))
    se = float(each.std(ddof=1)) / math.sqrt(len(rows)) if len(rows) > 1 else 0.005 * ohm
    supply = float(np.mean([d.supply_v for d in rows]))
    share = math.hypot(
        _share(sheet, "supply", supply - output.drop_v),
        _share(sheet, "current", float(ampere.mean())),
        output.drop_u_v / (supply - output.drop_v),
        output.duty_u / output.duty,
    )
    return Resistance(
        ohm=ohm,
        se_ohm=se,
        dof=dof,
        systematic_ohm=math.hypot(share * total, output.cable_u_ohm),
        current_a=float(ampere.mean()),
        from_s=rows[0].from_s,
        to_s=rows[-1].to_s,
        dwells=len(rows),
        basis="full saturation",
    )


def resistance_now(dwells: Sequence[Dwell], sheet: Sheet, clip: Clip | None) -> Resistance | None:
    """Coil resistance over the last two minutes of dwells, by voltage where recorded, else by saturation."""
    if not dwells:
        return None
    since = dwells[-1].to_s - NOW_S
    late = [d for d in dwells if d.from_s >= since]
    return by_voltage(late, sheet) or by_saturation(late, sheet, clip)


def reference_of(sheet: Sheet, cold: ColdCoil | None) -> Reference | None:
    """R at 20 degC that temperatures are told by: measured cold through the same readings, else as entered."""
    if cold is not None:
        return Reference(cold.ohm, math.hypot(cold.se_ohm / cold.ohm, cold.temperature_share), True, cold.gain)
    left = sheet.as_left.get("coil_resistance")
    return None if left is None else Reference(left, ENTERED, measured=False)


@dataclass(frozen=True, slots=True)
class Winding:
    """Temperature of the winding (degC) and its expanded uncertainty for 95 % (K)."""

    degc: float
    u_k: float


def winding(now: Resistance, reference: Reference) -> Winding:
    """Temperature that a resistance stands for; calibration cancels against a reference of the same chain."""
    ratio = now.ohm / reference.ohm
    same_chain = reference.measured and now.basis == "coil voltage"
    own = (now.se_ohm if same_chain else now.u_ohm) / now.ohm
    u_k = ratio * math.hypot(own, reference.share) / COPPER_PER_K
    return Winding(winding_degc(ratio), coverage_factor(math.inf) * u_k)


def _share(sheet: Sheet, channel: str, value: float) -> float:
    """Relative standard uncertainty that the calibration of a channel leaves at `value`; 0 if it is not given."""
    instrument = sheet.instruments.get(channel)
    if instrument is None or instrument.expanded_uncertainty is None:
        return 0.0
    return instrument.expanded_uncertainty / 2.0 / max(abs(value), 1e-9)

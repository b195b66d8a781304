"""What a driver can do and the cable takes away: as the sheet has it, or as is usual, with uncertainties to match."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.sheet.model import Sheet

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

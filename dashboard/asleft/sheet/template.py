"""The text of a new sheet: what is known filled in, everything else there to be filled in, with what it means."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from asleft.catalogue.quantities import QUANTITIES
from asleft.sheet.as_left import LIMITS
from asleft.sheet.model import QUANTITY_UNITS, MadeBy, SignalKind, Where
from asleft.sheet.names import EXPLANATIONS
from asleft.sheet.signal import ENDS
from asleft.sheet.write import toml_value


#: Stand beside the keys that are still to be set.
def new_sheet_text(
    *,
    valve: str,
    press: str = "",
    name: str = "",
    controls: str = "pressure",
    signal: str = SignalKind.MA_4_20.value,
    made_by: str = MadeBy.FIXED_STEPS.value,
    values: Mapping[str, float] | None = None,
    number: int = 1,
    at: str | None = None,
    by: str = "",
    why: str = "first commissioning",
    ends: tuple[float, float] | None = None,
    remarks: Mapping[str, str] | None = None,
    tolerances: Mapping[str, float] | None = None,
) -> str:
    """The text of a sheet file. Quantities not in `values` (stored units) stand as comments to be filled in.

    `signal` is a kind, or a unit ("mA", "V") for a range whose ends are `ends`, or are to be filled in; `at` an ISO
    time with zone; `remarks` stand beside the quantities they name; `tolerances` are those that are not the usual.
    Nothing is checked here: that is the reader's business.
    """
    return "\n".join(
        [
            _opening(valve, press, name, controls),
            _signal(signal, made_by, ends),
            _as_left(values or {}, remarks or {}),
            _rest(tolerances or {}),
            _revision(number, at, by, why),
        ]
    )


def _opening(valve: str, press: str, name: str, controls: str) -> str:
    return f"""\
# Settings sheet of one valve: how it was left. Lines that begin with # are not
# read; take the # away where you set a value. Check with: asleft sheet check FILE

[valve]
id = {toml_value(valve)}    # of a-z, 0-9, - and dots; never used again for another valve
press = {toml_value(press)}    # where it is
name = {toml_value(name)}    # which valve on that press
controls = {toml_value(controls)}    # "pressure" or "flow"
"""


def _signal(signal: str, made_by: str, ends: tuple[float, float] | None) -> str:
    if signal in {kind.value for kind in ENDS}:
        head = (
            f"kind = {toml_value(signal)}    # {_choices(kind.value for kind in ENDS)}; or unit, at_zero and at_full"
        )
    elif ends is not None:
        zero, full = (toml_value(end) for end in ends)
        head = (
            f"unit = {toml_value(signal)}    # of the next two\n"
            f"at_zero = {zero}    # signal at 0 % command\nat_full = {full}    # signal at 100 % command"
        )
    else:
        head = (
            f"unit = {toml_value(signal)}    # of the next two\n"
            "# at_zero = 4.0    # signal at 0 % command\n"
            "# at_full = 12.0    # signal at 100 % command; may be the lower of the two"
        )
    return f"""\
[signal]    # the command the driver receives
{head}
off_below = 0.0    # % command under which the driver switches off; 0 = never
made_by = {toml_value(made_by)}    # {_choices(made.value for made in MadeBy)}
"""


def _as_left(values: Mapping[str, float], remarks: Mapping[str, str]) -> str:
    lines = ["[as_left]    # at least one; those not given are not judged"]
    for quantity in LIMITS:
        unit = QUANTITY_UNITS[quantity]
        given = quantity in values
        value = values[quantity] if given else QUANTITIES[quantity].example
        remark = f"; {remarks[quantity]}" if quantity in remarks else ""
        lines.append(
            f"{'' if given else '# '}{quantity} = {toml_value(value)}    # {unit}: {EXPLANATIONS[quantity]}{remark}"
        )
    return "\n".join(lines) + "\n"


def _rest(tolerances: Mapping[str, float]) -> str:
    own = "".join(f"{quantity} = {toml_value(size)}\n" for quantity, size in tolerances.items())
    return f"""\
[tolerance]    # same units; a number, or two as [-a, b]; what is not given has a default that `check` shows
{own or "# ramp_up = 0.12"}

[units]    # of the numbers in this file, where they are not bar, A, s, degC
# pressure = "psi"    # or "MPa", "kPa"
# current = "mA"

[coil]    # for headroom: what is left when the coil is hot and the supply low
# hot_temperature = 90.0    # degC, of the winding
# supply_minimum = 21.6    # V
# cable_resistance = 0.3    # ohm, both leads
# driver_drop = 1.0    # V lost in the driver at full output
# duty_max = 0.95    # largest share of the supply the driver passes on
# driver_limit = 1.6    # A, the driver's own highest current

# [characteristic]    # a slow sweep up and down, recorded at commissioning
# current = [0.18, 0.4, 0.6, 0.92]
# rising = [12.0, 66.0, 119.0, 210.0]
# falling = [12.0, 73.0, 126.0, 210.0]

[conditions]    # in which the valve was left, and outside which pressure is not judged
# oil_temperature = [35.0, 55.0]
# ambient_temperature = [15.0, 30.0]    # of the air round the valve: a coil that has stood for hours has it
# in_control_command = [20.0, 100.0]    # % command at which the valve, and not the load, makes the pressure

[mode]    # meaning of the numbers in a mode channel, if there is one
# producing = [1]
# set_up = [2]
# in_control = [3]

# [instrument.current]    # likewise command, pressure, supply, coil_voltage, oil_temperature
# where = {toml_value(next(iter(Where)).value)}
#         or {_choices(where.value for where in list(Where)[1:])}
# expanded_uncertainty = 0.004    # for 95 %, from the calibration, in the channel's unit
# low_pass_hz = 30.0    # of the filter before the converter
# range = [0.0, 2.0]    # readings the instrument can show
"""


def _revision(number: int, at: str | None, by: str, why: str) -> str:
    since = f"at = {at}" if at else "# at = 2026-03-02T08:10:00Z"
    return f"""\
[revision]
number = {number}
{since}    # since when the valve is set so, with its zone
by = {toml_value(by)}
why = {toml_value(why)}
"""


def _choices(values: Iterable[str]) -> str:
    names = [toml_value(value) for value in values]
    return " or ".join([", ".join(names[:-1]), names[-1]])

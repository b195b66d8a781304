"""In which the valve was left, and what the machine's mode numbers mean: `[conditions]` and `[mode]`."""

from __future__ import annotations

from collections.abc import Mapping

from asleft.sheet.limits import Limits
from asleft.sheet.model import Conditions
from asleft.sheet.section import Section

MODE_LIMIT = 32767
#: Keys of `[conditions]`, each a pair, and what its ends may be.
CONDITION_LIMITS: Mapping[str, Limits] = {
    "oil_temperature": Limits(-40.0, 150.0, "degC"),
    "ambient_temperature": Limits(-40.0, 85.0, "degC"),
    "in_control_command": Limits(0.0, 110.0, "%"),
}
_DEFAULT = Conditions()


def read_conditions(top: Section, units: Mapping[str, str]) -> Conditions:
    """`[conditions]` and `[mode]`. A mode in which the valve is in control counts as producing."""
    section = top.section("conditions")
    oil, air, command = (
        section.ascending_pair(key, limits.low, limits.high, limits.entered(units))
        for key, limits in CONDITION_LIMITS.items()
    )
    section.close()

    modes = top.section("mode")
    producing = modes.integers("producing", 0, MODE_LIMIT)
    set_up = modes.integers("set_up", 0, MODE_LIMIT)
    in_control = modes.integers("in_control", 0, MODE_LIMIT) or ()
    modes.close()
    if set_up is None:
        set_up = tuple(mode for mode in _DEFAULT.set_up_modes if mode not in (*(producing or ()), *in_control))
    if producing is None:
        producing = tuple(mode for mode in _DEFAULT.producing_modes if mode not in set_up)
    producing = (*producing, *(mode for mode in in_control if mode not in producing))
    for mode in producing:
        if mode in set_up:
            modes.fault("set_up", f"{mode} also stands for producing or in_control; a mode has one meaning")
    return Conditions(
        oil_temperature_degc=oil,
        ambient_temperature_degc=air,
        in_control_command_pct=command,
        producing_modes=producing,
        set_up_modes=set_up,
        in_control_modes=in_control,
    )

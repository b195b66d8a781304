"""The command signal: `[signal]`. Ends of the current loop by IEC 60381-1, of the voltages by IEC 60381-2."""

from __future__ import annotations

from collections.abc import Mapping

from asleft.sheet.limits import Limits
from asleft.sheet.model import MadeBy, Signal, SignalKind
from asleft.sheet.section import Section

#: Kind -> unit, signal at 0 %, signal at 100 %.
ENDS: Mapping[SignalKind, tuple[str, float, float]] = {
    SignalKind.MA_4_20: ("mA", 4.0, 20.0),
    SignalKind.V_0_10: ("V", 0.0, 10.0),
    SignalKind.V_0_5: ("V", 0.0, 5.0),
}

#: Largest reading, either sign, and least distance between the ends, per unit.
SIGNAL_LIMITS: Mapping[str, float] = {"mA": 24.0, "V": 12.0}
OFF_BELOW = Limits(0.0, 50.0, "%")
_LEAST_SPAN: Mapping[str, float] = {"mA": 1.0, "V": 0.5}

_TWO_COILS = (
    "passes through zero; a two-coil valve is two entries, one sheet per coil, each with its own at_zero and at_full"
)
_WANTED = 'kind = "4-20mA", "0-10V" or "0-5V"; or unit ("mA" or "V"), at_zero and at_full'

#: Stands in while the faults of a file are being gathered; never part of a sheet that is handed out.
NO_SIGNAL = Signal(SignalKind.EXPLICIT, "mA", 4.0, 20.0)


def read_signal(top: Section) -> Signal | None:
    """The signal; None when it cannot be told (with the fault noted).

    Explicit ends given beside a kind narrow or turn round its range: the kind still says what a broken wire looks
    like.
    """
    top.require("signal", f"a [signal] table with {_WANTED}")
    section = top.section("signal")
    kind = _kind(section)
    unit = section.word("unit", ("mA", "V"))
    off_below = section.within("off_below", OFF_BELOW, {})
    made_by = section.choice("made_by", {made.value: made for made in MadeBy})
    ends = _ends(section, kind, unit) if "signal" in top else None
    section.close()
    if ends is None:
        return None
    return Signal(
        kind=kind or SignalKind.EXPLICIT,
        unit=ends[0],
        at_zero=ends[1],
        at_full=ends[2],
        off_below_pct=off_below or 0.0,
        made_by=made_by or MadeBy.FIXED_STEPS,
    )


def _kind(section: Section) -> SignalKind | None:
    kinds = {kind.value: kind for kind in ENDS}
    raw = section.raw("kind")
    if isinstance(raw, str) and raw not in kinds and raw.strip().startswith(("-", "+", "±")):
        section.text("kind")
        section.fault("kind", f"has no default: it {_TWO_COILS}")
        return None
    return section.choice("kind", kinds)


def _ends(section: Section, kind: SignalKind | None, unit: str | None) -> tuple[str, float, float] | None:
    explicit = "at_zero" in section or "at_full" in section
    if kind is not None and unit is not None and unit != ENDS[kind][0]:
        section.fault("unit", f'must be "{ENDS[kind][0]}" for kind = "{kind.value}"')
    unit = ENDS[kind][0] if kind is not None else unit
    if kind is None and "kind" not in section:
        if not explicit:
            section.fault("kind", f"missing: {_WANTED}")
        elif "unit" not in section:
            section.fault("unit", 'missing: "mA" or "V", of at_zero and at_full')
    limit = SIGNAL_LIMITS.get(unit or "", max(SIGNAL_LIMITS.values()))
    zero = section.number("at_zero", -limit, limit)
    full = section.number("at_full", -limit, limit)
    if explicit:
        section.require("at_zero", f"the signal at 0 %, in {unit or 'mA or V'}")
        section.require("at_full", f"the signal at 100 %, in {unit or 'mA or V'}")
    elif kind is not None:
        zero, full = ENDS[kind][1:]
    if zero is None or full is None or unit is None:
        return None
    if zero * full < 0:
        section.fault("at_full", f"with at_zero = {zero:g} {_TWO_COILS}")
    elif abs(full - zero) < _LEAST_SPAN[unit]:
        section.fault("at_full", f"must differ from at_zero = {zero:g} by at least {_LEAST_SPAN[unit]:g} {unit}")
    return unit, zero, full

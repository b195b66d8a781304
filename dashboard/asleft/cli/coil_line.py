"""The coil as it is now, in one line: resistance, temperature of the winding, and where clipping begins."""

from __future__ import annotations

import textwrap

from asleft.cli.ink import Ink
from asleft.judge.types import CoilNow, iso


def coil_line(coil: CoilNow | None, ink: Ink) -> list[str]:
    """Such as "Coil: 12.71 Ω now, the winding at 60 °C ±14 (coil voltage)."; empty where nothing is known now."""
    if coil is None or coil.resistance_ohm is None:
        return []
    said = f"Coil: {coil.resistance_ohm:.2f} Ω now"
    if coil.temperature_degc is not None and coil.temperature_u_k is not None:
        said += f", the winding at {coil.temperature_degc:.0f} °C ±{coil.temperature_u_k:.0f}"
    said += f" (by {coil.basis})."
    if coil.clips_at_degc is not None and coil.clips_at_v is not None:
        said += f" Clipping begins at {coil.clips_at_degc:.0f} °C, or at {coil.clips_at_v:.1f} V."
    if coil.clips_from_s is not None:
        said += f" By its trend that is on {(iso(coil.clips_from_s) or '')[:10]}."
    return textwrap.wrap(ink.spell(said), ink.width, initial_indent="  ", subsequent_indent="    ")

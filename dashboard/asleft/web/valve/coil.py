"""The coil: temperature of its winding and headroom, now and over the last two days, or why they are not known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import numpy.typing as npt
from asleft.web.source import Source
from asleft.web.views.valves import Json, judged_until_ns, tolerance_sides
from asleft.web.when import parse_iso_ns

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

HOUR_NS = 3600 * 10**9
HOURS = 48


@dataclass(eq=False, frozen=True)
class CoilView:
    """What the judge says of the coil; None for what is not known. Arrays of shape (n,), a point for each hour."""

    temperature_degc: float | None
    temperature_u_k: float | None
    resistance_ohm: float | None
    basis: str
    headroom_pct: float | None
    corner_pct: float | None
    least_pct: float | None  # headroom that is to be left
    hot_degc: float | None  # of the sheet's corner
    clips_at_degc: float | None
    clips_at_v: float | None
    clips_from_ns: int | None
    why_not: list[str]  # what is missing, and for want of what
    from_ns: int
    to_ns: int
    time_ns: Int64Array
    degc: FloatArray  # NaN where not known
    u_k: FloatArray
    pct: FloatArray

    @property
    def known(self) -> bool:
        """Whether anything is known now or was in the last two days."""
        now = any(value is not None for value in (self.temperature_degc, self.headroom_pct, self.corner_pct))
        return now or bool(np.isfinite(self.degc).any() or np.isfinite(self.pct).any())


def coil_view(source: Source, valve: str) -> CoilView:
    """From the judgement of now, and the last one of each hour."""
    now = source.now_ns()
    judgement = source.records.judgement(valve)
    sheet = source.sheet(valve, now)
    coil = _coil(judgement)
    headroom = _quantity(judgement, "headroom")
    clipping = cast("dict[str, Any]", coil.get("clipping") or {})
    hours = _hours(source, valve, judgement, now)
    return CoilView(
        temperature_degc=coil.get("temperature"),
        temperature_u_k=coil.get("temperature_uncertainty"),
        resistance_ohm=coil.get("resistance"),
        basis=str(coil.get("basis") or ""),
        headroom_pct=coil.get("headroom_now"),
        corner_pct=coil.get("headroom_corner"),
        least_pct=tolerance_sides(headroom)[0] if headroom else None,
        hot_degc=sheet.coil.hot_temperature_degc if sheet is not None else None,
        clips_at_degc=clipping.get("temperature"),
        clips_at_v=clipping.get("supply"),
        clips_from_ns=parse_iso_ns(cast("str | None", clipping.get("from"))),
        why_not=_why_not(judgement, coil, has_sheet=sheet is not None),
        from_ns=now - HOURS * HOUR_NS,
        to_ns=now,
        time_ns=np.array(sorted(hours), dtype=np.int64),
        degc=_column(hours, "temperature"),
        u_k=_column(hours, "temperature_uncertainty"),
        pct=_column(hours, "headroom_now"),
    )


def _coil(judgement: Json | None) -> dict[str, Any]:
    return cast("dict[str, Any]", (judgement or {}).get("coil") or {})


def _quantity(judgement: Json | None, name: str) -> Json | None:
    found = (judgement or {}).get("quantities", ())
    return next((q for q in found if q["id"] == name), None)


def _hours(source: Source, valve: str, judgement: Json | None, now_ns: int) -> dict[int, dict[str, Any]]:
    """By the time they rest on; an hour without a judgement of its own repeats the one before, which counts once."""
    found: dict[int, dict[str, Any]] = {}
    earlier = [source.records.judgement_at(valve, now_ns - back * HOUR_NS) for back in range(HOURS, -1, -1)]
    for one in (*earlier, judgement):
        until = judged_until_ns(one)
        if until is not None and now_ns - HOURS * HOUR_NS <= until <= now_ns and _coil(one):
            found[until] = _coil(one)
    return found


def _column(hours: dict[int, dict[str, Any]], name: str) -> FloatArray:
    values = [hours[at].get(name) for at in sorted(hours)]
    return np.array([np.nan if value is None else float(value) for value in values], dtype=np.float64)


def _why_not(judgement: Json | None, coil: dict[str, Any], *, has_sheet: bool) -> list[str]:
    if not has_sheet:
        return ["Not known: this valve has no sheet."]
    if judgement is None:
        return ["Not known yet: nothing has been judged."]
    missing = []
    if coil.get("temperature") is None:
        reason = _reason(judgement, "coil_resistance")
        missing.append(
            f"Winding temperature not observed{reason}. It takes the coil's voltage beside its current (or a driver "
            "at full saturation with its supply recorded), and the resistance at 20 °C in the sheet."
        )
    if coil.get("headroom_now") is None:
        corner = coil.get("headroom_corner") is not None
        why = ": it takes the winding's temperature" if corner else _reason(judgement, "headroom")
        missing.append(f"Headroom as it is now not observed{why}.")
    return missing


def _reason(judgement: Json, name: str) -> str:
    found = _quantity(judgement, name)
    if found is None:
        return ": the sheet does not give it" if name == "coil_resistance" else ""
    reason = str(found.get("reason") or "").rstrip(".")
    return f": {reason}" if reason else ""

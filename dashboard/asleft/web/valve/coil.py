"""The coil: temperature of its winding and headroom, now and over the last two days, or why they are not known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import numpy.typing as npt
from asleft.sheet.names import format_quantity, format_uncertainty, with_minus
from asleft.web.control_chart import LEFT, Scale, drawn, labels
from asleft.web.hrefs import csv_of_stretch
from asleft.web.markup import Markup, el
from asleft.web.source import Source
from asleft.web.templates import macro
from asleft.web.views.valves import Json, judged_until_ns, tolerance_sides
from asleft.web.when import PlantTime, parse_iso_ns

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


# Winding temperature and headroom over two days, as two small SVG pictures with the lines that matter.

HEIGHT = 150.0


@dataclass(frozen=True, slots=True)
class Level:
    """A line across: where, and which class draws it."""

    value: float
    kind: str  # the class that draws it: "left" or "limit"


def temperature_svg(view: CoilView, time: PlantTime, words: str) -> Markup:
    """Temperature of the winding with its uncertainty, the sheet's hot corner, and where current would clip."""
    levels = [Level(value, kind) for value, kind in ((view.hot_degc, "left"), (view.clips_at_degc, "limit")) if value]
    return _svg(view, view.degc, view.u_k, levels, time, words)


def headroom_svg(view: CoilView, time: PlantTime, words: str) -> Markup:
    """Headroom, and the least that is to be left."""
    levels = [] if view.least_pct is None else [Level(view.least_pct, "limit")]
    return _svg(view, view.pct, np.zeros_like(view.pct), levels, time, words)


def _svg(
    view: CoilView, values: FloatArray, spread: FloatArray, levels: Sequence[Level], time: PlantTime, words: str
) -> Markup:
    spread = np.where(np.isfinite(spread), spread, 0.0)
    shown = np.isfinite(values)
    ends = [*(values + spread)[shown].tolist(), *(values - spread)[shown].tolist(), *(one.value for one in levels)]
    room = (max(ends) - min(ends)) * 0.12 or 1.0
    scale = Scale(view.from_ns, view.to_ns, view.to_ns, min(ends) - room, max(ends) + room, HEIGHT)
    whiskers, dots = "", ""
    rows = zip(view.time_ns[shown].tolist(), values[shown].tolist(), spread[shown].tolist(), strict=True)
    for at_ns, value, half in rows:
        x, top, base = scale.x(at_ns), scale.y(value + half), scale.y(value - half)
        dots += f"M{x:.1f} {scale.y(value):.1f}h0"
        if base - top > 4:
            whiskers += f"M{x:.1f} {top:.1f}V{base:.1f}"
    marks = [(f"M{LEFT} {scale.y(one.value):.1f}H{scale.right}", one.kind) for one in levels]
    marks += [(d, name) for d, name in ((whiskers, "whisker"), (dots, "dot")) if d]
    told = [*(one.value for one in levels), float(values[shown][-1])]
    texts = labels(scale, [(value, with_minus(f"{value:.0f}"), False) for value in told])
    for part, anchor in enumerate(("start", "middle", "end")):
        at_ns = view.from_ns + (view.to_ns - view.from_ns) * part // 2
        texts.append(el("text", time.moment(at_ns, view.to_ns), x=scale.x(at_ns), y=HEIGHT - 5, text_anchor=anchor))
    return drawn(scale, [*(el("path", d=d, class_=name) for d, name in marks), *texts], words)


def coil(view: CoilView, valve: str, time: PlantTime) -> Markup:
    """The coil in words, two pictures and numbers, or why it is not known."""
    if not view.known:
        return macro("valve/notes.html", "coil", view, "", "", [], [])
    csv = csv_of_stretch(valve, "history", view.from_ns, view.to_ns)
    return macro("valve/notes.html", "coil", view, csv, _said(view, time), _pictures(view, time), _rows(view, time))


def _said(view: CoilView, time: PlantTime) -> str:
    parts = []
    if view.temperature_degc is not None:
        spread = "" if view.temperature_u_k is None else f" ± {format_uncertainty(view.temperature_u_k)}"
        basis = f", told by {view.basis}" if view.basis else ""
        parts.append(f"The winding is at {view.temperature_degc:.0f}{spread} °C{basis}.")
    if view.headroom_pct is not None:
        least = "" if view.least_pct is None else f"; at least {view.least_pct:.3g} % is to be left"
        parts.append(f"Headroom is {format_quantity('headroom', view.headroom_pct)} now{least}.")
    if view.corner_pct is not None:
        alone = view.headroom_pct is None and view.least_pct is not None
        least = f", of at least {view.least_pct:.3g} %" if alone else ""
        corner = "With the coil as hot and the supply as low as the sheet allows, headroom is"
        parts.append(f"{corner} {format_quantity('headroom', view.corner_pct)}{least}.")
    if view.clips_at_degc is not None:
        parts.append(f"With the supply as it is, current would stop short from {view.clips_at_degc:.0f} °C on.")
    if view.clips_at_v is not None:
        parts.append(f"With the winding as it is, below {view.clips_at_v:.1f} V.")
    if view.clips_from_ns is not None:
        parts.append(f"At the present pace that begins about {time.day(view.clips_from_ns)}.")
    return " ".join(parts)


def _pictures(view: CoilView, time: PlantTime) -> list[tuple[str, Markup]]:
    figures = []
    for label, values, draw in (
        ("winding temperature, °C", view.degc, temperature_svg),
        ("headroom, %", view.pct, headroom_svg),
    ):
        known = values[np.isfinite(values)]
        if known.size:
            words = (
                f"{label}, last two days, {known.size} hours: from {known.min():.1f} to {known.max():.1f}, "
                f"last {known[-1]:.1f}."
            )
            figures.append((label, draw(view, time, words)))
    return figures


def _rows(view: CoilView, time: PlantTime) -> list[list[str]]:
    columns = (view.time_ns.tolist(), view.degc.tolist(), view.u_k.tolist(), view.pct.tolist())
    return [
        [time.full(at_ns), *("–" if math.isnan(value) else f"{value:.1f}" for value in row)]
        for at_ns, *row in zip(*columns, strict=True)
    ]

"""The coil in words, two pictures and numbers, or why it is not known."""

from __future__ import annotations

import math

import numpy as np
from asleft.sheet.names import format_uncertainty
from asleft.web.figures.coil import headroom_svg, temperature_svg
from asleft.web.fragments.csv_link import csv_link, csv_of_stretch
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.views.coil import CoilView
from asleft.web.when import PlantTime


def coil(view: CoilView, valve: str, time: PlantTime) -> Markup:
    """A section's contents."""
    head = el("h2", "Coil ", el("small", "temperature of the winding, and headroom"))
    missing = [el("p", text, class_="key") for text in view.why_not]
    if not view.known:
        return join(head, *missing)
    file = csv_link(csv_of_stretch(valve, "history", view.from_ns, view.to_ns), "resistance and headroom")
    said = _said(view, time)
    return join(
        el("h2", "Coil ", el("small", "temperature of the winding, and headroom"), file),
        el("p", said, class_="coil") if said else None,
        *missing,
        _pictures(view, time),
    )


def _said(view: CoilView, time: PlantTime) -> str:
    parts = []
    if view.temperature_degc is not None:
        spread = "" if view.temperature_u_k is None else f" ± {format_uncertainty(view.temperature_u_k)}"
        basis = f", told by {view.basis}" if view.basis else ""
        parts.append(f"The winding is at {view.temperature_degc:.0f}{spread} °C{basis}.")
    if view.headroom_pct is not None:
        least = "" if view.least_pct is None else f"; at least {view.least_pct:.3g} % is to be left"
        parts.append(f"Headroom is {view.headroom_pct:.1f} % now{least}.")
    if view.corner_pct is not None:
        alone = view.headroom_pct is None and view.least_pct is not None
        least = f", of at least {view.least_pct:.3g} %" if alone else ""
        corner = "With the coil as hot and the supply as low as the sheet allows, headroom is"
        parts.append(f"{corner} {view.corner_pct:.1f} %{least}.")
    if view.clips_at_degc is not None:
        parts.append(f"With the supply as it is, current would stop short from {view.clips_at_degc:.0f} °C on.")
    if view.clips_at_v is not None:
        parts.append(f"With the winding as it is, below {view.clips_at_v:.1f} V.")
    if view.clips_from_ns is not None:
        parts.append(f"At the present pace that begins about {time.day(view.clips_from_ns)}.")
    return " ".join(parts)


def _pictures(view: CoilView, time: PlantTime) -> Markup | None:
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
            figures.append(el("figure", el("figcaption", el("b", label)), draw(view, time, words)))
    if not figures:
        return None
    rows: list[list[Child]] = [
        [time.full(at_ns), *("–" if math.isnan(value) else f"{value:.1f}" for value in row)]
        for at_ns, *row in zip(
            view.time_ns.tolist(), view.degc.tolist(), view.u_k.tolist(), view.pct.tolist(), strict=True
        )
    ]
    columns = ["judged until", "winding, °C", "uncertainty, K", "headroom, %"]
    return join(
        el("div", *figures, class_="histories"),
        el("p", _KEY, class_="key"),
        details(
            "The same in words and numbers",
            table("Coil over the last two days", columns, rows, numeric=frozenset({1, 2, 3})),
            key="coil-words",
        ),
    )


_KEY = (
    "Dot: as judged at the end of each hour, whisker: its uncertainty for 95 %. Line: hottest winding by the sheet. "
    "Dashed: where current would stop short, or the least headroom that is to be left."
)

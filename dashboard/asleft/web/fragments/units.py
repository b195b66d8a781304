"""The switch of pressure units in the frame of every page: three buttons of one form, which needs no script."""

from __future__ import annotations

from asleft.web.markup import Markup, el
from asleft.web.units import CHOICES, Pressures

ROUTE = "/units"
FIELD = "pressure"


def unit_switch(shown: Pressures, word: str) -> Markup:
    """The form; `word` is the token that a signed-in visitor's forms repeat."""
    return el(
        "form",
        el("input", type="hidden", name="_csrf_token", value=word) if word else None,
        *(
            el(
                "button",
                unit,
                type="submit",
                name=FIELD,
                value=unit,
                id=f"unit-{unit}",
                aria_pressed="true" if unit == shown.unit else "false",
                title=f"Show pressures in {unit}",
            )
            for unit in CHOICES
        ),
        method="post",
        action=ROUTE,
        class_="units",
        aria_label="Pressures in",
    )

"""Colours by day and by night, one place for style sheet and figures, and the style sheet made from them.

Contrast on every ground passes WCAG 2.2 AA in both (tested). Figures are drawn in the colours of the day; what the
style sheet says of plots puts those of the page's theme in their place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.web.asset_files import FOLDER

STYLE = FOLDER / "palette.css"


@dataclass(frozen=True, slots=True)
class Ink:
    """One colour of the page: its name in the style sheet, and what it is by day and by night."""

    name: str
    day: str
    night: str


INKS = (
    Ink("ground", "#F5F6F6", "#14181B"),
    Ink("sheet", "#FFFFFF", "#1C2226"),
    Ink("text", "#1F2429", "#E4E9EC"),
    Ink("muted", "#4A5259", "#AFB9C0"),
    Ink("measured", "#3D4F5C", "#B4C9D8"),
    Ink("expected", "#6A7278", "#95A2AB"),
    Ink("band", "#DCE1E4", "#2F383F"),
    Ink("plot-band", "#C6D0D8", "#3A4B58"),  # on the sheet, where the paler one would vanish
    Ink("plot-pale", "#E9EEF1", "#262F36"),  # behind points that matter more
    Ink("fan", "#E4DDEE", "#3A3150"),  # where a forecast may lead
    Ink("line", "#9AA3A9", "#77838B"),
    Ink("rule", "#D5DADD", "#39434A"),
    Ink("now", "#A80F1E", "#FF948C"),  # severity 3
    Ink("shift", "#8A4B00", "#F0AC62"),  # severity 2, and out of tolerance
    Ink("digest", "#5B3A8C", "#C6AEF5"),  # severity 1
    Ink("accent", "#0B5CAD", "#84BDF5"),  # links and focus, nothing else
)
_DAY = {ink.name: ink.day for ink in INKS}

GROUND = _DAY["ground"]
TEXT = _DAY["text"]
MUTED = _DAY["muted"]
MEASURED = _DAY["measured"]
EXPECTED = _DAY["expected"]
BAND = _DAY["band"]
PLOT_BAND = _DAY["plot-band"]
PLOT_PALE = _DAY["plot-pale"]
RULE = _DAY["rule"]
NOW = _DAY["now"]
SHIFT = _DAY["shift"]
DIGEST = _DAY["digest"]
ACCENT = _DAY["accent"]

#: With forced colours everything is drawn in these (CSS Color 4, system colours), pictures too.
_FORCED = {
    **dict.fromkeys((ink.name for ink in INKS), "CanvasText"),
    **dict.fromkeys(("ground", "sheet"), "Canvas"),
    **dict.fromkeys(("band", "plot-band", "plot-pale", "fan"), "color-mix(in srgb, GrayText 35%, Canvas)"),
    **dict.fromkeys(("line", "rule"), "GrayText"),
    "accent": "LinkText",
}


def style_sheet() -> str:
    """`palette.css`: the variables of each theme, and pictures in the colours of the page."""
    day, night = ({ink.name: getattr(ink, theme).lower() for ink in INKS} for theme in ("day", "night"))
    themes = (("(prefers-color-scheme: dark)", night), ("(forced-colors: active)", _FORCED))
    return (
        "/* Made from palette.py; a test holds it to that. */\n"
        f":root {{\n  color-scheme: light dark;\n{_variables(day, '  ')}}}\n"
        + "".join(
            f"@media screen and {when} {{\n  :root {{\n{_variables(inks, '    ')}  }}\n}}\n" for when, inks in themes
        )
        + f"@media {', '.join(f'screen and {when}' for when, _ in themes)} {{\n{_pictures()}}}\n"
    )


def _variables(inks: Mapping[str, str], indent: str) -> str:
    return "".join(f"{indent}--{name}: {ink};\n" for name, ink in inks.items())


def _pictures() -> str:
    """Plots write the colours of the day into the style of their elements; the server's pictures have attributes."""
    rules = []
    for ink in (*INKS, Ink("text", "#000000", "")):
        written = "rgb({}, {}, {})".format(*(int(ink.day[i : i + 2], 16) for i in (1, 3, 5)))
        for kind in ("fill", "stroke"):
            plot = f'.js-plotly-plot [style*="{kind}: {written}"]'
            drawn = f'.picture [{kind}="{ink.day}"], .picture [style*="{kind}:{ink.day}"]'
            rules.append(f"  {plot}, {drawn} {{ {kind}: var(--{ink.name}) !important; }}\n")
    return "".join(rules)


if __name__ == "__main__":
    STYLE.write_text(style_sheet())

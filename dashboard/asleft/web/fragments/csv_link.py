"""The link beside a table or a plot that gives the same for a spreadsheet."""

from __future__ import annotations

from urllib.parse import quote, urlencode

from asleft.web.markup import Markup, el
from asleft.web.tables.text import utc


def csv_link(href: str, of: str) -> Markup:
    """The link; `of` says of what it is to whoever cannot see beside what it stands."""
    return el("a", "CSV", href=href, data_load=True, class_="csv", aria_label=f"CSV, {of}")


def csv_of_valve(valve: str, what: str) -> str:
    """Address of one of a valve's tables."""
    return f"/csv/{quote(valve, safe='')}/{what}"


def csv_of_stretch(valve: str, what: str, from_ns: int, to_ns: int) -> str:
    """Address of one of a valve's tables over a stretch of time."""
    return f"{csv_of_valve(valve, what)}?{urlencode({'from': utc(from_ns), 'to': utc(to_ns)}, safe=':')}"


def window_csv(valve: str, from_ns: int, to_ns: int) -> Markup:
    """Readings and machine states of the stretch that the plot over time shows."""
    return el(
        "p",
        "This stretch as a table: ",
        el("a", "readings, CSV", href=csv_of_stretch(valve, "window", from_ns, to_ns), data_load=True, class_="csv"),
        el(
            "a",
            "machine states, CSV",
            href=csv_of_stretch(valve, "states", from_ns, to_ns),
            data_load=True,
            class_="csv",
        ),
        class_="key",
    )

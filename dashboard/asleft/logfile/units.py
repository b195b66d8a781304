"""Units as loggers spell them: a table from spellings to the unit and what it measures."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from asleft.logfile.words import folded, in_brackets


@dataclass(frozen=True, slots=True)
class FoundUnit:
    """A unit of a column: its dimension, and the symbol a map knows it by (the spelling itself if maps know none)."""

    dimension: str
    symbol: str


#: (dimension, symbol) -> spellings, folded, without blanks. A dimension "other" is of no channel.
_SPELLINGS: Mapping[tuple[str, str], str] = {
    ("current", "A"): "a amp amps ampere amperes",
    ("current", "mA"): "ma milliamp milliamps milliampere mamp",
    ("voltage", "V"): "v volt volts vdc",
    ("voltage", "mV"): "mv millivolt millivolts",
    ("share", "%"): "% percent prozent pct procent pourcent %fs %f.s.",
    ("pressure", "bar"): "bar barg bar(g) barrel bars barue",
    ("pressure", "psi"): "psi psig psi(g) lbf/in2 lb/in2",
    ("pressure", "MPa"): "mpa n/mm2 n/mm^2",
    ("pressure", "kPa"): "kpa",
    ("unknown pressure", ""): "bara bar(a) psia pa hpa mbar mmhg kgf/cm2 kg/cm2 kgf/cm^2 kg/cm^2 at atm inhg mmh2o",
    ("time", "seconds"): "s sec secs second seconds sekunde sekunden sek segundos secondes secondi",
    ("time", "milliseconds"): "ms msec millisecond milliseconds millisekunden",
    ("time", "microseconds"): "us usec μs microseconds microsecond",
    ("time", "nanoseconds"): "ns nsec nanoseconds",
    ("time", "minutes"): "min mins minutes minuten",
    ("time", "hours"): "h hr hrs hours stunden",
    ("temperature", "degC"): "c degc °c oc celsius grad ℃",
    ("temperature", "degF"): "f degf °f fahrenheit ℉",
    ("counts", "counts"): "count counts cnt cnts digit digits raw lsb inc adc int dec",
    (
        "other",
        "",
    ): """hz khz l/min lpm gpm l/s m3/h mm m cm inch um rpm 1/min min-1 u/min n kn nm kw w ohm ω g m/s mm/s kg
        v/v db °""",
}

_BY_SPELLING: Mapping[str, FoundUnit] = {
    folded(spelling): FoundUnit(dimension, symbol or spelling)
    for (dimension, symbol), spellings in _SPELLINGS.items()
    for spelling in spellings.split()
}

#: "Current, A", "p / bar", "Strom in mA", "pressure_bar": the unit behind a mark. A blank alone marks two letters or
#: more.
_AFTER = re.compile(r"(?:\s/\s*|/\s|,\s*|;\s*|\bin\s+|_|:\s*|\.)([^\s,;_:.()\[\]]{1,12})\s*$")
_LAST = re.compile(r"\s([^\s\d]{2,8}|%)\s*$")


def unit_of_text(text: str) -> FoundUnit | None:
    """The unit a text is the name of, "bar" or "[bar]"; None where it is none."""
    bare = text.strip().strip("[](){}<>").strip() if not text.strip().endswith("(g)") else text.strip(" [{<>}]")
    return _BY_SPELLING.get(folded("".join(bare.split())).rstrip("."))


def split_header(header: str) -> tuple[str, FoundUnit | None]:
    """A header without its unit, and the unit: in brackets of any kind, behind a mark or "in", or as a last word."""
    for inner in reversed(in_brackets(header)):
        for piece in (inner, *re.split(r"[,;\s]+", inner)):
            if (found := unit_of_text(piece)) is not None:
                return header.replace(inner, inner.replace(piece, " ")), found
    for pattern in (_AFTER, _LAST):
        match = pattern.search(header)
        if match and (found := unit_of_text(match.group(1))) is not None:
            return header[: match.start()], found
    return header, None


def is_units_row(cells: list[str]) -> bool:
    """Whether a line holds units and nothing else: one at least, and only units, dashes and empty cells."""
    filled = [cell for cell in cells if cell.strip(" -[]()")]
    return bool(filled) and all(_is_unit_cell(cell) for cell in filled)


def _is_unit_cell(cell: str) -> bool:
    if unit_of_text(cell) is not None:
        return True
    # How a time column's form is written where its unit would stand, "dd.mm.yyyy hh:mm:ss".
    return bool(
        re.fullmatch(
            r"[\[(]?[dmyhsf.:/\-, tTDMYHSF]*([hH]{1,2}:[mM]{2}|[yY]{2,4})[dmyhsf.:/\-, DMYHSF]*[\])]?", cell.strip()
        )
    )

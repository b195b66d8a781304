"""The next revision of a sheet, with proposed settings in it: what nobody touched stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import tomlkit
from asleft.sheet.compose import composed
from asleft.sheet.model import Sheet
from asleft.sheet.names import format_uncertainty
from asleft.sheet.reader import read_sheet
from asleft.sheet.tolerances import default_tolerances
from asleft.sheet.units import unit_of_quantity

if TYPE_CHECKING:
    from asleft.judge.propose import Proposed, Wanted

_AT = "at = when the valve was set so, as 2026-03-02T08:10:00Z; until then this is a proposal and cannot be filed"


def proposed_revision(
    sheet: Sheet, toml: str, rows: Sequence[Proposed], wanted: Wanted, *, by: str, why: str
) -> tuple[str, tuple[str, ...]]:
    """The text of the revision after `sheet` (whose text is `toml`), and the settings in it that are new.

    Each new setting has a tolerance: the sheet's own entry, else the usual one, else four times its uncertainty where
    that is wider (see `first_sheet.proposed_tolerance`). `revision.at` stays open: it is a proposal until set.

    Raises:
        SheetError: the proposed settings contradict one another or the rest of the sheet.
    """
    values, doubts = _settings(rows, wanted)
    typed = {name: _typed(sheet, name, value) for name, value in values.items()}
    sizes = _tolerances(sheet, values, doubts)
    own = tomlkit.parse(toml).get("tolerance", {})
    typed |= {f"tolerance__{name}": _typed(sheet, name, size) for name, size in sizes.items() if name not in own}
    tables, faults = composed(toml, typed)
    if faults:
        raise ValueError(f"fields that are numbers were not understood: {faults}")
    for name, doubt in doubts.items():
        tables["as_left"].value.item(name).comment(f"proposed, ± {format_uncertainty(doubt)} for 95 %")
    for name in values.keys() - doubts.keys():
        tables["as_left"].value.item(name).comment("as wanted")
    revision = tomlkit.table()
    revision.add("number", sheet.revision.number + 1)
    revision.add(tomlkit.comment(_AT))
    revision.add("by", by)
    revision.add("why", why)
    tables["revision"] = revision
    text = tomlkit.dumps(tables)
    read_sheet(text, source="the proposed revision")
    return text, tuple(values)


def _settings(rows: Sequence[Proposed], wanted: Wanted) -> tuple[dict[str, float], dict[str, float]]:
    """New settings in stored units, and expanded uncertainties of those that were read off."""
    values = {row.quantity: row.value for row in rows if row.quantity and row.value is not None}
    doubts = {row.quantity: row.uncertainty for row in rows if row.quantity in values and row.uncertainty is not None}
    ends = (("pressure_at_zero", wanted.zero_bar), ("pressure_at_full", wanted.full_bar))
    return {**values, **{name: bar for name, bar in ends if bar is not None}}, doubts


def _tolerances(sheet: Sheet, values: Mapping[str, float], doubts: Mapping[str, float]) -> dict[str, float]:
    from asleft.judge.propose import proposed_tolerance

    as_left = {**sheet.as_left, **values}
    left = replace(sheet, as_left=as_left, tolerance=default_tolerances(as_left, sheet.characteristic))
    sizes = {name: min(left.tolerance[name].below, left.tolerance[name].above) for name in values}
    for name, doubt in doubts.items():
        wide = proposed_tolerance(left, name, doubt)
        sizes[name] = sizes[name] if wide is None else wide
    return sizes


def _typed(sheet: Sheet, quantity: str, value: float) -> str:
    """As typed into the sheet: in the unit that it is entered in, to four digits."""
    return f"{unit_of_quantity(quantity, sheet.entered_units).from_stored(value):.4g}"

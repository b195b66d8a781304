"""What was measured when an alarm's condition was found gone, and why that may not be a repair. Pure words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from asleft.catalogue.finding_kinds import quantities_of
from asleft.sheet.model import QUANTITY_UNITS, Sheet
from asleft.sheet.names import LABELS, format_pair, format_quantity, format_tolerance, unit_symbol

_OBSERVED = frozenset({"in", "out", "undecided"})


class Measured(Protocol):
    """What this module needs of a judged quantity."""

    @property
    def id(self) -> str:
        """Name of the quantity."""
        ...

    @property
    def as_left(self) -> float | None:
        """What the sheet says."""
        ...

    @property
    def as_found(self) -> float | None:
        """What was measured, None where not observed."""
        ...

    @property
    def verdict(self) -> str:
        """In, out, undecided or not observed."""
        ...


def gone_words(kind: str, quantities: Iterable[Measured], before: Sheet | None, now: Sheet) -> str:
    """Why an alarm of that kind is gone: whether the sheet was changed to meet it, and what was measured.

    `before`: the sheet under which it was called, `now`: that in force, by which `quantities` were judged.
    """
    names = quantities_of(kind)
    by_id = {quantity.id: quantity for quantity in quantities if quantity.as_left is not None}
    told = [_told(by_id[name]) for name in names if name in by_id]
    anew = before is not None and before.revision.number != now.revision.number
    changed = _changed(names, before, now) if before is not None and anew else []
    if changed:
        words = f"Sheet {now.revision.number} was changed to meet it: {', '.join(changed)}."
        said = [f"{words} That repaired nothing by itself."]
    elif anew and not any(one.verdict in _OBSERVED for one in by_id.values() if one.id in names):
        return f"Judging began anew with sheet {now.revision.number}; it has not been measured again yet."
    else:
        said = []
    if told:
        said.append(f"Measured then: {'; '.join(told)}.")
    elif not said:
        said.append("Nothing of it was seen any more in the readings.")
    return " ".join(said)


def _told(quantity: Measured) -> str:
    label = LABELS[quantity.id]
    if quantity.verdict not in _OBSERVED:
        return f"{label} not observed"
    found, left = format_pair(quantity.id, quantity.as_found, quantity.as_left)
    return f"{label} {found}, left at {left} ({quantity.verdict!s})"


def _changed(names: Iterable[str], before: Sheet, now: Sheet) -> list[str]:
    """What of these quantities another revision says otherwise: the value, or its tolerance."""
    out = []
    for name in names:
        if name not in before.as_left and name not in now.as_left:
            continue
        was, is_ = before.as_left.get(name), now.as_left.get(name)
        if was != is_:
            out.append(f"{LABELS[name]} from {format_quantity(name, was)} to {format_quantity(name, is_)}")
        elif before.tolerance.get(name) != now.tolerance.get(name):
            ends = [format_tolerance(sheet.tolerance[name]) for sheet in (before, now) if name in sheet.tolerance]
            out.append(
                f"the tolerance of {LABELS[name]} from {' to '.join(ends)} {unit_symbol(QUANTITY_UNITS[name])}"
            )
    return out

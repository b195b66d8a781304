"""Two recordings of a valve, before and after a retune, on paper: what changed, and each of the two as found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from asleft.judge.types import QuantityResult
from asleft.sheet.model import QUANTITY_UNITS
from asleft.sheet.names import LABELS, decimals_for, format_pair, format_quantity, format_uncertainty, unit_symbol
from asleft.web.paper import bound
from asleft.web.report.one_file import Recording, file_report
from asleft.web.templates import filled
from asleft.web.when import PlantTime
from asleft.web.words_check import REPORT_NO_VALIDATION


@dataclass(frozen=True, slots=True)
class Difference:
    """One setting before and after. `change` and `uncertainty` (expanded, 95 %) are None where a side lacks it.

    What calibration leaves unsure is the same on both sides and cancels; `uncertainty` is of the change alone.
    """

    quantity: str
    before: float | None
    after: float | None
    change: float | None
    uncertainty: float | None
    why: str

    @property
    def word(self) -> str:
        """What is to be said of it."""
        if self.change is None or self.uncertainty is None:
            return self.why
        return "changed" if abs(self.change) > self.uncertainty else "no change seen"


def differences(before: Sequence[QuantityResult], after: Sequence[QuantityResult]) -> list[Difference]:
    """Setting by setting, in the order of the sheet after."""
    earlier = {one.id: one for one in before}
    return [_difference(earlier.get(one.id), one) for one in after]


def _difference(before: QuantityResult | None, after: QuantityResult) -> Difference:
    first = None if before is None else before.as_found
    if before is None or first is None or after.as_found is None:
        missing = [
            f"{side}: {one.reason or 'not observed'}"
            for side, one in (("before", before), ("after", after))
            if one is not None and one.as_found is None
        ]
        why = "; ".join(missing) or "before: not on that sheet"
        return Difference(after.id, first, after.as_found, None, None, f"not compared ({why})")
    sides = [one.uncertainty if one.change_uncertainty is None else one.change_uncertainty for one in (before, after)]
    unsure = math.hypot(*(math.inf if side is None else side for side in sides))
    return Difference(after.id, first, after.as_found, after.as_found - first, unsure, "")


def before_after_report(
    before: Recording, after: Recording, time: PlantTime, made_ns: int, version: str, *, size: str = "a4"
) -> str:
    """The whole document."""
    lines = differences(before.judgement.quantities, after.judgement.quantities)
    changed = [LABELS[line.quantity] for line in lines if line.word == "changed"]
    title = f"Before and after, {after.sheet.label}"
    front = filled(
        "report/before_after.html",
        title=title,
        head=f"Changed: {', '.join(changed)}." if changed else "No change is seen in any setting.",
        made=f"{time.full(made_ns)}, {time.name}",
        no_validation=REPORT_NO_VALIDATION,
        rows=[row(line) for line in lines],
    )
    documents = [
        (words, file_report(one, time, made_ns, version, size=size))
        for words, one in (("Before, as found", before), ("After, as found", after))
    ]
    return bound(title, f"{title} · asleft {version} · made {time.full(made_ns)}", front, documents, size=size)


def row(line: Difference) -> list[str]:
    """What was found on either side, with digits enough to read off a change that was seen, and the change."""
    seen = line.word == "changed"
    first, last = (
        format_pair(line.quantity, line.before, line.after)
        if seen
        else (format_quantity(line.quantity, line.before), format_quantity(line.quantity, line.after))
    )
    label = LABELS[line.quantity].replace(" ", "\u00a0")
    return [label, first, last, _change(line), format_uncertainty(line.uncertainty), line.word]


def _change(line: Difference) -> str:
    """As fine as what is unsure of it."""
    if line.change is None:
        return "–"
    unsure = format_uncertainty(line.uncertainty).partition(".")[2]
    text = f"{line.change:+.{max(decimals_for(line.quantity, line.change), len(unsure))}f}".replace("-", "−")
    shown = text if text.strip("+−0.") else text[1:]  # a sign before nothing would say that there is something
    return f"{shown} {unit_symbol(QUANTITY_UNITS[line.quantity])}"

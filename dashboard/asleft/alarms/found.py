"""What alarms turned out to be, and how often the part named first was the right one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from asleft.alarms.states import AlarmView

NOTHING = "nothing"
NOT_LOOKED = "not-looked"
INTENDED = "intended"
OTHER = "other"

#: What somebody may have found, beside a part.
FOUND_WORDS: Mapping[str, str] = {
    INTENDED: "changed on purpose",
    NOTHING: "nothing wrong",
    NOT_LOOKED: "nobody looked",
    OTHER: "something else",
}


@dataclass(frozen=True, slots=True)
class HitRate:
    """How often the likely part was the part: `hits` of `cases`, and Wilson's interval for 95 %."""

    hits: int
    cases: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Hits over cases, NaN without any."""
        return self.hits / self.cases if self.cases else math.nan


def hit_rate(views: Iterable[AlarmView]) -> HitRate:
    """Over the alarms of which somebody said what they were.

    "Nothing wrong" and "something else" count as misses. "Nobody looked" says nothing of the judge and is left out;
    so is "changed on purpose", unless a setting was named: then it was right.
    """
    hits = cases = 0
    for view in views:
        if view.found in ("", NOT_LOOKED) or (view.found == INTENDED and view.part != "driver-setting"):
            continue
        cases += 1
        hits += view.found == view.part or view.found == INTENDED
    low, high = wilson(hits, cases)
    return HitRate(hits, cases, low, high)


def wilson(hits: int, cases: int, z: float = 1.959964) -> tuple[float, float]:
    """Wilson's score interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927); (0, 1) without cases."""
    if cases == 0:
        return 0.0, 1.0
    share = hits / cases
    centre = share + z * z / (2 * cases)
    spread = z * math.sqrt(share * (1.0 - share) / cases + z * z / (4.0 * cases * cases))
    whole = 1.0 + z * z / cases
    return max((centre - spread) / whole, 0.0), min((centre + spread) / whole, 1.0)

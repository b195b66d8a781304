"""How large the data folder was during the last day: one size every half hour, kept with the recorder's own figures.

Pure. What an earlier recorder wrote is taken over, so that a restart does not begin the day anew.
"""

from __future__ import annotations

EVERY_NS = 1800 * 10**9
KEPT_NS = 25 * 3600 * 10**9


class Growth:
    """Sizes of the last day, oldest first."""

    def __init__(self, earlier: object = None) -> None:
        """`earlier`: the list as it was written before; whatever is no such list is left out."""
        self._sizes = [pair for one in (earlier if isinstance(earlier, list) else []) if (pair := _pair(one))]

    def seen(self, at_ns: int, size_bytes: int) -> list[list[int]]:
        """Take a size in, if half an hour has gone by since the last; all that are kept, as [unix ns, bytes]."""
        self._sizes = [one for one in self._sizes if at_ns - KEPT_NS <= one[0] <= at_ns]
        if not self._sizes or at_ns - self._sizes[-1][0] >= EVERY_NS:
            self._sizes.append((at_ns, size_bytes))
        return [list(one) for one in self._sizes]


def _pair(one: object) -> tuple[int, int] | None:
    if isinstance(one, list) and len(one) == 2 and all(type(part) is int for part in one):
        return one[0], one[1]
    return None

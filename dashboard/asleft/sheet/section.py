"""One table of a sheet or of a log map: a table of a settings file that knows the sheet's limits and units."""

from __future__ import annotations

from collections.abc import Mapping

from asleft.sheet.limits import Limits
from asleft.wire import settings
from asleft.wire.settings import PLAIN as PLAIN
from asleft.wire.settings import parse_toml as parse_toml


class Section(settings.Section):
    """See `asleft.wire.settings.Section`."""

    def within(self, key: str, limits: Limits, units: Mapping[str, str]) -> float | None:
        """A finite number in stored units, within limits; `units` are the file's."""
        return self.number(
            key,
            limits.low,
            limits.high,
            limits.entered(units),
            above_low=limits.above_low,
            difference=limits.difference,
        )

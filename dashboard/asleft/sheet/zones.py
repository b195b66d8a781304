"""Time zones by name or fixed offset."""

from __future__ import annotations

import re
from datetime import timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

ZONE_WANTED = 'must be the name of a time zone, as "Europe/Vienna", or a fixed offset, as "+01:00"'


def find_zone(name: str) -> tzinfo | None:
    """The time zone of an IANA name, "UTC", or a fixed offset "+01:00"; None if there is no such zone."""
    fixed = re.fullmatch(r"([+-])(\d\d):?(\d\d)", name)
    if fixed:
        sign, hours, minutes = fixed.groups()
        shift = timedelta(hours=int(hours), minutes=int(minutes))
        return timezone(shift if sign == "+" else -shift) if shift < timedelta(hours=24) else None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None

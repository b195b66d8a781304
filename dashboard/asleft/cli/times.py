"""Times as options give them."""

from __future__ import annotations

from datetime import datetime, tzinfo

from asleft.cli.errors import UserError


def time_of(option: str, text: str | None, zone: tzinfo) -> int | None:
    """Nanoseconds of an ISO date or time, in `zone` where it names none. Raises `UserError`."""
    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise UserError(f'{option} {text}: wanted as "2026-03-02" or "2026-03-02T06:00"') from error
    return round((at if at.tzinfo is not None else at.replace(tzinfo=zone)).timestamp() * 1e9)

"""Times as options give them."""

from __future__ import annotations

import os
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from asleft.cli.errors import UserError
from asleft.sheet.zones import ZONE_WANTED, find_zone

#: Names of the zone database for UTC.
_UTC = frozenset(
    {"utc", "uct", "zulu", "universal", "gmt", "etc/utc", "etc/uct", "etc/zulu", "etc/universal", "etc/gmt"}
)


def time_of(option: str, text: str | None, zone: tzinfo) -> int | None:
    """Nanoseconds of an ISO date or time, in `zone` where it names none. Raises `UserError`."""
    at = moment_of(option, text, zone)
    return None if at is None else round(at.timestamp() * 1e9)


def moment_of(option: str, text: str | None, zone: tzinfo) -> datetime | None:
    """The moment of an ISO date or time, in `zone` where it names none. Raises `UserError`."""
    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise UserError(f'{option} {text}: wanted as "2026-03-02" or "2026-03-02T06:00"') from error
    return at if at.tzinfo is not None else at.replace(tzinfo=zone)


def zone_named(name: str) -> tzinfo:
    """The zone that `--zone` names; the very object `UTC` for UTC. Raises `UserError` where there is none."""
    zone = UTC if name.upper() in ("UTC", "Z") else find_zone(name)
    if zone is None:
        raise UserError(f"--zone {name}: {ZONE_WANTED}")
    return zone


def machine_zone(localtime: Path = Path("/etc/localtime")) -> str:
    """The IANA name of this machine's own zone: TZ in the environment, else what `localtime` is a link to.

    "UTC" where neither names a zone of the database (a rule written out, as TZ=CET-1CEST; a copied file).
    """
    name = os.environ.get("TZ", "").removeprefix(":")
    if not name:
        _, _, name = os.path.realpath(localtime).partition("/zoneinfo/")
        name = name.removeprefix("posix/").removeprefix("right/")
    known = bool(name) and not name.startswith(("/", "+", "-")) and find_zone(name) is not None
    return name if known and name.casefold() not in _UTC else "UTC"

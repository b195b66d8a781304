"""How large the store is, and when its disk will be full at the rate of the last day; where unknown, why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from asleft.store.protocols import Health
from asleft.web.when import age

LEAST_S = 3600.0
"""A rate from less time than this would be that of a moment."""
SOON_DAYS = 14.0
FULL_BYTES = 16_000_000
"""A disk with less room than this is called full: commits of a few megabytes fail by turns."""
LONGEST_DAYS = 3650.0
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Room:
    """The data folder in words; `full_in_days` None where that is not known, or not in sight."""

    folder: str
    forecast: str
    full_in_days: float | None


def room_of(recorder: Health | None, now_ns: int, free_now: int | None = None) -> Room | None:
    """From what the recorder says of its store; None while it has said nothing.

    `free_now`: what the disk has left (bytes), where the pages can ask it themselves. On a full disk the recorder
    cannot say so.
    """
    said = recorder.details.get("store") if recorder is not None else None
    if not isinstance(said, Mapping):
        return None
    size, free = integer(said, "folder_bytes"), integer(said, "free_bytes")
    free = free_now if free is not None and free_now is not None else free
    if size is None or free is None:
        return Room(
            "not known here: the readings are on another server",
            "not known: how full that server's disk is, only that server says",
            None,
        )
    folder = f"{size_words(size)}, {size_words(free)} free on its disk"
    if free < FULL_BYTES:
        return Room(folder, "now", 0.0)
    earlier = _earliest(said, now_ns)
    watched_s = (now_ns - earlier[0]) / 1e9 if earlier is not None else 0.0
    if earlier is None or watched_s < LEAST_S:
        return Room(folder, f"not known yet: watched for {age(watched_s)}, and a rate needs an hour", None)
    rate = (size - earlier[1]) / watched_s * _DAY_S  # bytes a day
    over = f"the last {age(watched_s)}"
    if rate < 1e5:
        return Room(folder, f"not in sight: it did not grow in {over}", None)
    days = free / rate
    if days > LONGEST_DAYS:
        return Room(folder, f"not within ten years, at {size_words(round(rate))} a day as in {over}", None)
    forecast = f"in about {_days(days)}, at {size_words(round(rate))} a day as in {over}{_kept(said)}"
    return Room(folder, forecast, days)


def size_words(size: int) -> str:
    """Bytes as people read them."""
    value = float(size)
    for unit in ("bytes", "kB", "MB", "GB"):
        if value < 1000 or unit == "GB":
            return f"{value:.0f} {unit}" if unit in ("bytes", "kB") else f"{value:.1f} {unit}"
        value /= 1000
    return f"{size} bytes"


def _earliest(said: Mapping[str, Any], now_ns: int) -> tuple[int, int] | None:
    sizes = said.get("sizes")
    for one in sizes if isinstance(sizes, list) else []:
        if isinstance(one, list) and len(one) == 2 and all(isinstance(part, int) for part in one) and one[0] < now_ns:
            return one[0], one[1]
    return None


def _days(days: float) -> str:
    if days < 1.5:
        return age(days * _DAY_S)
    return f"{days:.0f} days" if days < 730 else f"{days / 365.25:.0f} years"


def _kept(said: Mapping[str, Any]) -> str:
    kept = str(said.get("keeps_raw", ""))
    return f"; readings are kept {kept}, so it may stop growing before" if kept.endswith("days") else ""


def integer(details: Mapping[str, Any], *keys: str) -> int | None:
    """The first of the keys that holds a number, as an integer."""
    for key in keys:
        value = details.get(key)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return int(value)
    return None

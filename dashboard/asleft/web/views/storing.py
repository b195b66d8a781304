"""Whether what the presses send can be stored and seen at all; how full the disk is; what recorders say.

Asked before any press or agent is called silent: what cannot be stored looks like it from here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from asleft.store.protocols import Health
from asleft.web.availability import Place
from asleft.web.source import Source
from asleft.web.when import age

# How large the store is, and when its disk will be full at the rate of the last day; where unknown, why.

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


# What several recorders say of themselves, each on its own and together as if they were one.

ALONE = "recorder"
_BESIDE = "recorder/"
REPORT_WITHIN_S = 30.0
"""A process reports every few seconds; one silent for longer is taken for gone."""
FORGET_S = 86_400.0
"""A recorder silent for longer is not listed any more."""
_SUMS = ("queue_depth", "quarantined", "left", "duplicates", "commit_failures", "blocks_per_s")


def recorder_of(rows: Mapping[str, Health], now_ns: int) -> Health | None:
    """The recorder's word: of the one that works alone, or what those that share the agents say together."""
    beside = several(rows, now_ns)
    alone = rows.get(ALONE)
    if not beside or (alone is not None and alone.at_ns > beside[0].at_ns):
        return alone
    at_work = [row for row in beside if not _silent(row, now_ns)] or beside[:1]
    return Health(ALONE, at_work[0].at_ns, _together(at_work))


def several(rows: Mapping[str, Health], now_ns: int) -> list[Health]:
    """The rows of recorders that share the agents, the one heard last first."""
    found = [row for source, row in rows.items() if source.startswith(_BESIDE)]
    return sorted((row for row in found if now_ns - row.at_ns < FORGET_S * 1e9), key=lambda row: -row.at_ns)


def recorder_lines(rows: Mapping[str, Health], now_ns: int) -> list[tuple[str, str]]:
    """Name of each recorder of several, and in words which agents it has."""
    lines = []
    for row in sorted(several(rows, now_ns), key=lambda one: one.source):
        owns = row.details.get("owns")
        agents = ", ".join(map(str, owns)) if isinstance(owns, list) and owns else "no agent"
        silent_s = (now_ns - row.at_ns) / 1e9
        words = f"silent for {age(silent_s)}; it had {agents}" if _silent(row, now_ns) else f"has {agents}"
        lines.append((f"recorder {row.source.removeprefix(_BESIDE)}", words))
    return lines


def _silent(row: Health, now_ns: int) -> bool:
    return (now_ns - row.at_ns) / 1e9 > REPORT_WITHIN_S


def _together(rows: list[Health]) -> dict[str, Any]:
    if len(rows) == 1:
        return dict(rows[0].details)
    told = [row.details for row in rows]
    details: dict[str, Any] = dict(told[0])
    for key in _SUMS:
        numbers = [value for one in told if isinstance(value := one.get(key), (int, float))]
        if numbers:
            details[key] = sum(numbers)
    # Stores and broker are the same for all: one that reaches them shows that they are there. A judging process
    # that does not run leaves its valves unjudged, whatever the others do.
    details["broker_connected"] = any(one.get("broker_connected") is not False for one in told)
    details["storing_fails"] = all(one.get("storing_fails") is True for one in told)
    details["judging_alive"] = all(one.get("judging_alive") is not False for one in told)
    failures = [one["judge_failures"] for one in told if isinstance(one.get("judge_failures"), Mapping)]
    details["judge_failures"] = {valve: failure for some in failures for valve, failure in some.items()}
    alarms = [one["alarms"] for one in told if isinstance(one.get("alarms"), list)]
    details["alarms"] = _distinct(alarm for some in alarms for alarm in some)
    details["refused"] = [row for one in told if isinstance(one.get("refused"), list) for row in one["refused"]]
    details["last_error"] = "; ".join(_distinct(one.get("last_error") for one in told))
    details["version"] = ", ".join(_distinct(one.get("version") for one in told))
    return details


def _distinct(texts: Iterable[object]) -> list[str]:
    return list(dict.fromkeys(str(text) for text in texts if text))


@dataclass(frozen=True, slots=True)
class Progress:
    """History being judged, over all valves."""

    done: int
    total: int

    @property
    def share(self) -> str:
        """In percent."""
        return f"{100 * self.done / self.total if self.total else 0.0:.1f}"

    @property
    def words(self) -> str:
        """What the bar says."""
        return f"History is being judged: {self.done} of {self.total} windows. As-found values appear as it proceeds."


def progress_of(pending: Sequence[tuple[int, int]]) -> Progress | None:
    """Sum over the valves still waiting, None when all is done."""
    return Progress(sum(d for d, _ in pending), sum(t for _, t in pending)) if pending else None


def stores_trouble(source: Source) -> str:
    """What the pages find out themselves: the readings cannot be reached, or the disk is full; else empty."""
    lost = next((one for one in source.away() if one.place is Place.SAMPLES), None)
    if lost is not None:
        since = source.time.moment(lost.since_ns, source.now_ns())
        return f"The readings cannot be reached since {since}: {lost.why.rstrip('.')}."
    free = source.free_bytes()
    if free is not None and free < FULL_BYTES:
        return (
            f"The disk of the data folder is full ({size_words(free)} free): nothing can be stored or judged until "
            "there is room; agents keep their blocks meanwhile, as long as their spools last."
        )
    return ""


def silent_words(recorder: Health | None, now_ns: int) -> str:
    """That the recorder has not reported; empty where it has."""
    if recorder is not None and (now_ns - recorder.at_ns) / 1e9 <= REPORT_WITHIN_S:
        return ""
    since = "" if recorder is None else f" for {age((now_ns - recorder.at_ns) / 1e9)}"
    return (
        f"The recorder has not reported{since}: it does not run, or cannot write here. Nothing is stored or judged "
        "until it does."
    )


def recorder_trouble(recorder: Health | None) -> str:
    """What the recorder says of its broker and its storing; empty where both are well."""
    details: Mapping[str, object] = {} if recorder is None else recorder.details
    if details.get("broker_connected") is False:
        return "The recorder has lost the broker; agents keep their blocks until it is back."
    if details.get("storing_fails") is True:
        why = str(details.get("last_error") or "no reason given").removeprefix("storing failed: ").rstrip(".")
        return f"Nothing can be stored at present; agents keep their blocks until it can be: {why}."
    return ""


def storing_trouble(source: Source, recorder: Health | None, now_ns: int) -> str:
    """Why nothing new can be seen, whatever the presses do; empty where nothing stands in the way."""
    return (
        stores_trouble(source)
        or ("" if recorder is None else silent_words(recorder, now_ns))
        or recorder_trouble(recorder)
    )

"""What several recorders say of themselves, each on its own and together as if they were one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from asleft.store.protocols import Health
from asleft.web.when import age

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

"""What stands still though it should move: writer, broker, an agent that fell silent or whose blocks wait. Pure."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from asleft.store.protocols import StreamMark
from asleft.wire.block import AgentState

log = logging.getLogger(__name__)

STALLED_S = 30.0
"""Whatever should move and has not for so long is an alarm; agents say how they are every 5 s."""
STUCK_S = 4.0
"""A writer that has been at one batch for so long, as while nothing can be stored, takes in no word of agents either:
they wait in the same queue as their blocks, and none of them is silent."""


@dataclass(slots=True)
class _Moved:
    mark: int
    at_s: float


class Watchdog:
    """Looks every two seconds or so. Times are monotonic seconds, except when an agent was heard (wall clock, ns)."""

    def __init__(self, now_s: float) -> None:
        self._connected_s = now_s
        self._stored, self._stored_s = 0, now_s
        self._moved: dict[tuple[str, str], _Moved] = {}
        self._told: set[str] = set()
        self._free_s = now_s  # when the writer was last free to take in what agents say

    def look(
        self,
        now_s: float,
        now_ns: int,
        *,
        busy_since_s: float | None,
        connected: bool,
        agents: Mapping[str, tuple[AgentState, int]],
        marks: Iterable[StreamMark],
        blocks: int | None = None,
        cause: str = "",
    ) -> list[str]:
        """Alarms as they stand, one sentence each; a new one is logged once.

        `blocks` have been stored since the start (None: not counted), and `cause` is what is known to be wrong.
        """
        if connected:
            self._connected_s = now_s
        alarms: dict[str, str] = {}
        if busy_since_s is not None and now_s - busy_since_s > STALLED_S:
            alarms["writer"] = f"The recorder has been storing one batch for {now_s - busy_since_s:.0f} s"
        if now_s - self._connected_s > STALLED_S:
            alarms["broker"] = f"The recorder has had no broker for {now_s - self._connected_s:.0f} s"
        stuck = busy_since_s is not None and now_s - busy_since_s > STUCK_S
        if stuck:
            self._free_s = now_s
        stored = {(mark.agent, mark.stream): mark.mark for mark in marks}
        if blocks is None or blocks != self._stored or not _any_waits(agents, stored):
            self._stored, self._stored_s = blocks or 0, now_s
        if now_s - self._stored_s > STALLED_S:
            why = cause or "no block comes from the broker, though agents say that they have some"
            alarms["storing"] = f"Nothing has been stored for {now_s - self._stored_s:.0f} s: {why}"
        for name, (state, heard_ns) in agents.items():
            silent_s = min((now_ns - heard_ns) / 1e9, now_s - self._free_s)
            alarm = self._agent(name, state, silent_s, stored, now_s) if connected and not stuck else ""
            if alarm:
                alarms[f"agent {name}"] = alarm
        self._log_changes(alarms)
        return list(alarms.values())

    def _log_changes(self, alarms: Mapping[str, str]) -> None:
        for key in alarms.keys() - self._told:
            log.error("%s", alarms[key])
        for key in self._told - alarms.keys():
            log.warning("the alarm about %s is over", key)
        self._told = set(alarms)

    def _agent(
        self, name: str, state: AgentState, silent_s: float, stored: Mapping[tuple[str, str], int], now_s: float
    ) -> str:
        key = (name, state.stream)
        mark = stored.get(key, 0)
        known = self._moved.get(key)
        if known is None or known.mark != mark or mark >= state.highest_seq or not state.online:
            known = self._moved[key] = _Moved(mark, now_s)
        if not state.online:
            return ""  # it says so itself, or the broker did for it
        if silent_s > STALLED_S:
            return f"Agent {name} is connected and has said nothing for {silent_s:.0f} s"
        still_s = now_s - max(known.at_s, self._free_s)
        if still_s > STALLED_S:
            return f"{state.highest_seq - mark} blocks of agent {name} wait, and none has come for {still_s:.0f} s"
        return ""


def _any_waits(agents: Mapping[str, tuple[AgentState, int]], stored: Mapping[tuple[str, str], int]) -> bool:
    """Whether an agent that is there has blocks that are not stored."""
    return any(
        state.online and state.highest_seq > stored.get((name, state.stream), 0)
        for name, (state, _) in agents.items()
    )

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


@dataclass(slots=True)
class _Moved:
    mark: int
    at_s: float


class Watchdog:
    """Looks every two seconds or so. Times are monotonic seconds, except when an agent was heard (wall clock, ns)."""

    def __init__(self, now_s: float) -> None:
        self._connected_s = now_s
        self._moved: dict[tuple[str, str], _Moved] = {}
        self._told: set[str] = set()

    def look(
        self,
        now_s: float,
        now_ns: int,
        *,
        busy_since_s: float | None,
        connected: bool,
        agents: Mapping[str, tuple[AgentState, int]],
        marks: Iterable[StreamMark],
    ) -> list[str]:
        """Alarms as they stand, one sentence each; a new one is logged once."""
        if connected:
            self._connected_s = now_s
        alarms: dict[str, str] = {}
        if busy_since_s is not None and now_s - busy_since_s > STALLED_S:
            alarms["writer"] = f"The recorder has been storing one batch for {now_s - busy_since_s:.0f} s"
        if now_s - self._connected_s > STALLED_S:
            alarms["broker"] = f"The recorder has had no broker for {now_s - self._connected_s:.0f} s"
        stored = {(mark.agent, mark.stream): mark.mark for mark in marks}
        for name, (state, heard_ns) in agents.items():
            alarm = self._agent(name, state, (now_ns - heard_ns) / 1e9, stored, now_s) if connected else ""
            if alarm:
                alarms[f"agent {name}"] = alarm
        for key in alarms.keys() - self._told:
            log.error("%s", alarms[key])
        for key in self._told - alarms.keys():
            log.warning("the alarm about %s is over", key)
        self._told = set(alarms)
        return list(alarms.values())

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
        still_s = now_s - known.at_s
        if still_s > STALLED_S:
            return f"{state.highest_seq - mark} blocks of agent {name} wait, and none has come for {still_s:.0f} s"
        return ""

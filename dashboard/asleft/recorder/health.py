"""What the recorder says about itself, and what agents say about themselves, as rows of the records store.

`recorder` (every 2 s): version, pid, started_at_ns, broker, broker_connected, broker_error, protocol, connections,
queue_depth, queue_limit, messages, blocks, blocks_per_s, gaps, duplicates, quarantined, left, let_go,
commit_failures, writer_failures, callback_failures, network_restarts, writer_busy_s, commit_ms, slowest_commit_ms,
last_error, alarms, store_bytes, store (what it says of itself: where, keeps_raw, keeps_overview, ..., and sizes, of
the last day as [unix ns, bytes]), storing_fails, streams (the 200 heard last: agent, stream, mark, stored,
declared_gap, duplicates, last_at_ns), refused (what agents may not send: agent, valve, kind, words, left, count,
since_ns, at_ns), judging_alive, and of the judging process: judged_lag_s (valve -> s), judge_failures (valve ->
count, message, at_ns).

Where several recorders share the agents the rows are `recorder/<name>`, with owns (list of agents) and not_ours, and
`judging/<name>`.

`judging` (every 2 s, by the judging process): version, pid, judge_version, lag_s, waiting, held, late_blocks,
ahead_blocks, steps (each valve -> number), step_ms, failures (valve -> count, message, at_ns), without_sheet (the
first 100).

`agent/<name>` (when heard): online, stream, highest_seq, acknowledged, at_ns, version, details, mark, stored,
declared_gap, unacknowledged, missing, on_its_way, balances, clock (offset_s, drift_ppm, trouble; null at first), and
recorder: the one that has it, of several; expected_settings (digest, "" of a box that is not expected) where a
folder of expected settings is given.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from asleft.recorder.admission import Refused
from asleft.recorder.broker_link import BrokerLink
from asleft.recorder.clocks import ClockState
from asleft.recorder.ingest import QUEUE_MESSAGES, Ingest
from asleft.recorder.judging import Judging
from asleft.store.invariant import Invariant, invariant
from asleft.store.protocols import Health, SampleReader, StreamMark
from asleft.wire.block import AgentState

__all__ = ["Invariant", "agent_health", "invariant", "judging_health", "program_version", "recorder_health"]

RECORDER = "recorder"
JUDGING = "judging"
EVERY_S = 2.0
"""How often the rows are written."""
MOST_WITHOUT_SHEET = 100
MOST_STREAMS = 200
"""Streams of which the row tells; the store has all."""


def health_source(kind: str, recorder: str | None) -> str:
    """The row of a recorder or its judging process; `recorder` is its name where there are several."""
    return kind if recorder is None else f"{kind}/{recorder}"


def program_version() -> str:
    """The installed version, or "unknown" when it runs from a folder that was never installed."""
    try:
        return version("asleft")
    except PackageNotFoundError:
        return "unknown"


def recorder_health(
    ingest: Ingest,
    link: BrokerLink,
    *,
    store_bytes: int,
    store: Mapping[str, Any],
    judging: Mapping[str, Any],
    judging_alive: bool,
    blocks_per_s: float,
    started_at_ns: int,
    now_ns: int,
    now_s: float,
    alarms: Sequence[str] = (),
    refused: Sequence[Refused] = (),
    recorder: str | None = None,
    owns: Sequence[str] = (),
) -> Health:
    """The row `recorder`; `judging` is the latest row of the judging process.

    `recorder` is our name among several, `owns` the agents that we have.
    """
    counters, marks = ingest.counters, ingest.marks()
    busy_since_s = ingest.busy_since_s
    details: dict[str, Any] = {
        "version": program_version(),
        "pid": os.getpid(),
        "started_at_ns": started_at_ns,
        "broker": f"{link.host}:{link.port}",
        "broker_connected": link.connected,
        "broker_error": link.last_error,
        "protocol": link.protocol,
        "connections": link.reconnects,
        "queue_depth": ingest.queue_depth(),
        "queue_limit": QUEUE_MESSAGES,
        "messages": counters.messages,
        "blocks": counters.blocks,
        "blocks_per_s": round(blocks_per_s, 2),
        "gaps": counters.gaps,
        "duplicates": sum(mark.duplicates for mark in marks),
        "quarantined": ingest.quarantined(),
        "left": counters.left,
        "let_go": counters.let_go,
        "commit_failures": counters.commit_failures,
        "writer_failures": counters.failures,
        "callback_failures": link.callback_failures,
        "network_restarts": link.thread_failures,
        "writer_busy_s": 0.0 if busy_since_s is None else round(now_s - busy_since_s, 3),
        "commit_ms": round(counters.commit_s * 1e3, 2),
        "slowest_commit_ms": round(counters.slowest_commit_s * 1e3, 2),
        "last_error": counters.last_error,
        "alarms": list(alarms),
        "store_bytes": store_bytes,
        "store": dict(store),
        "storing_fails": counters.storing_fails,
        "streams": [_stream(mark) for mark in sorted(marks, key=lambda one: -one.last_at_ns)[:MOST_STREAMS]],
        "refused": [_refused(one) for one in refused],
        "judging_alive": judging_alive,
        "judged_lag_s": judging.get("lag_s", {}),
        "judge_failures": judging.get("failures", {}),
    }
    if recorder is not None:
        details |= {"owns": list(owns), "not_ours": counters.not_ours}
    return Health(health_source(RECORDER, recorder), now_ns, details)


def refusal_alarms(refused: Sequence[Refused]) -> list[str]:
    """The sentences of what agents may not send, those of the first five."""
    words = list(dict.fromkeys(one.refusal.words for one in refused))
    return [f"{text[:1].upper()}{text[1:]}" for text in words[:5]]


def judging_health(
    judging: Judging, samples: SampleReader, judge_version: int, now_ns: int, source: str = JUDGING
) -> Health:
    """The row `judging`."""
    valves = judging.valves
    lag_s: dict[str, float] = {}
    for name, valve in valves.items():
        span = samples.span(name)
        if span is not None and valve.judged_ns is not None:
            lag_s[name] = round(max(0, span[1] - valve.judged_ns) / 1e9, 1)
    details: dict[str, Any] = {
        "version": program_version(),
        "pid": os.getpid(),
        "judge_version": judge_version,
        "lag_s": lag_s,
        "waiting": {name: valve.waiting for name, valve in valves.items() if valve.judged_ns is not None},
        "held": {name: valve.held for name, valve in valves.items() if valve.held},
        "late_blocks": {name: valve.late for name, valve in valves.items() if valve.late},
        "ahead_blocks": {name: valve.ahead for name, valve in valves.items() if valve.ahead},
        "steps": {name: valve.steps for name, valve in valves.items() if valve.steps},
        "step_ms": round(judging.step_s * 1e3, 1),
        "failures": {
            name: {"count": failure.count, "message": failure.message, "at_ns": failure.at_ns}
            for name, valve in valves.items()
            if (failure := valve.failure) is not None
        },
        "without_sheet": judging.without_sheet()[:MOST_WITHOUT_SHEET],
    }
    return Health(source, now_ns, details)


def agent_health(
    state: AgentState,
    heard_ns: int,
    marks: Sequence[StreamMark],
    clock: ClockState | None = None,
    recorder: str | None = None,
    expected_settings: str | None = None,
) -> Health:
    """The row of an agent, with the balance of its stream at the time it was heard, and how its clock stands.

    `expected_settings` is the digest of the settings that the plant side expects of it, where it expects any.
    """
    mark = next((one for one in marks if (one.agent, one.stream) == (state.agent, state.stream)), None)
    balance = invariant(state.highest_seq, state.acknowledged, mark)
    details: dict[str, Any] = {
        "online": state.online,
        "stream": state.stream,
        "highest_seq": state.highest_seq,
        "acknowledged": state.acknowledged,
        "at_ns": state.at_ns,
        "version": state.version,
        "details": dict(state.details),
        "mark": 0 if mark is None else mark.mark,
        "generated": balance.generated,
        "stored": balance.stored,
        "declared_gap": balance.declared_gap,
        "unacknowledged": balance.unacknowledged,
        "missing": balance.missing,
        "on_its_way": balance.on_its_way,
        "balances": balance.balances,
        "clock": None
        if clock is None
        else {
            "offset_s": round(clock.offset_ns / 1e9, 3),
            "drift_ppm": clock.drift_ppm,
            "trouble": clock.trouble,
        },
    }
    if recorder is not None:
        details["recorder"] = recorder
    if expected_settings is not None:
        details["expected_settings"] = expected_settings
    return Health(f"agent/{state.agent}", heard_ns, details)


def _refused(one: Refused) -> dict[str, Any]:
    refusal = one.refusal
    return {
        "agent": one.agent,
        "valve": refusal.subject,
        "kind": refusal.kind,
        "words": refusal.words,
        "left": refusal.left,
        "count": one.count,
        "since_ns": one.since_ns,
        "at_ns": one.at_ns,
    }


def _stream(mark: StreamMark) -> dict[str, Any]:
    return {
        "agent": mark.agent,
        "stream": mark.stream,
        "mark": mark.mark,
        "stored": mark.stored,
        "declared_gap": mark.declared_gap,
        "duplicates": mark.duplicates,
        "last_at_ns": mark.last_at_ns,
    }

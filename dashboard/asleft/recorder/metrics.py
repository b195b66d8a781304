"""The recorder's figures for a machine that collects them, as Prometheus families. Names and units are a promise."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from asleft.recorder.batch import Counters
from asleft.store.protocols import StreamMark
from asleft.wire.block import AgentState
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector


@dataclass(frozen=True, slots=True)
class RecorderFigures:
    """How a recorder stands at one moment; counters are since its start."""

    recorder: str
    version: str
    counters: Counters
    queue: int
    queue_limit: int
    connected: bool
    connections: int
    agents: Mapping[str, tuple[AgentState, int]]
    """Each agent's latest word, and when it was heard (unix ns)."""
    marks: Sequence[StreamMark]
    store_bytes: int
    judging: Mapping[str, Any]
    """The latest row of the judging process."""
    judging_alive: bool


class RecorderCollector(Collector):
    """Asks for the figures whenever somebody collects."""

    def __init__(self, figures: Callable[[], RecorderFigures]) -> None:
        self._figures = figures

    def collect(self) -> Iterator[Metric]:
        """The families."""
        now = self._figures()
        info = InfoMetricFamily("asleft_recorder", "The recorder and its version.")
        info.add_metric([], {"recorder": now.recorder, "version": now.version})
        yield info
        yield from _counted(now)
        yield from _standing(now)
        yield from _of_agents(now)
        yield from _of_judging(now)


def _counted(now: RecorderFigures) -> Iterator[Metric]:
    counters = now.counters
    for name, what, value in (
        ("messages", "Messages taken from the broker.", counters.messages),
        ("blocks", "Blocks stored.", counters.blocks),
        ("gaps", "Losses that agents declared.", counters.gaps),
        ("unusable_messages", "Messages that could not be used and were put aside.", counters.unusable),
        ("let_go_messages", "Messages there was no room for; agents send them again.", counters.let_go),
        ("commits", "Commits to the stores.", counters.commits),
        ("commit_failures", "Commits that failed and were tried again.", counters.commit_failures),
        ("writer_failures", "Times the writer had to begin again.", counters.failures),
        ("broker_connections", "Connections made to the broker.", now.connections),
    ):
        yield CounterMetricFamily(f"asleft_recorder_{name}", what, value=value)
    duplicates = sum(mark.duplicates for mark in now.marks)
    yield CounterMetricFamily("asleft_recorder_duplicate_blocks", "Blocks that came again.", value=duplicates)


def _standing(now: RecorderFigures) -> Iterator[Metric]:
    for name, what, value in (
        ("queue_messages", "Messages that wait to be stored.", now.queue),
        ("queue_limit_messages", "Messages that may wait.", now.queue_limit),
        ("broker_connected", "1 with a connection, else 0.", now.connected),
        ("storing_fails", "1 while the stores take nothing, else 0.", now.counters.storing_fails),
        ("last_commit_seconds", "How long the latest commit took.", now.counters.commit_s),
        (
            "longest_commit_seconds",
            "How long the longest commit took since the start.",
            now.counters.slowest_commit_s,
        ),
        ("store_bytes", "Size of the samples where they are in the data folder.", now.store_bytes),
    ):
        yield GaugeMetricFamily(f"asleft_recorder_{name}", what, value=value)


def _of_agents(now: RecorderFigures) -> Iterator[Metric]:
    marks = {(mark.agent, mark.stream): mark.mark for mark in now.marks}
    online = GaugeMetricFamily("asleft_recorder_agent_online", "1 if the agent is there, else 0.", labels=["agent"])
    heard = GaugeMetricFamily(
        "asleft_recorder_agent_heard_timestamp_seconds", "When it last said how it is.", labels=["agent"]
    )
    waiting = GaugeMetricFamily(
        "asleft_recorder_agent_waiting_blocks", "Blocks it has and that are not stored.", labels=["agent"]
    )
    for agent, (state, heard_ns) in now.agents.items():
        online.add_metric([agent], state.online)
        heard.add_metric([agent], heard_ns / 1e9)
        waiting.add_metric([agent], max(0, state.highest_seq - marks.get((agent, state.stream), 0)))
    yield from (online, heard, waiting)


def _of_judging(now: RecorderFigures) -> Iterator[Metric]:
    lags = now.judging.get("lag_s", {}).values()
    for name, what, value in (
        ("judging_alive", "1 if the judging process runs, else 0.", now.judging_alive),
        ("judging_valves", "Valves that are judged.", len(lags)),
        ("judging_lag_seconds", "How far judging is behind, of the valve furthest behind.", max(lags, default=0.0)),
        ("judging_failing_valves", "Valves whose judging failed.", len(now.judging.get("failures", {}))),
    ):
        yield GaugeMetricFamily(f"asleft_recorder_{name}", what, value=value)

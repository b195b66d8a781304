"""The recorder's metrics: names, units, and figures as they stand."""

from __future__ import annotations

from asleft.recorder.batch import Counters
from asleft.recorder.metrics import RecorderCollector, RecorderFigures
from asleft.store.protocols import StreamMark
from asleft.wire.block import AgentState
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families


def figures(**more: object) -> RecorderFigures:
    state = AgentState("hall-1", True, "stream", highest_seq=12, acknowledged=9, at_ns=0, version="1", details={})
    mark = StreamMark(agent="hall-1", stream="stream", mark=9, declared_gap=0, duplicates=4, last_at_ns=0)
    plain = {
        "recorder": "asleft-recorder",
        "version": "1.2",
        "counters": Counters(messages=20, blocks=12, commit_s=0.25),
        "queue": 3,
        "queue_limit": 2000,
        "connected": True,
        "connections": 2,
        "agents": {"hall-1": (state, 5_500_000_000)},
        "marks": [mark],
        "store_bytes": 4096,
        "judging": {"lag_s": {"a": 1.5, "b": 7.0}, "failures": {"a": {"count": 1}}},
        "judging_alive": True,
    }
    return RecorderFigures(**{**plain, **more})  # type: ignore[arg-type]


def read(now: RecorderFigures) -> dict[str, float]:
    registry = CollectorRegistry()
    registry.register(RecorderCollector(lambda: now))
    values = {}
    for family in text_string_to_metric_families(generate_latest(registry).decode()):
        assert family.documentation.endswith(".")
        for one in family.samples:
            assert one.name.endswith("_total") == (family.type == "counter"), one.name
            values[one.name] = one.value
    return values


def test_the_figures_are_told() -> None:
    values = read(figures())
    told = {
        "messages_total": 20,
        "blocks_total": 12,
        "duplicate_blocks_total": 4,
        "last_commit_seconds": 0.25,
        "agent_online": 1,
        "agent_heard_timestamp_seconds": 5.5,
        "agent_waiting_blocks": 3,
        "judging_lag_seconds": 7.0,
        "judging_valves": 2,
        "judging_failing_valves": 1,
        "storing_fails": 0,
        "broker_connected": 1,
    }
    assert {name: values[f"asleft_recorder_{name}"] for name in told} == told


def test_before_anything_was_heard() -> None:
    values = read(
        figures(agents={}, marks=[], judging={}, judging_alive=False, counters=Counters(storing_fails=True))
    )
    assert values["asleft_recorder_judging_lag_seconds"] == 0.0
    assert values["asleft_recorder_storing_fails"] == 1.0
    assert not any("agent_online" in name for name in values)

"""The live demo over minutes: what its user hurts is lost nowhere, and what is well raises no alarm."""

from __future__ import annotations

import os
import signal
import sqlite3
import time

import pytest
from asleft.store.protocols import RecordStore, SampleReader
from asleft.web.health import HealthView, health_view
from asleft.web.source import Source
from asleft.web.when import PlantTime
from demo_process import LIVE_S, Demo, newest_age_s

pytestmark = pytest.mark.end_to_end

MISSING = "data-missing"


def spooled(demo: Demo, agent: str) -> tuple[int, set[int]]:
    """What an ended agent has generated, and what of it its spool still has: not from anything the recorder says."""
    with sqlite3.connect(demo.folder / "spools" / f"{agent}.db") as spool:
        row = spool.execute("SELECT seq FROM sqlite_sequence WHERE name = 'block'").fetchone()
        return int(row[0]), {seq for (seq,) in spool.execute("SELECT seq FROM block")}


def generated(records: RecordStore, agent: str) -> int:
    """What a running agent says it has generated."""
    return max((int(h.details["highest_seq"]) for h in records.health() if h.source == f"agent/{agent}"), default=0)


def test_kill_of_agent_recorder_and_broker_three_times_each_loses_nothing(
    demo: Demo, stores: tuple[RecordStore, SampleReader]
) -> None:
    records, samples = stores
    demo.until(lambda: newest_age_s(samples) < LIVE_S, "live samples")
    victims = [("edge-1.toml",), ("cli.main record",), ("mosquitto",)]
    for _ in range(3):
        for words in victims:
            os.kill(demo.pid(*words), signal.SIGKILL)
            time.sleep(1.5)
            demo.until(lambda words=words: _runs(demo, *words), f"{words} again")  # type: ignore[misc]
            time.sleep(1.0)
    demo.until(lambda: newest_age_s(samples) < LIVE_S, "live samples after the kills")
    for agent in ("edge-1", "edge-2"):
        had = generated(records, agent)
        assert had > 0
        demo.until(lambda had=had, agent=agent: _mark(samples, agent) >= had, f"delivery of {agent}")  # type: ignore[misc]
    # Not the page's first sentence: where a starved box could not read in time, that comes before the balance.
    demo.until(
        lambda: [agent.delivery.balanced for agent in health(records, samples).agents] == [True] * 2, "balance"
    )
    assert demo.interrupt() == 0
    marks = {mark.agent: mark for mark in samples.marks()}
    with sqlite3.connect(f"file:{demo.folder / 'data' / 'samples.db'}?mode=ro", uri=True) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    for agent in ("edge-1", "edge-2"):
        mark = marks[agent]
        assert mark.declared_gap == 0, "a gap was declared: something was lost"
        # Counted in the recorder's own file: every block up to the mark is there, exactly once.
        seqs = [
            ref.seq
            for valve in samples.valves()
            for ref, block in samples.blocks_after(valve, {}, 100_000)
            if block.agent == agent
        ]
        assert len(seqs) == len(set(seqs)), "a block is stored twice"
        assert set(range(1, mark.mark + 1)) <= set(seqs), "a block is missing"
        generated_in_all, kept = spooled(demo, agent)
        assert mark.mark <= generated_in_all
        assert set(range(mark.mark + 1, generated_in_all + 1)) <= kept, "what is not stored has left the spool"


def health(records: RecordStore, samples: SampleReader) -> HealthView:
    """What the health page shows."""
    return health_view(Source(samples, records, PlantTime.named("Europe/Madrid"), time.time_ns), "test")


def _runs(demo: Demo, *words: str) -> bool:
    return sum(all(word in line for word in words) for line in demo.children().values()) == 1


def _mark(samples: SampleReader, agent: str) -> int:
    return max((mark.mark for mark in samples.marks() if mark.agent == agent), default=0)


def test_the_live_plant_raises_no_alarm_in_its_first_minutes(
    demo: Demo, stores: tuple[RecordStore, SampleReader]
) -> None:
    records, _ = stores

    def judged() -> bool:
        rows = [records.judgement(valve) for valve in records.sheet_valves()]
        return all(row is not None and row["samples"] >= 6000 for row in rows)

    demo.until(judged, "a minute judged of every valve")
    healthy = ("press-1.platen", "press-2.platen", "press-4.knock-out", "press-4.platen")
    raised = [event for event in records.alarm_events() if event.valve in healthy]
    assert [event for event in raised if event.kind != MISSING] == []
    # On a machine that gives the boxes no time readings do fail; that is told, and nothing else.
    told = [row.details["details"] for row in records.health() if row.source.startswith("agent/")]
    failed = sum(int(details["failed_readings"]) + int(details["missed_ticks"]) for details in told)
    assert not raised or failed > 0
    # A press of the live plant begins with five minutes of production, so the changed ramp has been seen by now.
    scenario = records.judgement("press-2.clamp")
    assert scenario is not None
    kinds = [finding["kind"] for finding in scenario["findings"]]
    assert [kind for kind in kinds if kind != MISSING] == ["ramp-up-changed"], scenario

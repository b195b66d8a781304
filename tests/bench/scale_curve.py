"""What recorders over shared stores spend on a valve, and how many valves that is for one core and for more.

Real processes on loopback, as in `bench_scale_out`; blocks of a second of simulated production, 100 readings of four
channels, sent as fast as they are acknowledged and judged to the end. What is counted is processor time of each kind
of process, for a valve and a second, which depends little on what else the machine does. Judging has much to
look at in one go here, as on a core that is loaded; one with nothing else to do looks more often and spends more.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import conftest as recorder_tests
import plant
from asleft.sheet.model import QUANTITY_UNITS
from asleft.sim.recording import Recording
from asleft.store.protocols import SheetRecord
from asleft.wire.block import Block
from influx2_server import AnyInflux, server_of
from postgres_server import PostgresServer
from shared_plant import SharedPlant

CHANNELS = ("command", "current", "pressure", "supply")
PATIENCE_S = 900.0


@dataclass(frozen=True, slots=True)
class Spending:
    """Processor time for a valve and second (ms), by kind of process."""

    recorders: int
    recording: float
    """Receive, decode, commit and upkeep: the main processes of the recorders."""
    judging: float
    influx: float
    """With the proxy before it, where it is InfluxDB 1."""
    postgres: float
    broker: float

    @property
    def total(self) -> float:
        """All of it (ms)."""
        return self.recording + self.judging + self.influx + self.postgres + self.broker


def _stat(pid: int) -> list[str]:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return []


def _children(pid: int) -> list[int]:
    others = [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit()]
    return [one for one in others if _stat(one)[1:2] == [str(pid)]]


def spent_s(pid: int) -> float:
    """Processor time of a process itself (s)."""
    fields = _stat(pid)
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK") if fields else 0.0


def spent_below_s(pid: int) -> float:
    """Processor time of all that a process has started: of those that run, and of those that have ended (s)."""
    fields = _stat(pid)
    ended = (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK") if fields else 0.0
    return ended + sum(spent_s(child) + spent_below_s(child) for child in _children(pid))


def block_of(recording: Recording, seq: int, *, agent: str, stream: str, valve: str) -> Block:
    """A second of production."""
    made = plant.block_of(recording, seq)
    kept = tuple(one for one in made.channels if one.name in CHANNELS)
    return replace(made, agent=agent, stream=stream, valve=valve, channels=kept)


def sheet_of(recording: Recording, valve: str) -> SheetRecord:
    """What a technician would have left."""
    left = {name: value for name, value in recording.truth.as_left.items() if name in QUANTITY_UNITS}
    lines = "\n".join(f"{name} = {value}" for name, value in left.items())
    toml = (
        f'[valve]\nid = "{valve}"\n[signal]\nkind = "4-20mA"\n[as_left]\n{lines}\n'
        '[revision]\nnumber = 1\nat = 2023-01-01T00:00:00Z\nby = "bench"\nwhy = "bench"\n'
    )
    return SheetRecord(valve, 1, 0, "bench", "bench", toml, 1)


def measure(folder: Path, recorders: int, agents: int, seconds: int, *, influxdb_2: bool) -> Spending:
    """One run; what starting costs is not counted."""
    folder.mkdir()
    recording = plant.record(float(2 * seconds))
    tools = SimpleNamespace(
        agent=partial(recorder_tests.MiniAgent, make=partial(block_of, recording)),
        sheet_record=partial(sheet_of, recording),
        until=recorder_tests.until,
        t0=recorder_tests.T0,
    )
    broker = recorder_tests.Mosquitto(folder).start()
    influx = server_of(folder / "influx", second=influxdb_2)
    postgres = PostgresServer(folder / "postgres").start()
    try:
        shared = SharedPlant(folder, broker.port, influx, postgres.url("plant"), tools, agents)
        try:
            names = [f"recorder-{number}" for number in range(1, recorders + 1)]
            for name in names:
                shared.start(name)
            tools.until(lambda: shared.shared_by(*names), PATIENCE_S)
            _work(shared, seconds)  # the first look at a valve, first pages of all
            before = _spent(shared, influx, postgres, broker)
            _work(shared, 2 * seconds)
            after = _spent(shared, influx, postgres, broker)
        finally:
            shared.close()
    finally:
        postgres.stop()
        influx.stop()
        broker.kill()
    each = [1000 * (now - then) / (agents * seconds) for now, then in zip(after, before, strict=True)]
    return Spending(recorders, *each)


def _work(shared: SharedPlant, up_to: int) -> None:
    """Have everything up to this second stored and judged."""
    shared.offer(up_to - shared.agents[0].highest)
    shared.until_stored(up_to, PATIENCE_S)

    def judged() -> bool:
        cursors = [shared.records.judge_cursor(agent.valve) for agent in shared.agents]
        return all(one is not None and max(one.cursor.values()) >= up_to for one in cursors)

    recorder_tests.until(judged, PATIENCE_S, 1.0)


def _spent(shared: SharedPlant, influx: AnyInflux, postgres: PostgresServer, broker: Any) -> list[float]:
    mains = [process.pid for process in shared.recorders.values()]
    server = postgres.pid
    return [
        sum(spent_s(pid) for pid in mains),
        sum(spent_below_s(pid) for pid in mains),
        sum(spent_s(process.pid) for process in influx.processes),
        spent_s(server) + spent_below_s(server),
        spent_s(broker._process.pid),
    ]


def print_curve(runs: list[Spending]) -> None:
    """Each run's spending, and the valves that it comes to."""
    rows: list[tuple[str, Callable[[Spending], str]]] = [
        ("for a valve and second (ms): receive, decode, commit", lambda one: f"{one.recording:.2f}"),
        ("  judging", lambda one: f"{one.judging:.2f}"),
        ("  InfluxDB", lambda one: f"{one.influx:.2f}"),
        ("  PostgreSQL", lambda one: f"{one.postgres:.2f}"),
        ("  broker", lambda one: f"{one.broker:.2f}"),
        ("valves on one core that does all of it", lambda one: f"{1000 / one.total:,.0f}"),
        ("valves on two cores", lambda one: f"{2000 / one.total:,.0f}"),
        (
            "  most, as a recorder stores in one process",
            lambda one: f"{one.recorders * 1000 / one.recording:,.0f}",
        ),
        ("10,000 valves: cores, busy throughout", lambda one: f"{10 * one.total:.0f}"),
    ]
    print(f"{'recorders':<54}" + "".join(f"{one.recorders:>10}" for one in runs))
    for name, figure in rows:
        print(f"{name:<54}" + "".join(f"{figure(one):>10}" for one in runs))

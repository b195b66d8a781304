"""The demo's plant as its recorder would have it: its presses simulated, stored and judged, behind the dashboard.

Its valves, sheets and live programme, in the stores a plant has; only time runs by hand. First forty minutes in which
the clamp of Press 2 has the ramp that somebody changed; then, when a test says so, forty more of Press 2 after it was
set back. Each hour of Press 2 has its verification by hand.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from uuid import uuid4

from asleft.cli.demonstration.folder import sheets
from asleft.cli.history import blocks_of
from asleft.judge import judge
from asleft.judge.types import JUDGE_VERSION
from asleft.recorder.judging import Judging
from asleft.sheet.reader import read_sheet
from asleft.sim.model import ValveModel
from asleft.sim.plant import valves
from asleft.sim.recording import simulate
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples, open_samples_reader
from asleft.web.app import create_app
from asleft.web.serve import address, bind
from waitress.server import create_server

S = 10**9
HOUR_S, LASTS_S = 3600.0, 2400.0
STORY_S = 1_774_000_800.0  # on the hour; a Friday in March at work
RATE_HZ = 20.0
PRESS, CHANGED = "Press 2", "press-2.clamp"


class DemoPlant:
    """Stores in a folder, and a clock that can be put on to the next hour."""

    def __init__(self, folder: Path) -> None:
        self._began_ns = time.time_ns()
        self._ahead_ns = 0
        self._shift_s = self._began_ns / 1e9 - (STORY_S + LASTS_S)  # from the story's time to ours
        self._samples = open_samples(folder)
        self.samples = open_samples_reader(folder)
        self.records = open_records(folder / "records.db")
        self._ticks = 0.0
        self._judging = Judging(
            self.samples, self.records, judge, JUDGE_VERSION,
            lambda record: read_sheet(record.toml, source=record.valve),
            wall_ns=self.now_ns, monotonic_s=self._tick,
        )  # fmt: skip
        self._stream, self._seq = str(uuid4()), 0
        for name, text in sheets(self._began_ns / 1e9).items():
            sheet = read_sheet(text, source=name)
            revision = sheet.revision
            assert revision.at is not None
            at_ns = (revision.at - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000
            self.records.put_sheet(
                SheetRecord(sheet.valve, revision.number, at_ns, revision.by, revision.why, text, at_ns)
            )
        self._take(list(valves(STORY_S)), STORY_S)

    def now_ns(self) -> int:
        """Our time, and the hours that were put on."""
        return time.time_ns() + self._ahead_ns

    def set_back(self) -> None:
        """An hour later: somebody has set the ramp back, and Press 2 has worked on; all else is as it was."""
        self._ahead_ns = round(HOUR_S * S)
        worked = [one for one in valves(STORY_S) if one.press == PRESS]
        self._take([replace(one, faults=()) if one.valve_id == CHANGED else one for one in worked], STORY_S + HOUR_S)

    def _take(self, models: list[ValveModel], start_s: float) -> None:
        """Simulate, store and judge forty minutes, as they would come."""
        recordings = simulate(
            models, [start_s] * len(models), LASTS_S, rate_hz=RATE_HZ, seed=3, programme="live", burst_every_s=30.0
        )
        shift_ns = round(self._shift_s * S)
        blocks = sorted((b for one in recordings for b in blocks_of(one, "boot")), key=lambda b: b.wall_ns)
        for first in range(0, len(blocks), 60):
            part = []
            for block in blocks[first : first + 60]:
                self._seq += 1
                bursts = tuple(replace(b, start_ns=b.start_ns + shift_ns) for b in block.bursts)
                part.append(
                    replace(
                        block, stream=self._stream, seq=self._seq, wall_ns=block.wall_ns + shift_ns, bursts=bursts
                    )
                )
            self._samples.commit(part, [], self.now_ns())
        while self._judging.round():
            pass
        failed = {name: one.failure for name, one in self._judging.valves.items() if one.failure is not None}
        assert not failed, failed

    def _tick(self) -> float:
        """A clock on which ten seconds go by with each look: nothing is waited for."""
        self._ticks += 10.0
        return self._ticks

    def close(self) -> None:
        """Release the stores."""
        self._samples.close()
        self.samples.close()
        self.records.close()


@contextmanager
def demo_plant(doors: ModuleType) -> Iterator[tuple[str, DemoPlant, object]]:
    """Its address, the plant, and its door."""
    with TemporaryDirectory() as folder:
        plant = DemoPlant(Path(folder))
        door = doors.Door(Path(folder), time.time_ns)
        door.add_one_of_each()
        listener = bind("127.0.0.1", 0, lambda *_: None)
        app = create_app(plant.samples, plant.records, door.access, clock_ns=plant.now_ns)
        server = create_server(app.server, sockets=[listener], threads=8)
        threading.Thread(target=server.run, daemon=True).start()
        try:
            yield address(listener).rstrip("/"), plant, door
        finally:
            server.close()
            server.task_dispatcher.shutdown(cancel_pending=True, timeout=2)
            door.close()
            plant.close()

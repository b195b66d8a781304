"""A plant that faults are done to, and the count of what became of every block: one row of the table."""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import fault_parts as parts
from asleft.store.samples import open_samples_reader
from asleft.wire.block import Block
from asleft.wire.codec import decode_upload
from fault_proxy import Proxy

PATIENCE_S = 600.0
"""For what must come, and for draining at all; how soon is the bench's goal, on a machine that does nothing else."""


@dataclass(frozen=True, slots=True)
class Row:
    """What one scenario did to the blocks. `drain_s` is None if it did not drain."""

    name: str
    kills: int
    generated: int
    stored: int
    declared_gap: int
    waiting: int
    lost: int
    twice: int
    drain_s: float | None

    def cells(self) -> list[str]:
        drain = "never" if self.drain_s is None else f"{self.drain_s:.1f}"
        numbers = (self.kills, self.generated, self.stored, self.declared_gap, self.waiting, self.lost, self.twice)
        return [self.name, *map(str, numbers), drain]


_HEADS = ["scenario", "kills", "generated", "stored", "declared gap", "in spool", "silently lost", "stored twice",
          "seconds to drain"]  # fmt: skip


def table(rows: list[Row]) -> str:
    """The rows as text."""
    lines = [_HEADS, *(row.cells() for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(_HEADS))]
    return "\n".join(
        "  ".join(cell.ljust(width) if column == 0 else cell.rjust(width)
                  for column, (cell, width) in enumerate(zip(line, widths, strict=True)))
        for line in lines
    )  # fmt: skip


class Plant:
    """Broker, proxies, agent and recorder in a folder. A context manager: leaving it ends everything."""

    def __init__(
        self,
        folder: Path,
        *,
        broker: str = "persistent",
        slow_recorder: bool = False,
        data: Path | None = None,
        spool: Path | None = None,
        spool_mb: int = 64,
    ) -> None:
        """`broker` is persistent, forgetful (both mosquitto) or embedded."""
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = parts.free_port()
        self.data = data or folder / "data"
        self.spool = spool or folder / "spool.db"
        self.clock_offset = folder / "clock"
        self.kills = 0
        self.agent_link, self.recorder_link = Proxy(self.port), Proxy(self.port)
        if broker == "embedded":
            self.broker = parts.embedded(folder, self.port)
        else:
            self.broker = parts.mosquitto(folder, self.port, persistent=broker == "persistent")
        self.agent = parts.agent(
            folder, self.agent_link.port, self.spool, clock_offset=self.clock_offset, spool_mb=spool_mb
        )
        self.recorder = parts.recorder(folder, self.recorder_link.port, self.data, slow=slow_recorder)
        self.parts = {part.name: part for part in (self.broker, self.agent, self.recorder)}

    def __enter__(self) -> Self:
        try:
            self.broker.start()
            parts.wait_for_port(self.port)
            self.recorder.start()
            self.agent.start()
            self.until(lambda: self.mark() > 2 * parts.VALVES, "the first blocks")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        for part in (self.agent, self.recorder, self.broker):
            part.kill()
        self.agent_link.close()
        self.recorder_link.close()

    def kill(self, *names: str) -> None:
        """`kill -9`, one right after the other."""
        for name in names:
            self.parts[name].kill()
            self.kills += 1

    def start(self, *names: str) -> None:
        """Start again what does not run."""
        for name in names:
            if not self.parts[name].running:
                self.parts[name].start()

    def wipe_broker(self) -> None:
        """The broker's disk is empty when it comes back."""
        shutil.rmtree(self.folder / "broker", ignore_errors=True)
        (self.folder / "broker").mkdir()

    def backup(self) -> Path:
        """A copy of the sample file as it is now, taken as one takes it from a running database."""
        copy = self.folder / "backup.db"
        copy.unlink(missing_ok=True)
        with closing(self._samples()) as db, closing(sqlite3.connect(copy)) as target:
            db.backup(target)
        return copy

    def restore(self, copy: Path) -> None:
        """Put an older copy in place of the sample file; the recorder must be down."""
        for ending in ("", "-wal", "-shm"):
            (self.data / f"samples.db{ending}").unlink(missing_ok=True)
        shutil.copy(copy, self.data / "samples.db")

    def mark(self) -> int:
        """The recorder's mark of the agent's newest stream; 0 while there is none."""
        return self._number("SELECT mark FROM stream ORDER BY id DESC LIMIT 1")

    def newest_ns(self) -> int:
        """Monotonic time of the newest block with nothing missing before it."""
        return self._number("SELECT MAX(monotonic_ns) FROM block JOIN stream ON stream.id = stream WHERE seq <= mark")

    def flows(self, within_s: float) -> None:
        """Wait until further blocks are stored, but no longer than that."""
        had, end_s = self.mark(), time.monotonic() + within_s
        while self.mark() <= had and time.monotonic() < end_s:
            time.sleep(0.05)

    def healed(self) -> float | None:
        """Nothing is wrong any more: seconds until a block begun later is stored with all before it.

        They count from when every process is up: how long Python takes to start is not the protocol's.
        """
        self.start("broker", "recorder", "agent")
        parts.wait_for_port(self.port)
        self.until(lambda: self.recorder.said("recording into"), "the recorder")
        self.until(lambda: self.agent.said(f"agent {parts.AGENT}:"), "the agent")
        self.agent_link.heal()
        self.recorder_link.heal()
        now_ns = time.monotonic_ns()
        end_s = time.monotonic() + PATIENCE_S
        while self.newest_ns() <= now_ns:
            if time.monotonic() > end_s:
                return None
            time.sleep(0.05)
        return (time.monotonic_ns() - now_ns) / 1e9

    def until(self, condition: Callable[[], bool], what: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not condition():
            if time.monotonic() > end_s:
                logs = "\n".join(f"--- {part.name}\n{part.log()}" for part in self.parts.values())
                raise TimeoutError(f"{what} did not come within {PATIENCE_S} s\n{logs}")
            time.sleep(0.05)

    def count(self, name: str, drain_s: float | None) -> Row:
        """End agent and recorder, and look at both their disks."""
        self.agent.end()
        time.sleep(0.3)
        self.recorder.end()
        with closing(sqlite3.connect(self.spool)) as db:
            # As the agent opens it: else a full disk has no room for the index beside a log that is still there.
            db.execute("PRAGMA locking_mode = EXCLUSIVE")
            stream = db.execute("SELECT value FROM meta WHERE key = 'stream'").fetchone()[0]
            (generated,) = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'block'").fetchone()
            kept = {seq for (seq,) in db.execute("SELECT seq FROM block")}
            for first, last in db.execute("SELECT first, last FROM gap"):
                kept |= set(range(first, last + 1))
            damaged = [seq for seq, payload in db.execute("SELECT seq, payload FROM block") if not _sound(payload)]
        blocks = [block for block in self._blocks() if block.stream == stream]
        stored = {block.seq for block in blocks}
        twice = len(blocks) - len({(block.valve, block.monotonic_ns) for block in blocks})
        declared: set[int] = set()
        with closing(self._samples()) as db:
            query = "SELECT first, last FROM gap JOIN stream ON stream.id = stream WHERE name = ?"
            for first, last in db.execute(query, (stream,)):
                declared |= set(range(first, last + 1))
            (mark,) = db.execute("SELECT mark FROM stream WHERE name = ?", (stream,)).fetchone()
            whole = db.execute("PRAGMA integrity_check").fetchone()[0]
        assert whole == "ok", f"the sample file is damaged: {whole}"
        assert not damaged
        everything = set(range(1, generated + 1))
        waiting = {seq for seq in kept if seq > mark} - stored - declared
        lost = everything - stored - declared - waiting
        gone = len(declared & everything - stored)
        return Row(name, self.kills, generated, len(stored), gone, len(waiting), len(lost), twice, drain_s)

    def wrong_times(self, within_s: float) -> tuple[int, int]:
        """Blocks whose raw, and whose corrected time is wrong; agent and test share one monotonic clock."""
        true_ahead_ns = time.time_ns() - time.monotonic_ns()
        errors = {
            (block.stream, block.seq): block.wall_ns - block.monotonic_ns - true_ahead_ns for block in self._blocks()
        }
        with closing(sqlite3.connect(self.data / "records.db")) as db:
            query = "SELECT stream, first_seq, offset_ns FROM clock_change ORDER BY first_seq"
            changes = db.execute(query).fetchall()
        corrected = dict(errors)
        for stream, first_seq, offset_ns in changes:
            corrected |= {key: errors[key] + offset_ns for key in errors if key[0] == stream and key[1] >= first_seq}
        raw, now = (sum(abs(one) > within_s * 1e9 for one in some.values()) for some in (errors, corrected))
        return raw, now

    def _blocks(self) -> list[Block]:
        """All blocks up to the mark, merged ones too, as the judge would get them."""
        reader = open_samples_reader(self.data)
        found = [block for valve in reader.valves() for _, block in reader.blocks_after(valve, {}, 10**6)]
        reader.close()
        return found

    def _samples(self) -> sqlite3.Connection:
        return sqlite3.connect(f"file:{self.data / 'samples.db'}?mode=ro", uri=True, timeout=10.0)

    def _number(self, query: str) -> int:
        try:
            with closing(self._samples()) as db:
                row = db.execute(query).fetchone()
        except sqlite3.Error:
            return 0
        return int(row[0] or 0) if row else 0


def _sound(payload: bytes) -> bool:
    decode_upload(payload)
    return True

"""The demo's history maker: three weeks of sampled production, by the same way live data takes.

It simulates windows, cuts them into blocks and hands them to a spool and an uplink of its own, as an edge agent
would; the recorder stores and judges them. While they come, the recorder keeps live blocks of these valves unjudged,
so that each valve is judged in the order of time. This is the one module that knows both simulator and stores.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from uuid import uuid4

import numpy as np
from asleft.cli.record import broker_address
from asleft.edge.delivery import Delivery, Session
from asleft.edge.spool import Spool
from asleft.edge.uplink import BrokerSession
from asleft.instruments.broker import BrokerSettings
from asleft.monitoring.logs import configure
from asleft.sim.history import Window, plan, simulate_windows
from asleft.sim.recording import Recording
from asleft.store.protocols import Backfill, RecordStore
from asleft.store.records import open_records
from asleft.wire.block import AgentState, Block, Burst, Channel

AGENT = "history"
BLOCK_S = 10.0
#: Windows whose blocks may wait for the recorder; more would only fill the disk.
_MOST_WAITING_BLOCKS = 1500
_SPOOL_BYTES = 64 * 1024 * 1024  # what is acknowledged makes room
_POLL_S = 1.0


def hold(records: RecordStore, valves: Sequence[str], now_s: float) -> bool:
    """Have later blocks of these valves wait for their history; False if all of it has come already."""
    known = {row.valve: row for row in records.backfills()}
    totals = Counter(window.valve.valve_id for window in plan(now_s))
    for valve in valves:
        if valve not in known:
            records.put_backfill(Backfill(valve, int(now_s * 1e9), 0, totals[valve], complete=False))
    return any(not row.complete for row in records.backfills())


def blocks_of(recording: Recording, boot_id: str) -> list[Block]:
    """A recording as blocks of ten seconds, converter counts kept as they are."""
    time_ns = np.round(recording.time_s * 1e9).astype(np.int64)
    starts = np.flatnonzero(np.diff((time_ns - time_ns[0]) // int(BLOCK_S * 1e9), prepend=-1))
    edges = [*starts.tolist(), time_ns.size]
    bursts = [
        Burst("current", "A", int(b.start_s * 1e9), b.rate_hz, b.values(), k)
        for k, b in enumerate(recording.bursts, 1)
    ]
    out = []
    for a, b in itertools.pairwise(edges):
        last_ns = int(time_ns[b - 1])
        out.append(
            Block(
                agent=AGENT,
                valve=recording.valve_id,
                stream="",
                seq=0,
                boot_id=boot_id,
                wall_ns=int(time_ns[a]),
                monotonic_ns=int(time_ns[a] - time_ns[0]),
                clock_synchronised=None,
                offsets_us=((time_ns[a:b] - time_ns[a]) // 1000).astype(np.int32),
                channels=tuple(
                    Channel(
                        name,
                        recording.units[name],
                        counts=counts[a:b],
                        scale=recording.scale[name],
                        offset=recording.offset[name],
                    )
                    for name, counts in recording.counts.items()
                ),
                bursts=tuple(burst for burst in bursts if int(time_ns[a]) <= burst.start_ns <= last_ns),
            )
        )
    return out


class HistoryMaker:
    """Feeds windows into a spool, and keeps the progress on record."""

    def __init__(self, records: RecordStore, spool: Spool, windows: Sequence[Window], stop: threading.Event) -> None:
        self._records, self._spool, self._windows, self._stop = records, spool, windows, stop
        self._last_seq: list[int] = []  # of each window, in the order of the plan
        per_window = round(windows[0].duration_s / BLOCK_S) if windows else 1
        for k in range(spool.highest_seq // per_window):  # made before an earlier end
            self._last_seq.append((k + 1) * per_window)

    def make(self) -> None:
        """Simulate and spool what is still missing, never far ahead of the recorder."""
        boot_id = str(uuid4())
        for recording in simulate_windows(self._windows[len(self._last_seq) :]):
            self._last_seq.append(self._spool.append(blocks_of(recording, boot_id)))
            while self._spool.counters().unacknowledged > _MOST_WAITING_BLOCKS:
                if self._stop.wait(_POLL_S):
                    return
                self.tell()
            if self._stop.is_set():
                return
            self.tell()

    def tell(self) -> bool:
        """Put the progress on record; whether everything is judged.

        The record of a valve's judging is long, so it is read only while spooled windows of that valve wait.
        """
        total = Counter(window.valve.valve_id for window in self._windows)
        spooled: dict[str, list[int]] = {}
        for window, seq in zip(self._windows, self._last_seq, strict=False):
            spooled.setdefault(window.valve.valve_id, []).append(seq)
        rows = self._records.backfills()
        left = {row.valve for row in rows if not row.complete}
        for row in rows:
            seqs = spooled.get(row.valve, [])
            if row.complete or row.done == len(seqs):
                continue
            cursor = self._records.judge_cursor(row.valve)
            judged = 0 if cursor is None else cursor.cursor.get(self._spool.stream, 0)
            ready = sum(seq <= judged for seq in seqs)
            complete = ready == total[row.valve]
            if ready != row.done:
                self._records.put_backfill(Backfill(row.valve, row.until_ns, ready, total[row.valve], complete))
            if complete:
                left.remove(row.valve)
        return not left

    def finish(self) -> None:
        """Wait until the recorder has judged everything."""
        while not self._stop.is_set() and not self.tell():
            self._stop.wait(_POLL_S)


def main(argv: list[str] | None = None) -> int:
    """Make the history of a demo; 0 when it is complete, 1 when ended before."""
    parser = argparse.ArgumentParser(description="Makes the demo plant's history; started by asleft demo.")
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--broker", required=True)
    parser.add_argument("--spool", type=Path, required=True)
    parser.add_argument("--now", type=float, required=True, help="unix seconds before which the history ends")
    args = parser.parse_args(argv)
    configure("info")
    os.nice(10)  # far quicker than what judges it, which comes first
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop.set())
    host, port = broker_address(args.broker)
    settings = BrokerSettings(host, port, "", None, 15)
    spool = Spool(args.spool, AGENT, _SPOOL_BYTES)
    records = open_records(args.data / "records.db")
    send_stop = threading.Event()
    finished = threading.Event()
    delivery = Delivery(spool, _sessions(settings), _word(spool, finished), send_stop, random.random)
    sending = threading.Thread(target=delivery.run, name="uplink", daemon=True)
    sending.start()
    maker = HistoryMaker(records, spool, plan(args.now), stop)
    try:
        maker.make()
        maker.finish()
        if not stop.is_set():
            finished.set()
    finally:
        send_stop.set()
        sending.join(10.0)
        spool.close()
        records.close()
    if stop.is_set():
        return 1
    for file in args.spool.parent.glob(args.spool.name + "*"):
        file.unlink()  # all of it is in the recorder's store
    return 0


def _sessions(settings: BrokerSettings) -> Callable[..., Session]:
    def make(will: bytes, on_ack: Callable[[bytes], None], *, mqtt5: bool) -> Session:
        return BrokerSession(settings, AGENT, will, on_ack, mqtt5=mqtt5)

    return make


def _word(spool: Spool, finished: threading.Event) -> Callable[[bool], AgentState]:
    def state(online: bool) -> AgentState:
        counters = spool.counters()
        return AgentState(
            AGENT,
            online,
            spool.stream,
            counters.highest_seq,
            counters.acknowledged,
            time.time_ns(),
            version("asleft"),
            {"what": "the demo's history", **({"finished": "yes"} if finished.is_set() else {})},
        )

    return state


if __name__ == "__main__":
    sys.exit(main())

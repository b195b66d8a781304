"""Blocks from the samplers into the spool, on a thread of its own: a slow disk must not delay a reading."""

from __future__ import annotations

import logging
import queue
import threading
import time

from asleft.edge.spool import Spool, SpoolError
from asleft.wire.block import Block

logger = logging.getLogger(__name__)

_WAITING_BLOCKS = 2000
_BATCH = 64
_PATIENCE_S = 0.2


class SpoolWriter:
    """Takes blocks from any thread with `put`, commits them in batches; what cannot be stored is declared later."""

    def __init__(self, spool: Spool, stop: threading.Event) -> None:
        """`stop` ends `run` once the queue is empty."""
        self._spool = spool
        self._stop = stop
        self._queue: queue.Queue[Block] = queue.Queue(_WAITING_BLOCKS)
        self._lock = threading.Lock()
        self._undeclared = 0
        self.lost = 0
        """Blocks lost since the start because the disk did not take them."""
        self.trouble = ""
        """What is wrong with the spool now; empty when nothing is."""
        self.alive_at_s = time.monotonic()
        """Last sign of life of this thread, for a watchdog."""

    def put(self, block: Block) -> None:
        """Take a block without waiting; if the disk has hung for so long that the queue is full, it is lost."""
        try:
            self._queue.put_nowait(block)
        except queue.Full:
            self._lose(1)

    def run(self) -> None:
        """Commit until stopped and empty."""
        while True:
            self.alive_at_s = time.monotonic()
            batch = self._batch()
            if not batch:
                if self._stop.is_set():
                    return
                continue
            self._commit(batch)

    def _batch(self) -> list[Block]:
        try:
            batch = [self._queue.get(timeout=_PATIENCE_S)]
        except queue.Empty:
            return []
        # All valves of an instrument complete their blocks within a few ms: one commit for them together.
        time.sleep(0.02)
        while len(batch) < _BATCH:
            try:
                batch.append(self._queue.get_nowait())
            except queue.Empty:
                break
        return batch

    def _commit(self, batch: list[Block]) -> None:
        with self._lock:
            undeclared = self._undeclared
        try:
            self._spool.append(batch, undeclared)
        except SpoolError as error:
            if not self.trouble:
                logger.error("%s; blocks are being lost", error)
            self.trouble = str(error)
            self._lose(len(batch))
            return
        with self._lock:
            self._undeclared -= undeclared
        if self.trouble:
            logger.warning("the spool takes blocks again; %d were lost and are declared", undeclared)
        self.trouble = ""

    def _lose(self, count: int) -> None:
        with self._lock:
            self._undeclared += count
            self.lost += count

"""The judging processes: judge what the recorder has stored, in processes of their own.

In the recorder's own process a judge at work would hold the interpreter, and each of the recorder's many short waits
(socket, disk) would end with a wait for it: acknowledgements would be late by the length of its work. The recorder
starts these processes and holds their standard input open; when that ends, the recorder is gone and so are they.

The first one judges every valve and says how it goes. The others only help with valves that are far behind: history
that comes in, or what piled up while nothing judged. A valve is one process's for the length of a call.
"""

from __future__ import annotations

import argparse
import importlib
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import cast

from asleft.judge.types import JUDGE_VERSION
from asleft.monitoring.logs import add_level_argument, configure
from asleft.recorder.health import EVERY_S, JUDGING, health_source, judging_health
from asleft.recorder.judge_port import Judge
from asleft.recorder.judging import AWAY, Judging
from asleft.recorder.outage import Outage
from asleft.sheet.model import Sheet
from asleft.sheet.reader import read_sheet
from asleft.store.leases import open_leases
from asleft.store.lock import JUDGING_LOCK_FILE, FolderInUse, FolderLock, ValveLocks
from asleft.store.opening import EMBEDDED, open_chosen_reader
from asleft.store.protocols import RecordStore, SampleReader, SheetRecord
from asleft.store.records import RECORDS_FILE, open_records
from asleft.store.work_log import open_work
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)

VALVES_FILE = "judging-valves.lock"
JUDGE_MODULE = "asleft.judge.judge"
IDLE_S = 0.2
HELPING_IDLE_S = 2.0
LOCK_WAIT_S = 30.0


def main(argv: list[str] | None = None) -> int:
    """Judge until standard input ends. 2 if another process judges in this folder, and this one is not to help."""
    parser = argparse.ArgumentParser(prog="asleft-judging", description="Judges what a recorder stores.")
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    parser.add_argument(
        "--samples", default=EMBEDDED, metavar="URL", help="where samples are, as the recorder has it"
    )
    parser.add_argument("--records", metavar="URL", help="where records are, as the recorder has it")
    parser.add_argument(
        "--recorder", metavar="NAME", help="judge only valves whose agents this recorder holds, of several"
    )
    parser.add_argument("--judge", default=JUDGE_MODULE, metavar="MODULE", help="module that judges")
    add_level_argument(parser)
    parser.add_argument("--helping", action="store_true", help="take only valves that are far behind")
    args = parser.parse_args(argv)
    configure(args.log_level)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the recorder's business; it ends us by our input
    os.nice(5)  # acknowledgements come first
    gone = threading.Event()
    threading.Thread(target=_until_input_ends, args=(gone,), name="lifeline", daemon=True).start()
    try:
        lock = None if args.helping else _lock(args.data, gone)
    except FolderInUse as error:
        log.error("%s", error)
        return 2
    where = args.data / RECORDS_FILE if args.records is None else args.records
    records = _opened(partial(open_records, where), gone)
    if records is None:
        return 0
    work = open_work(where)
    samples = open_chosen_reader(args.samples, args.data, where)
    leases = None if args.recorder is None else open_leases(where)
    ours = None if leases is None else partial(leases.valves_of, args.recorder)
    valves = ValveLocks(args.data, VALVES_FILE)
    judging = Judging(
        samples,
        records,
        cast("Judge", importlib.import_module(args.judge)),
        JUDGE_VERSION,
        sheet_of,
        ours=ours,
        work=work,
        claim=valves.of,
        helping=args.helping,
    )
    source = None if args.helping else health_source(JUDGING, args.recorder)
    try:
        run(judging, samples, records, gone, source)
    finally:
        if leases is not None:
            leases.close()
        samples.close()
        work.close()
        records.close()
        valves.close()
        if lock is not None:
            lock.release()
    return 0


def _opened(opener: Callable[[], RecordStore], gone: threading.Event) -> RecordStore | None:
    """The records store, as soon as it answers; None if the recorder has gone before that."""
    away = Outage(log, "judging waits for the records store", time.monotonic)
    while not gone.is_set():
        try:
            found = opener()
        except AWAY as error:
            gone.wait(away.failed(str(error)))
        else:
            away.over()
            return found
    return None


def run(
    judging: Judging,
    samples: SampleReader,
    records: RecordStore,
    gone: threading.Event,
    source: str | None,
) -> None:
    """Judge and say how it goes, as `source` (None: another process does), until `gone`."""
    next_health_s = 0.0
    away = Outage(log, "judging waits for a store that cannot be reached", time.monotonic)
    writing = Outage(log, "the figures of judging cannot be written", time.monotonic)
    while not gone.is_set():
        try:
            moved = judging.round()
        except AWAY as error:
            gone.wait(away.failed(str(error)))
            continue
        away.over()
        if source is not None and time.monotonic() >= next_health_s:
            next_health_s = time.monotonic() + EVERY_S
            try:
                records.put_health(judging_health(judging, samples, JUDGE_VERSION, time.time_ns(), source))
            except SQLAlchemyError as error:
                next_health_s += writing.failed(str(error))
            else:
                writing.over()
        if not moved:
            gone.wait(IDLE_S if source is not None else HELPING_IDLE_S)


def sheet_of(record: SheetRecord) -> Sheet:
    """The checked sheet of a record. Raises `SheetError`."""
    return read_sheet(record.toml, source=f"sheet {record.number} of {record.valve}")


def _lock(data_dir: Path, gone: threading.Event) -> FolderLock:
    """Take the lock; a predecessor whose recorder was killed may need a moment to finish its step."""
    deadline_s = time.monotonic() + LOCK_WAIT_S
    while True:
        try:
            return FolderLock(data_dir, JUDGING_LOCK_FILE, "judging process")
        except FolderInUse:
            if time.monotonic() > deadline_s or gone.wait(0.1):
                raise


def _until_input_ends(gone: threading.Event) -> None:
    while os.read(0, 4096):
        continue
    gone.set()


if __name__ == "__main__":
    sys.exit(main())

"""A writer is killed while it writes, again and again: what it said was stored is stored."""

from __future__ import annotations

import signal
import subprocess
import sys
import time

from asleft.store.records import open_records
from asleft.store.samples import open_samples

WRITE_SAMPLES = """
import sys
from pathlib import Path
import numpy as np
from asleft.store.samples import open_samples
from asleft.wire.block import Block, Channel
store = open_samples(Path(sys.argv[1]))
marks = store.marks()
seq = marks[0].mark if marks else 0
while True:
    blocks = []
    for _ in range(3):
        seq += 1
        counts = np.full(100, seq % 1000, np.int16)
        blocks.append(Block("edge-1", "press-1.platen", "spool-1", seq, "boot", seq * 10**9, seq, None,
            (np.arange(100) * 10_000).astype(np.int32), (Channel("current", "A", counts=counts),)))
    store.commit(blocks, [], seq)
    print(seq, flush=True)
"""

WRITE_RECORDS = """
import sys
from pathlib import Path
from asleft.judge.types import ChartPoint, State, StateInterval
from asleft.store.protocols import JudgeStep
from asleft.store.records import open_records
records = open_records(Path(sys.argv[1]) / "records.db")
cursor = records.judge_cursor("v")
seq = cursor.cursor["s"] if cursor else 0
while True:
    seq += 1
    records.commit_step(JudgeStep("v", {"s": seq}, 1, 1, seq * 10**9, str(seq), {"seq": seq},
        [StateInterval(State.PRODUCING, seq - 1, seq, "x")], [ChartPoint("ramp_up", seq, 1.0, 0.1)]))
    print(seq, flush=True)
"""


def said_before_being_killed(code, folder, lines):
    """Starts a writer, kills it in the middle of its work, and returns the last number it printed."""
    process = subprocess.Popen([sys.executable, "-c", code, str(folder)], stdout=subprocess.PIPE, text=True)
    last = 0
    for _ in range(lines):
        last = int(process.stdout.readline())
    time.sleep(0.013)
    process.send_signal(signal.SIGKILL)
    rest, _ = process.communicate()
    whole = [line for line in rest.split("\n")[:-1] if line]
    return int(whole[-1]) if whole else last


def test_no_acknowledged_commit_of_samples_is_missing(tmp_path):
    for round_number in range(6):
        said = said_before_being_killed(WRITE_SAMPLES, tmp_path, 5 + 3 * round_number)
        store = open_samples(tmp_path)
        (mark,) = store.marks()
        assert mark.mark >= said
        assert mark.mark % 3 == 0  # a commit is there as a whole or not at all
        found = store.blocks_after("press-1.platen", {}, 10**6)
        assert [ref.seq for ref, _ in found] == list(range(1, mark.mark + 1))
        assert all(block.channels[0].counts[0] == ref.seq % 1000 for ref, block in found)
        store.close()


def test_no_acknowledged_step_is_missing(tmp_path):
    for _ in range(3):
        said = said_before_being_killed(WRITE_RECORDS, tmp_path, 6)
        records = open_records(tmp_path / "records.db")
        cursor = records.judge_cursor("v")
        seq = cursor.cursor["s"]
        assert seq >= said
        assert cursor.state == str(seq)
        assert records.judgement("v") == {"seq": seq}
        assert len(records.points("v", "ramp_up", 0, 10**18)) == seq
        assert [(one.from_s, one.to_s) for one in records.intervals("v", 0, 10**18)] == [(0, seq)]
        records.close()

"""Writes what a plant has on its disks, with the program as it is now: `python tests/upgrade/write_stores.py FILE`.

The file is kept in this folder, one for every layout that was ever in use; `test_upgrade.py` opens each with the
program of today. Written once and never again: what matters is that another program wrote it.
"""

from __future__ import annotations

import base64
import json
import sys
import tarfile
import tempfile
from pathlib import Path

import numpy as np
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.edge.spool import Spool
from asleft.judge import judge
from asleft.judge.types import JUDGE_VERSION
from asleft.recorder.judge_process import sheet_of
from asleft.recorder.judging import Judging
from asleft.recorder.quarantine import Quarantine
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import Ack, AgentState, Block, Burst, Channel, Gap, Mark, Reason
from asleft.wire.codec import encode_ack, encode_block, encode_gap, encode_state

S = 1_000_000_000
T0 = 1_700_000_040 * S
RATE_HZ = 20
AGENT, STREAM, VALVE = "hall-1", "0f0e0d0c-1111-4222-8333-444455556666", "press-1.platen"
SHEET = """
[valve]
id = "press-1.platen"
press = "Press 1"
name = "platen"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
[revision]
number = 1
at = 2023-01-01T00:00:00Z
by = "ab"
why = "first"
"""


def block(seq: int, stream: str = STREAM) -> Block:
    """A second of a press that goes up to 80 % and back every ten seconds."""
    time_s = np.arange(RATE_HZ) / RATE_HZ + (seq - 1)
    up = (time_s % 10 >= 2) & (time_s % 10 < 7)
    command_ma = np.where(up, 16.8, 4.0)
    current_a = np.where(up, 0.18 + 0.8 * 0.74, 0.18)
    counts = np.rint(command_ma / 0.001).astype(np.int16)
    marks = (Mark(3, 2, Reason.NO_ANSWER),) if seq == 30 else ()
    for mark in marks:
        current_a[mark.first : mark.first + mark.count] = np.nan
    bursts = (Burst("current", "A", T0 + seq * S, 4000.0, np.sin(np.arange(64) / 3), seq),) if seq == 40 else ()
    return Block(
        agent=AGENT, valve=VALVE, stream=stream, seq=seq, boot_id="boot-1", wall_ns=T0 + (seq - 1) * S,
        monotonic_ns=seq * S, clock_synchronised=True,
        offsets_us=np.rint(np.arange(RATE_HZ) * 1e6 / RATE_HZ).astype(np.int32),
        channels=(Channel("command", "mA", counts=counts, scale=0.001),
                  Channel("current", "A", values=current_a, marks=marks)),
        bursts=bursts,
    )  # fmt: skip


def write(folder: Path) -> None:
    """Readings partly merged, one gap, a sheet, what was judged, an alarm, a message put aside, a spool, messages."""
    samples = open_samples(folder)
    samples.commit([block(seq) for seq in range(1, 181) if seq not in (100, 101)], [], T0 + 200 * S)
    samples.commit([], [Gap(AGENT, STREAM, 100, 101, "the spool was full")], T0 + 200 * S)
    samples.commit([block(182)], [], T0 + 200 * S)  # above a hole: the mark stands at 180
    for _ in range(3):
        samples.maintain(T0 + 200 * S)
    records = open_records(folder / "records.db")
    records.put_sheet(SheetRecord(VALVE, 1, 1_672_531_200 * S, "ab", "first", SHEET, T0))
    onset_ns = T0 - 90 * S
    alarm = f"{VALVE}/dither-weak/{onset_ns}"
    said = ("judge", "", VALVE, "dither-weak", 2, "driver", "Weak.", onset_ns)
    records.append_alarm_events([AlarmEvent(alarm, 1, EventKind.RAISED, T0 - 60 * S, *said)])
    judging = Judging(samples, records, judge, JUDGE_VERSION, sheet_of, wall_ns=lambda: T0 + 300 * S)
    judging.round()
    while judging.round():
        pass
    samples.close()
    records.close()
    quarantine = Quarantine(folder)
    quarantine.put("asleft/1/blocks/hall-1", b"\x00\x01", "no block", T0)
    quarantine.close()
    spool = Spool(folder / "spool.db", AGENT, 4 << 20, 1 << 20)
    spool.append([block(seq, "") for seq in range(1, 6)])
    spool.acknowledge(2)
    spool.close()
    (folder / "spool.db.ballast").unlink(missing_ok=True)
    messages = {
        "block": encode_block(block(40)),
        "gap": encode_gap(Gap(AGENT, STREAM, 100, 101, "the spool was full")),
        "state": encode_state(AgentState(AGENT, True, STREAM, 182, 180, T0, "0.1.0", {"rate_hz": "20"})),
        "ack": encode_ack(Ack(AGENT, STREAM, 180, True, T0)),
    }
    told = {name: base64.b64encode(payload).decode() for name, payload in messages.items()}
    (folder / "messages.json").write_text(json.dumps({"judge_version": JUDGE_VERSION, **told}, indent=1) + "\n")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        write(Path(made))
        with tarfile.open(sys.argv[1], "w:xz") as out:
            for path in sorted(Path(made).glob("*")):
                if path.suffix in (".db", ".json"):
                    out.add(path, path.name)

"""A stranger's log on the live way: blocks of a second through the recorder's ingest and judging, in this process.

Nothing is left out but sockets and the other process: messages are encoded, queued, decoded, committed, acknowledged,
judged from the store, and turned into alarms. The clock is the log's own. What a reading takes from the wire to the
judge (float32, times to the microsecond) is part of it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))  # where `strangers` is a package

import itertools

import numpy as np
from asleft.alarms.events import EventKind
from asleft.cli.judged_file import JudgedFile, judged_file
from asleft.judge import judge
from asleft.judge.types import JUDGE_VERSION
from asleft.recorder.ingest import Ingest
from asleft.recorder.judge_process import sheet_of
from asleft.recorder.judging import Judging
from asleft.recorder.quarantine import Quarantine
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import CHANNEL_UNITS, Block, Burst, Channel
from asleft.wire.codec import encode_block
from asleft.wire.topics import block_topic

AGENT = "hall-1"
_BLOCK_S = 1.0


class SilentBroker:
    """Takes every acknowledgement."""

    def acknowledge(self, packet: int) -> None:
        """A packet that need not be sent again."""

    def publish(self, topic: str, payload: bytes) -> None:
        """A message to an agent."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What is compared of one finding; times in seconds after the first reading, None where there is none."""

    kind: str
    part: str
    severity: int
    onset_s: float | None


@dataclass(slots=True)
class Live:
    """What came of one log on the live way (s after its first reading).

    `first_s`: when each kind was first among the findings that hang under nothing; `alarm_s`: when its alarm was
    raised; `returned`: how many alarms ended again; `states`: the machine's states that followed one another.
    """

    findings: tuple[Finding, ...] = ()
    first_s: dict[str, float] = field(default_factory=dict)
    alarm_s: dict[str, float] = field(default_factory=dict)
    returned: int = 0
    states: list[str] = field(default_factory=list)
    status: str = ""
    sentence: str = ""


def from_file(stranger: Any, folder: Path) -> JudgedFile:
    """What the command says of the log, written as a logger's file into `folder`."""
    log, sheet = stranger.write(folder)
    bursts = sorted(path for path in folder.glob("*burst*") if path not in {log, sheet})
    return judged_file(log, sheet, map_path=None, burst_path=bursts[0] if bursts else None, zone=None)


def causes(judgement: Any, begin_s: float) -> tuple[Finding, ...]:
    """The findings of a judgement that hang under nothing, in its order."""
    return tuple(
        Finding(f.kind, str(f.part), f.severity, None if f.onset_s is None else f.onset_s - begin_s)
        for f in judgement.findings
        if f.consequence_of is None
    )


def blocks_of(file: JudgedFile) -> Iterator[Block]:
    """The readings of a file as an agent would have sent them, a second of them in each block."""
    samples, sheet = file.samples, file.sheet
    number = np.floor((samples.time_s - samples.time_s[0]) / _BLOCK_S).astype(int)
    edges = [0, *(np.flatnonzero(np.diff(number)) + 1).tolist(), number.size]
    for seq, (a, b) in enumerate(itertools.pairwise(edges), 1):
        wall_ns = round(float(samples.time_s[a]) * 1e6) * 1000
        until_s = samples.time_s[b] if b < number.size else np.inf
        yield Block(
            agent=AGENT,
            valve=sheet.valve,
            stream="stream-1",
            seq=seq,
            boot_id="boot",
            wall_ns=wall_ns,
            monotonic_ns=wall_ns,
            clock_synchronised=True,
            offsets_us=np.round((samples.time_s[a:b] * 1e6) - wall_ns / 1000).astype(np.int32),
            channels=tuple(
                Channel(name, sheet.signal.unit if name == "command" else CHANNEL_UNITS[name], values=values[a:b])
                for name, values in samples.channels.items()
            ),
            bursts=tuple(
                Burst("current", "A", round(burst.start_s * 1e9), burst.rate_hz, burst.current_a, seq)
                for burst in samples.bursts
                if samples.time_s[a] <= burst.start_s < until_s
            ),
        )


class Recorder:
    """A recorder's insides over an empty store, with a clock that runs with the data."""

    def __init__(self, folder: Path, file: JudgedFile) -> None:
        self.now_s = float(file.samples.time_s[0])
        self.store, self.records = open_samples(folder), open_records(folder / "records.db")
        self.records.put_sheet(SheetRecord(file.sheet.valve, 1, 0, "bench", "bench", file.sheet_text, 0))
        self.ingest = Ingest(
            self.store, Quarantine(folder), SilentBroker(), wall_ns=self.wall_ns, monotonic_s=lambda: self.now_s
        )
        self.judging = Judging(
            self.store, self.records, judge, JUDGE_VERSION, sheet_of, wall_ns=self.wall_ns,
            monotonic_s=lambda: self.now_s,
        )  # fmt: skip
        self.ingest.connected()

    def wall_ns(self) -> int:
        """The plant's clock."""
        return round(self.now_s * 1e9)

    def take(self, block: Block) -> None:
        """Receive and commit a block at the time at which it is complete."""
        self.now_s = (block.wall_ns + float(block.offsets_us[-1]) * 1e3) / 1e9
        self.ingest.message(block_topic(AGENT), encode_block(block), block.seq % 65_535 + 1)
        self.ingest.turn()

    def judge(self) -> bool:
        """Judge what waits; whether anything was judged. Raises RuntimeError where judging failed."""
        moved = self.judging.round()
        failures = [valve.failure.error for valve in self.judging.valves.values() if valve.failure is not None]
        if failures:
            raise RuntimeError(failures[0])
        return moved

    def close(self) -> None:
        """Close the stores."""
        self.records.close()
        self.store.close()


def live(file: JudgedFile, folder: Path) -> Live:
    """The whole log through ingest, judging and alarms, as its seconds come in; `folder` is empty."""
    recorder, out, begin_s = Recorder(folder, file), Live(), float(file.samples.time_s[0])
    try:
        for block in blocks_of(file):
            recorder.take(block)
            if recorder.judge():
                _look(recorder, file.sheet.valve, begin_s, out)
        for _ in range(3):  # nothing follows: what waits is taken
            recorder.now_s += 3.1
            if recorder.judge():
                _look(recorder, file.sheet.valve, begin_s, out)
        for event in recorder.records.alarm_events(file.sheet.valve):
            if event.event is EventKind.RAISED:
                out.alarm_s.setdefault(event.kind, event.at_ns / 1e9 - begin_s)
            out.returned += event.event is EventKind.RETURNED
    finally:
        recorder.close()
    return out


def _look(recorder: Recorder, valve: str, begin_s: float, out: Live) -> None:
    said = recorder.records.judgement(valve)
    assert said is not None
    found = [f for f in said["findings"] if f["consequence_of"] is None]
    out.findings = tuple(
        Finding(f["kind"], f["part"], f["severity"], None if f["onset"] is None else _unix_s(f["onset"]) - begin_s)
        for f in found
    )
    for finding in out.findings:
        out.first_s.setdefault(finding.kind, recorder.now_s - begin_s)
    out.status, out.sentence = said["status"], said["sentence"]
    if not out.states or out.states[-1] != said["state"]:
        out.states.append(said["state"])


def _unix_s(text: str) -> float:
    return float(np.datetime64(text.rstrip("Z"), "ms").astype(np.int64)) / 1000.0


def same(file_findings: tuple[Finding, ...], live_findings: tuple[Finding, ...]) -> list[str]:
    """What differs between the findings from the file and live, in words; empty where nothing does."""
    out = []
    here, there = ({f.kind: f for f in some} for some in (file_findings, live_findings))
    out += [f"{kind} only from the file" for kind in here if kind not in there]
    out += [f"{kind} only live" for kind in there if kind not in here]
    for kind in here.keys() & there.keys():
        a, b = here[kind], there[kind]
        out += [f"{kind}: {a.part} from the file, {b.part} live"] if a.part != b.part else []
        out += [f"{kind}: severity {a.severity} and {b.severity}"] if a.severity != b.severity else []
    return out

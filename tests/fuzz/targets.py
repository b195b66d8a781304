"""Everything that takes bytes from outside, each as one call with the errors it may answer with.

`feed` returns when the bytes were understood, raises one of `refusals` when they were not; anything else is a fault.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from asleft.edge.config import parse_config
from asleft.instruments.csv_parse import CsvError, parse_log
from asleft.instruments.modbus_bursts import BadBurst, BurstLayout, TornBurst, parse_burst
from asleft.logfile.bursts import read_bursts
from asleft.logfile.door import Given, read
from asleft.logfile.errors import LogError
from asleft.logfile.reading import read_log
from asleft.sheet.faults import SheetError
from asleft.sheet.logmap import LogMap, read_log_map
from asleft.sheet.reader import read_sheet
from asleft.wire.block import Ack, AgentState, Block, Burst, Channel, Gap, Mark, Reason
from asleft.wire.codec import (
    WireError,
    decode_ack,
    decode_state,
    decode_upload,
    encode_ack,
    encode_block,
    encode_gap,
    encode_state,
)
from asleft.wire.settings_faults import SettingsError

ROOT = Path(__file__).parents[2]
LAYOUT = BurstLayout("current", "A", "input", (0,), readings=16, scale=0.001, offset=0.0)
LOG = "time,command,current\n" + "".join(f"{i / 10:g},{4 + i % 16},{0.2 + i % 7 / 10:g}\n" for i in range(120))
#: Fewer rows over the same time: recognition looks at every one.
SHORT = "\n".join(LOG.splitlines()[:1] + LOG.splitlines()[1::4] + ["11.9,11,0.2"]) + "\n"
BURST = "time,current\n" + "".join(f"{i / 5000:.4f},{0.5 + i % 9 / 100:g}\n" for i in range(64))
MAP = (
    'separator = ";"\ndecimal_comma = true\nheader_lines = 2\nunit_lines = 1\nencoding = "cp1252"\n'
    'time_format = "%d.%m.%Y %H:%M:%S.%f"\nzone = "Europe/Vienna"\n[column]\ntime = "Zeit"\n'
    'command = { header = "AI 1", unit = "mA", scale = 0.001, offset = 4.0 }\n'
    'current = { header = "I", unit = "mA" }\n'
)


@dataclass(frozen=True, slots=True)
class Target:
    """One decoder. `seeds` are good inputs to begin from; `grows` bounds the memory a byte of input may take."""

    feed: Callable[[bytes], object]
    refusals: tuple[type[Exception], ...]
    seeds: tuple[bytes, ...]
    grows: int = 200


def _uploads() -> tuple[bytes, ...]:
    block = Block(
        agent="hall-2", valve="press-4.platen", stream="6f1c2f7e-5a44-4a3e-9f5e-0d9a1b2c3d4e", seq=12,
        boot_id="0b0e4e1c-0000-4000-8000-000000000001", wall_ns=1_772_439_000_123_456_789, monotonic_ns=98_765,
        clock_synchronised=True, offsets_us=np.arange(8, dtype=np.int32) * 10_000,
        channels=(
            Channel("command", "mA", counts=np.arange(8, dtype=np.int16), scale=0.005, offset=12.0),
            Channel("pressure", "bar", values=np.linspace(0.0, 210.0, 8), marks=(Mark(2, 1, Reason.TORN),)),
        ),
        bursts=(Burst("current", "A", 1_772_439_000_000_000_000, 5000.0, np.array([0.5, 0.625, 0.5]), 42),),
    )  # fmt: skip
    uneven = replace(block, offsets_us=np.array([0, 9, 21, 30, 44, 52, 61, 75], dtype=np.int32), bursts=())
    gap = Gap("hall-2", block.stream, 3, 9, "spool full")
    return encode_block(block), encode_block(uneven), encode_gap(gap)


def _text(read: Callable[[str], object]) -> Callable[[bytes], object]:
    """A reader of text; what is no UTF-8 never reaches it (the callers say so themselves)."""

    def feed(data: bytes) -> object:
        with contextlib.suppress(UnicodeDecodeError):
            return read(data.decode())
        return None

    return feed


def _file(read: Callable[[Path], object]) -> Callable[[bytes], object]:
    """A reader of files, fed through one in a folder of its own."""

    def feed(data: bytes) -> object:
        with _scratch() as path:
            path.write_bytes(data)
            return read(path)

    return feed


@contextlib.contextmanager
def _scratch() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder) / "fed.csv"


def _words(data: bytes) -> Sequence[int]:
    """Registers of one burst buffer, filled up with zeros."""
    whole = data[: 2 * LAYOUT.length].ljust(2 * LAYOUT.length, b"\0")
    return [int(word) for word in np.frombuffer(whole, dtype=">u2")]


def _burst_seed() -> bytes:
    words = [7, 0x459C, 0x4000, 0, 6, 0x4B2A, 0x1234, 16, *range(16), 7]
    return np.array(words, dtype=">u2").tobytes()


_INSTRUMENT = b"""[[instrument]]
family = "modbus-tcp"
name = "press-1"
host = "127.0.0.1"
[[instrument.valve]]
id = "press-1.platen"
channel = [{ name = "current", unit = "A", register = 3, counts = [0, 4095], values = [0, 2.0] }]
[instrument.valve.burst]
channel = "current"
unit = "A"
buffers = [1000, 4000]
readings = 2500
counts = [0, 4095]
values = [0, 2.5]
"""


def _sheet(valve: str) -> bytes:
    file = ROOT / "dashboard" / "asleft" / "cli" / "demo_plant" / "sheets" / f"{valve}.toml"
    return file.read_bytes().replace(b"@COMMISSIONED@", b"2026-03-02T08:10:00Z")


TARGETS = {
    "upload": Target(decode_upload, (WireError,), _uploads()),
    "ack": Target(decode_ack, (WireError,), (encode_ack(Ack("hall-2", "s-1", 12, True)),)),
    "state": Target(
        decode_state, (WireError,), (encode_state(AgentState("hall-2", True, "s-1", 12, 9, 5, "0.1", {"a": "b"})),)
    ),
    "registers": Target(lambda data: parse_burst(LAYOUT, _words(data)), (TornBurst, BadBurst), (_burst_seed(),)),
    "agent settings": Target(
        _text(lambda text: parse_config(text, "box.toml", Path("/etc/asleft"))),
        (SettingsError,),
        ((ROOT / "compose" / "agent.toml").read_bytes().split(b"[[instrument]]\nfamily")[0] + _INSTRUMENT,),
    ),
    "replayed log": Target(
        _text(lambda text: parse_log(io.StringIO(text, newline=""), "time", ("command", "current"))),
        (CsvError,),
        (LOG.encode(),),
        grows=2000,
    ),
    "sheet": Target(
        _text(read_sheet),
        (SheetError,),
        (_sheet("press-1.ejector"), _sheet("press-4.platen")),
    ),
    "map": Target(_text(read_log_map), (SheetError,), (MAP.encode(),)),
    "log": Target(_file(lambda path: read_log(path, LogMap(), signal_unit="mA")), (LogError,), (LOG.encode(),), 2000),
    "log without a map": Target(
        _file(lambda path: read(path, Given())),
        (LogError,),
        (SHORT.encode(), SHORT.replace(",", ";").replace(".", ",").encode("utf-16"), gzip.compress(SHORT.encode())),
        20_000,
    ),
    "burst": Target(_file(lambda path: read_bursts(path, LogMap())), (LogError,), (BURST.encode(),), 2000),
}

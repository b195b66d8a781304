"""Messages of very many parts are refused before they are taken apart."""

from __future__ import annotations

import subprocess
import sys

import pytest
from asleft.wire import block_pb2 as pb
from asleft.wire.codec import WireError, decode_state, decode_upload
from asleft.wire.limits import MAX_CHANNELS, MAX_MESSAGE_BYTES
from asleft.wire.parts import MAX_PARTS, WALKED_FROM_BYTES, check_parts, shape_of

UPLOAD, BLOCK, CHANNEL = pb.Upload.DESCRIPTOR, pb.Block.DESCRIPTOR, pb.Channel.DESCRIPTOR


def number(value: int) -> bytes:
    """A protobuf varint."""
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    return bytes([*out, value])


def part(of: object, name: str, body: bytes) -> bytes:
    """A length-delimited field."""
    return number(of.fields_by_name[name].number << 3 | 2) + number(len(body)) + body  # type: ignore[attr-defined]


CROWDS = {
    "channels": part(UPLOAD, "block", part(BLOCK, "channels", b"") * 2_000_000),
    "marks": part(UPLOAD, "block", part(BLOCK, "channels", part(CHANNEL, "marks", b"") * 2_000_000)),
    "parts nobody knows": b"\xfa\x7f\x00" * 1_300_000,
}


@pytest.mark.parametrize("name", CROWDS)
def test_a_crowd_is_refused(name: str) -> None:
    assert len(CROWDS[name]) <= MAX_MESSAGE_BYTES
    with pytest.raises(WireError, match=f"more than {MAX_PARTS} parts"):
        decode_upload(CROWDS[name])


def test_a_crowd_of_details_is_refused() -> None:
    with pytest.raises(WireError, match="more than"):
        decode_state(part(pb.AgentState.DESCRIPTOR, "details", b"") * 2_000_000)


@pytest.mark.parametrize("door", ["decode_upload(data)", "read_message('asleft/1/block/hall-1', data)"])
def test_a_crowd_takes_no_memory(door: str) -> None:
    """In a process of its own: the most it ever held must hardly grow. Unwalked it grew by 165 MB."""
    script = (
        "from asleft.recorder.reading import read_message\n"
        "import resource, sys\n"
        "from asleft.wire.codec import decode_upload, WireError\n"
        "data = sys.stdin.buffer.read()\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        f"try:\n    {door}\nexcept WireError:\n    pass\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], input=CROWDS["channels"], capture_output=True, check=True)
    assert int(done.stdout) < 40_000  # kB


def test_every_message_that_may_be_large_is_let_through() -> None:
    """As many channels and readings as are allowed, and marks on every other reading."""
    body = part(BLOCK, "offsets_us", b"\0" * 4 * 2000)
    marks = b"".join(part(CHANNEL, "marks", b"\x08" + number(at) + b"\x10\x01\x18\x01") for at in range(0, 2000, 2))
    for at in range(MAX_CHANNELS):
        body += part(
            BLOCK, "channels", part(CHANNEL, "name", b"c%d" % at) + part(CHANNEL, "float32", bytes(8000)) + marks
        )
    data = part(UPLOAD, "block", body)
    assert WALKED_FROM_BYTES < len(data) < MAX_MESSAGE_BYTES
    check_parts("an upload", data, shape_of(pb.Upload))
    assert len(pb.Upload.FromString(data).block.channels[5].marks) == 1000


@pytest.mark.parametrize(
    ("tail", "said"),
    [
        (b"\x0b", "no version sends"),
        (b"\x80" * 11, "longer than ten bytes"),
        (b"\x0a\x05\x00", "cut short"),
        (b"\x80", "cut short"),
    ],
)
def test_what_cannot_be_walked_through_is_refused(tail: bytes, said: str) -> None:
    with pytest.raises(WireError, match=said):
        decode_upload(b"\xfa\x7f\x00" * 30_000 + tail)

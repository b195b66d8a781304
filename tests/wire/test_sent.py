"""The clocks at sending, joined to an upload's bytes."""

from __future__ import annotations

import contextlib

import pytest
from asleft.wire import block_pb2 as pb
from asleft.wire.block import Gap, Sent
from asleft.wire.codec import WireError, decode_sent, decode_upload, encode_gap, with_sent
from asleft.wire.limits import MAX_MESSAGE_BYTES
from hypothesis import given
from hypothesis import strategies as st

INT64 = st.integers(-(2**63), 2**63 - 1)
GAP = Gap("edge-1", "spool-1", 3, 9, "the spool was full")


@given(INT64, INT64, st.from_regex(r"[A-Za-z0-9_.-]{0,36}", fullmatch=True), st.integers(0, 2**32 - 1))
def test_they_come_back_as_they_were_and_leave_the_upload_alone(
    wall: int, monotonic: int, boot: str, way: int
) -> None:
    sent = Sent(wall, monotonic, boot, way)
    joined = with_sent(encode_gap(GAP), sent)
    assert decode_sent(joined) == sent
    assert decode_upload(joined) == GAP


def test_sent_again_they_are_those_of_the_last_time() -> None:
    first = with_sent(encode_gap(GAP), Sent(1, 2, "boot", 3))
    assert decode_sent(with_sent(first, Sent(10, 20, "boot", 7))) == Sent(10, 20, "boot", 7)


def test_an_upload_without_them_has_none() -> None:
    assert decode_sent(encode_gap(GAP)) is None


def test_they_do_not_make_a_message_too_long() -> None:
    upload = bytes(MAX_MESSAGE_BYTES - 10)
    assert with_sent(upload, Sent(1, 2, "boot", 3)) is upload


def test_a_boot_id_that_is_none_is_refused() -> None:
    with pytest.raises(WireError, match="boot_id"):
        decode_sent(pb.Upload(sent=pb.Sent(boot_id="x" * 65)).SerializeToString())


@given(st.binary(max_size=200))
def test_garbage_raises_only_wire_error(data: bytes) -> None:
    with contextlib.suppress(WireError):
        decode_sent(data)

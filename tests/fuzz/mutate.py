"""Bytes near good ones: as a cut cable, a full disk, an editor or a bad mind would leave them."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import strategies as st

#: Pieces that have broken decoders elsewhere: nesting, numbers that overflow, text that is none, separators.
NASTY = (
    b"[" * 2000, b"{" * 50, b"a.a.a." * 300, b"9" * 5000, b"-1", b"nan", b"inf", b"1e999", b"0x", b"\0", b"\xff\xfe",
    b"\xef\xbb\xbf", b"\r", b"\n", b'"', b'"""', b",", b";", b"\t", b"=", b"[[a]]\n", b"\xf4\x8f\xbf\xbf",
    b"\x80" * 12,    b"\xff" * 10, b"9999-12-31T23:59:59Z", b"0001-01-01T00:00:00Z", b"\x08\x80\x80\x80\x80\x10",
)  # fmt: skip


@st.composite
def spoilt(draw: st.DrawFn, seeds: Sequence[bytes]) -> bytes:
    """One of the seeds with a few cuts, repeats, flips and insertions."""
    data = draw(st.sampled_from(list(seeds)))
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, len(data)))
        until = min(len(data), at + draw(st.integers(0, 64)))
        way = draw(st.sampled_from(("cut", "drop", "repeat", "flip", "insert", "swap")))
        if way == "cut":
            data = data[:at]
        elif way == "drop":
            data = data[:at] + data[until:]
        elif way == "repeat":
            data = data[:until] + data[at:until] * draw(st.integers(1, 20)) + data[until:]
        elif way == "flip" and at < len(data):
            data = data[:at] + bytes([data[at] ^ draw(st.integers(1, 255))]) + data[at + 1 :]
        elif way == "insert":
            data = data[:at] + draw(st.sampled_from(NASTY) | st.binary(max_size=12)) + data[at:]
        elif way == "swap":
            data = data[until:] + data[:until]
    return data[:200_000]

"""Counting a message's parts before the protobuf library takes it apart.

The library turns every part, even an empty one of two bytes, into an object of tens of bytes; a message of 4 MB could
take 160 MB. Messages too small for that are not walked through: they are nearly all, and decoding them is in a hurry.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeAlias

from asleft.wire.limits import WireError
from google.protobuf.message import Message

MAX_PARTS = 400_000
"""Fields in a message, those of its parts counted in: 64 channels with a mark on every other of 2000 readings."""
WALKED_FROM_BYTES = 64 * 1024
"""Smaller messages are not walked through: even all of empty parts they take some MB at most."""

_VARINT, _BYTES = 0, 2
_FIXED_BYTES: Mapping[int, int] = {1: 8, 5: 4}  # how many bytes follow, by the kind of part

Shape: TypeAlias = "Mapping[int, Shape]"
"""Numbers of the fields of a message that are messages themselves, with their shapes."""


def shape_of(kind: type[Message]) -> Shape:
    """The shape of a message; our messages do not hold themselves."""
    return _shape(kind.DESCRIPTOR)


def _shape(descriptor: Any) -> Shape:  # noqa: ANN401 - its type depends on which engine the library uses
    return {field.number: _shape(field.message_type) for field in descriptor.fields if field.message_type is not None}


def check_parts(what: str, data: bytes, shape: Shape) -> None:
    """Refuse, with a `WireError`, a message of too many parts or one that cannot be walked through."""
    if len(data) < WALKED_FROM_BYTES:
        return
    left = [(0, len(data), shape)]
    parts = 0
    while left:
        at, end, inside = left.pop()
        while at < end:
            parts += 1
            if parts > MAX_PARTS:
                raise WireError(f"{what} has more than {MAX_PARTS} parts")
            tag, at = _varint(what, data, at, end)
            number, way = tag >> 3, tag & 7
            if way == _BYTES:
                length, at = _varint(what, data, at, end)
                if length > end - at:
                    raise WireError(f"{what} is cut short")
                if number in inside:
                    left.append((at, at + length, inside[number]))
                at += length
            elif way == _VARINT:
                _, at = _varint(what, data, at, end)
            elif way in _FIXED_BYTES:
                at += _FIXED_BYTES[way]
            else:  # groups, which protobuf itself has given up
                raise WireError(f"{what} holds a part of a kind that no version sends")


def _varint(what: str, data: bytes, at: int, end: int) -> tuple[int, int]:
    """A number of up to ten bytes, and where it ends."""
    value = 0
    for shift in range(0, 70, 7):
        if at >= end:
            raise WireError(f"{what} is cut short")
        byte = data[at]
        at += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value, at
    raise WireError(f"{what} holds a number longer than ten bytes")

"""What an OPC UA server says of a variable: value, status code and times, to a reading with a time. Pure.

Status codes are 32 bits (OPC 10000-4, 7.39): severity in bits 30 and 31, code in bits 16 to 27, and for values an
overflow bit that says that the server's queue lost something before this value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from asleft.wire.block import Reason

_SEVERITY = 0xC000_0000
_CODE = 0xFFFF_0000
_IS_VALUE_INFO = 0x0400
_OVERFLOW = 0x0080
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_YEARS = range(1990, 2201)

_REASONS = {
    0x8005_0000: Reason.NOT_CONNECTED,  # Bad_CommunicationError
    0x808A_0000: Reason.NOT_CONNECTED,  # Bad_NotConnected
    0x808B_0000: Reason.NOT_CONNECTED,  # Bad_DeviceFailure
    0x8031_0000: Reason.NOT_CONNECTED,  # Bad_NoCommunication
    0x800A_0000: Reason.NO_ANSWER,  # Bad_Timeout
    0x8032_0000: Reason.NO_ANSWER,  # Bad_WaitingForInitialData
    0x809B_0000: Reason.NO_ANSWER,  # Bad_NoData
    0x803C_0000: Reason.OUT_OF_RANGE,  # Bad_OutOfRange
}
"""Reason by status code (OPC 10000-6, A.2). Every other code that is not good is a refusal."""


@dataclass(frozen=True, slots=True)
class Variable:
    """Where one channel is found: value = offset + scale * number."""

    name: str
    unit: str
    node: str
    """The node's id in its text form, as "ns=2;s=Press4.Current"."""
    scale: float = 1.0
    offset: float = 0.0


def reason_of(status: int) -> Reason | None:
    """Why a value with this status code is not to be trusted; None where the code is good.

    An uncertain value is not trusted: it may be an old one, or a sensor's that is known to be wrong.
    """
    if status & _SEVERITY == 0:
        return None
    return _REASONS.get(status & _CODE, Reason.REFUSED)


def overflowed(status: int) -> bool:
    """Whether the server's queue lost values before this one."""
    return bool(status & _IS_VALUE_INFO and status & _OVERFLOW)


def number_of(value: object, status: int, variable: Variable) -> float | Reason:
    """The channel's value in its unit, or why there is none. A flag is 0 or 1; a text or a list is no number."""
    reason = reason_of(status)
    if reason is not None:
        return reason
    if not isinstance(value, bool | int | float) or not math.isfinite(value):
        return Reason.NOT_FINITE
    return variable.offset + variable.scale * value


def time_ns(source: datetime | None, server: datetime | None, heard_ns: int) -> int:
    """When a value was taken, ns since 1970 UTC: by its source, else by the server, else when it was heard.

    A time before 1990 or after 2200 stands for none; times without a zone are UTC, as OPC UA has no other.
    """
    for at in (source, server):
        if at is not None and at.year in _YEARS:
            since = (at if at.tzinfo is not None else at.replace(tzinfo=UTC)) - _EPOCH
            return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000
    return heard_ns

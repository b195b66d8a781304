"""How large a message may be, and the checks that every message passes on its way out and in.

Limits are checked before anything is allocated from a number that the other side sent.
"""

from __future__ import annotations

import math
import re

from asleft.wire.topics import valid_agent

MAX_MESSAGE_BYTES = 4 * 1024 * 1024
"""Bytes of one message."""
MAX_SAMPLES = 200_000
"""Readings in one array, of a channel or of a burst."""
MAX_CHANNELS = 64
"""Channels of one block."""
MAX_BURSTS = 16
"""Bursts of one block."""
MAX_MARKS = 10_000
"""Runs of failed readings in one channel."""
MAX_TEXT = 200
"""Characters of a free text (the why of a gap, a version)."""
MAX_UNIT = 32
"""Characters of a unit."""
MAX_DETAILS = 64
"""Entries in the details of an agent's state."""
MAX_DETAIL_TEXT = 500
"""Characters of one detail of an agent's state."""
MAX_SEQ = 2**63 - 1
"""Largest sequence number: what SQLite can hold."""
MAX_PERIOD_US = 2**31 - 1
"""Longest time after the first reading, in us: what int32 can hold."""

_NAME = re.compile(r"[a-z0-9_.-]{1,64}")
_STREAM = re.compile(r"[A-Za-z0-9_.-]{1,64}")
_BOOT_ID = re.compile(r"[A-Za-z0-9_.-]{0,64}")


class WireError(ValueError):
    """A message that breaks the contract; its text is a sentence saying where and how."""


def check_id(what: str, text: str) -> None:
    """Refuse an agent or valve id that is none."""
    if not valid_agent(text):
        raise WireError(f"{what} {_shown(text)} is no id: a-z, 0-9, '-' and '.', at most 64 characters")


def check_stream(text: str) -> None:
    """Refuse a stream id that is none."""
    if _STREAM.fullmatch(text) is None:
        raise WireError(f"stream {_shown(text)} is no stream id: 1 to 64 letters, digits, '-', '_' and '.'")


def check_boot_id(text: str) -> None:
    """Refuse a boot id that is none; an empty one is allowed."""
    if _BOOT_ID.fullmatch(text) is None:
        raise WireError(f"boot_id {_shown(text)} is no boot id: at most 64 letters, digits, '-', '_' and '.'")


def check_channel_name(text: str) -> None:
    """Refuse a channel name that is none."""
    if _NAME.fullmatch(text) is None:
        raise WireError(f"channel {_shown(text)} is no channel name: a-z, 0-9, '_', '-' and '.', 1 to 64 characters")


def check_text(what: str, text: str, limit: int) -> None:
    """Refuse a text that is too long or has no UTF-8 form."""
    if len(text) > limit:
        raise WireError(f"{what} has {len(text)} characters, at most {limit} are allowed")
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise WireError(f"{what} {_shown(text)} cannot be written as UTF-8") from error


def check_count(what: str, count: int, limit: int, least: int = 0) -> None:
    """Refuse a count outside least..limit."""
    if not least <= count <= limit:
        raise WireError(f"{what} is {count}, allowed are {least} to {limit}")


def check_finite(what: str, value: float) -> None:
    """Refuse NaN and infinities."""
    if not math.isfinite(value):
        raise WireError(f"{what} is {value}, a finite number is needed")


def check_int64(what: str, value: int) -> None:
    """Refuse an integer that a signed 64-bit field cannot hold."""
    if not -(2**63) <= value < 2**63:
        raise WireError(f"{what} is {value}, which does not fit into 64 bits")


def _shown(text: str) -> str:
    return repr(text if len(text) <= 80 else text[:77] + "...")

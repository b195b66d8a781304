"""What is remembered of each valve between rounds of judging; all of it can be had again from the stores."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(slots=True)
class Failure:
    """What went wrong with a valve, how often in a row, and when it is tried again."""

    count: int
    message: str
    at_ns: int
    retry_s: float


@dataclass(slots=True)
class Progress:
    """How far judging of one valve is, and what stood in its way."""

    state: tuple[str, Any] | None = None  # text as stored, and the object it stands for
    newest: tuple[str, int] | None = None  # last waiting block, and since when it is the last
    newest_s: float = 0.0
    waiting: int = 0
    held: int = 0
    late: int = 0
    ahead: int = 0
    steps: int = 0
    judged_ns: int | None = None
    failure: Failure | None = None

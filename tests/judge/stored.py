"""A part of a state after it went through text."""

from __future__ import annotations

from typing import Any

from asleft.judge.judge import begin
from asleft.judge.state import dumps, loads
from synth import sheet


def stored(field: str, value: Any) -> Any:
    """What a field of a state is after the state was written and read."""
    state = begin(sheet())
    setattr(state, field, value)
    return getattr(loads(dumps(state)), field)

"""What one agent may do at the recorder: figures only, for the recorder and for its help page."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """What one agent may do."""

    most_valves: int = 128
    """Valves that an agent may bind by being the first; those that people bind are not counted."""
    most_streams: int = 200
    """Streams (spool files) of an agent, ever."""
    new_streams: int = 20
    """New streams in a row; one more an hour after that."""
    most_ahead: int = 20_000
    """How far a number may lie beyond the mark; agents send at most 400 ahead."""
    blocks_per_s: float = 2_000.0
    """Messages, in the long run; catching up after an outage comes to half of it."""
    blocks_in_a_row: float = 20_000.0
    bytes_per_s: float = 16e6
    bytes_in_a_row: float = 160e6
    oldest_days: int = 3_650
    """Readings older than this are refused."""
    ahead_days: int = 1
    """Readings dated further ahead than this are refused."""
    kept_aside_per_minute: float = 60.0
    """Refused messages of an agent that are kept for inspection; the others are only counted."""

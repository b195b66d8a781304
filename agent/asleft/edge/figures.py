"""How an agent stands, as numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from asleft.edge.sampler import SamplerCounters
from asleft.edge.spool import SpoolCounters


@dataclass(frozen=True, slots=True)
class AgentFigures:
    """How an agent stands at one moment; counters are since its start."""

    agent: str
    version: str
    instruments: Sequence[tuple[str, SamplerCounters]]
    bursts: int
    spool: SpoolCounters
    spool_limit_bytes: int
    lost_blocks: int
    connected: bool
    connections: int
    sent_again: int
    needs_attention: bool

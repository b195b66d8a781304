"""The delivery invariant of one agent's stream: generated = stored + declared gap + unacknowledged. Pure.

It rests on counters of both sides, not on row counts: acknowledged rows stay in the agent's spool for a while, and
retention removes stored ones.
"""

from __future__ import annotations

from dataclasses import dataclass

from asleft.store.protocols import StreamMark


@dataclass(frozen=True, slots=True)
class Invariant:
    """The balance of one stream. `missing` is what neither side accounts for: it must be 0."""

    generated: int
    stored: int
    declared_gap: int
    unacknowledged: int
    missing: int
    on_its_way: int  # stored, and the word about it has not reached the agent yet

    @property
    def balances(self) -> bool:
        """Whether every block is accounted for."""
        return self.missing == 0


def invariant(highest_seq: int, acknowledged: int, mark: StreamMark | None) -> Invariant:
    """Balance from the agent's word (highest seq generated, mark it believes in) and the recorder's mark.

    The agent's word is some seconds old, so the recorder may be ahead of it: then as many are taken as generated as
    are known to be. An agent that believes in a higher mark than is stored would let go of blocks that nobody has:
    those are `missing`. Raises `ValueError` for negative counts.
    """
    if highest_seq < 0 or acknowledged < 0:
        raise ValueError(f"highest_seq {highest_seq} and acknowledged {acknowledged} must not be negative")
    passed = 0 if mark is None else mark.mark
    declared = 0 if mark is None else mark.declared_gap
    generated = max(highest_seq, acknowledged, passed)
    unacknowledged = generated - max(acknowledged, passed)
    stored = passed - declared
    return Invariant(
        generated=generated,
        stored=stored,
        declared_gap=declared,
        unacknowledged=unacknowledged,
        missing=generated - stored - declared - unacknowledged,
        on_its_way=max(0, passed - acknowledged),
    )

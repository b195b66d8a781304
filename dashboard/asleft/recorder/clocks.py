"""Agents' clocks against our own: steps, drift and offset, and the correction of every block's time. Pure.

An agent's monotonic clock is never set, so between it and ours there is one constant a boot, known from above by
every message: received (our monotonic) - sent (its monotonic) is that constant plus the time on the way. The
smallest of them is taken. What a block's wall clock should have said follows from its monotonic time, to within the
delay on the way; where the two disagree the wall clock is wrong. Raw times are never changed: corrections are rows
beside them.

A message that lay in the broker while we were away seems to say that the agent's clock is late. So every message
echoes the time of the last word of ours that the agent has heard, and how long ago that was: what remains of the time
since is how long both were on their way. Nothing is believed before one came within ten seconds there and back.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from asleft.store.protocols import ClockChange
from asleft.wire.block import Block, Sent

S = 1_000_000_000
TOLERATED_NS = S // 2
"""A wall clock this near to ours is right; more than a network's delay, less than anything a judgement rests on."""
STEPPED_NS = S // 5
"""Wall minus monotonic clock changing by more than this from one block to the next is a step."""
KNOWN_STEP_NS = S // 10
"""Once a clock has been seen to step or run wrong in a boot, it is right again within this."""
FAST = 0.01
"""Share by which a wall clock may run away from the monotonic one from block to block; discipline makes 0.0005."""
_SPACING_NS = S // 4
_LONGEST_WAY_NS = 10 * S
_WINDOW_NS = 600 * S
_CHANGE_NS = S // 20


@dataclass(slots=True)
class _Boot:
    """One boot of one agent: how our monotonic clock stands to its own (ns), with the doubt described above."""

    since_ns: int
    now_ns: int  # smallest of the present window
    before_ns: int | None = None  # and of the one before
    way_ns: int | None = None  # shortest way there and back; None: nothing is believed yet
    ahead_ns: int | None = None  # wall minus monotonic of the newest block
    ahead_at_ns: int = 0  # its monotonic time
    running: int = 0  # blocks in a row in which the wall clock ran ahead (above 0) or fell back (below 0)
    trouble: str = ""  # step or drift seen in this boot

    @property
    def base_ns(self) -> int:
        """Our monotonic time minus the agent's, at most the shortest delay too much."""
        return self.now_ns if self.before_ns is None else min(self.now_ns, self.before_ns)


@dataclass(frozen=True, slots=True)
class ClockState:
    """How an agent's clock stands, for the health page."""

    offset_ns: int  # what its wall clock lacks to ours; positive where it is late
    drift_ppm: float | None  # how much too fast it runs; None while not known
    trouble: str  # what is wrong with it, empty when nothing is


@dataclass(slots=True)
class _Agent:
    boots: dict[str, _Boot] = field(default_factory=dict)
    offsets: list[tuple[int, int]] = field(default_factory=list)  # (our monotonic time, offset), one a window
    state: ClockState | None = None

    @property
    def drift_ppm(self) -> float | None:
        """How much too fast its clock runs, from first to last window; None while there are less than three."""
        if len(self.offsets) < 3:
            return None
        (first_ns, first), (last_ns, last) = self.offsets[0], self.offsets[-1]
        return round(-(last - first) / (last_ns - first_ns) * 1e6, 1)


class Clocks:
    """All agents' clocks. For one thread."""

    def __init__(self, changes: Iterable[ClockChange] = ()) -> None:
        """`changes` are those on record."""
        self._agents: dict[str, _Agent] = {}
        self._newest: dict[tuple[str, str], ClockChange] = {}
        for change in changes:
            self._note(change)

    def adopt(self, agent: str, changes: Iterable[ClockChange]) -> None:
        """An agent comes to us from another recorder; `changes` are all its own on record."""
        self._newest = {key: change for key, change in self._newest.items() if key[0] != agent}
        for change in changes:
            self._note(change)

    @property
    def states(self) -> dict[str, ClockState]:
        """How each agent's clock stands."""
        return {name: agent.state for name, agent in self._agents.items() if agent.state is not None}

    def offset_ns(self, agent: str, stream: str) -> int:
        """The correction that counts for a stream's newest blocks; 0 while none is known."""
        change = self._newest.get((agent, stream))
        return 0 if change is None else change.offset_ns

    def compared(self, agent: str, sent: Sent | None) -> bool:
        """Whether an agent's clock could be compared with ours in the boot that sent something; old agents cannot."""
        if sent is None:
            return True
        known = self._agents.get(agent)
        boot = None if known is None else known.boots.get(sent.boot_id)
        return boot is not None and boot.way_ns is not None

    def heard(self, block: Block, sent: Sent | None, wall_ns: int, monotonic_ns: int) -> ClockChange | None:
        """A block with the clocks at its sending and ours at its reception; a row to keep if its correction is new.

        Blocks of a stream are looked at in the order of their numbers; one that comes again changes nothing.
        """
        if sent is None:
            return None
        agent = self._agents.setdefault(block.agent, _Agent())
        self._compare(agent, sent, wall_ns, monotonic_ns)
        newest = self._newest.get((block.agent, block.stream))
        if newest is not None and block.seq <= newest.first_seq:
            return None
        boot = agent.boots.get(block.boot_id)
        if boot is None or boot.way_ns is None:
            return None  # written before a boot that we never heard from, or not known well enough yet
        self._watch(boot, block)
        correction_ns = boot.base_ns + (wall_ns - monotonic_ns) - (block.wall_ns - block.monotonic_ns)
        tolerated_ns = (KNOWN_STEP_NS if boot.trouble else TOLERATED_NS) + boot.way_ns
        wrong = abs(correction_ns) > tolerated_ns or abs(boot.running) >= 2
        if not wrong:
            correction_ns, boot.trouble = 0, ""
        agent.state = ClockState(correction_ns, agent.drift_ppm, _why(boot, correction_ns) if wrong else "")
        before_ns = 0 if newest is None else newest.offset_ns
        if (newest is not None or wrong) and _differs(correction_ns, before_ns, wrong):
            why = _why(boot, correction_ns) if wrong else ""
            change = ClockChange(block.agent, block.stream, block.seq, correction_ns, why, wall_ns)
            self._note(change)
            return change
        return None

    def _compare(self, agent: _Agent, sent: Sent, wall_ns: int, monotonic_ns: int) -> None:
        """Learn from a message's two times; one that we have seen is as good as a new one."""
        apart_ns = monotonic_ns - sent.monotonic_ns
        boot = agent.boots.get(sent.boot_id)
        if boot is None:
            boot = agent.boots[sent.boot_id] = _Boot(monotonic_ns, apart_ns)
            if len(agent.boots) > 8:
                agent.boots.pop(next(iter(agent.boots)))
        if monotonic_ns - boot.since_ns > _WINDOW_NS:
            boot.before_ns, boot.now_ns, boot.since_ns = boot.now_ns, apart_ns, monotonic_ns
        boot.now_ns = min(boot.now_ns, apart_ns)
        offset_ns = boot.base_ns + (wall_ns - monotonic_ns) - (sent.wall_ns - sent.monotonic_ns)
        way_ns = monotonic_ns - sent.echo_ns - sent.held_ns
        if sent.echo_ns and 0 <= way_ns <= _LONGEST_WAY_NS:
            boot.way_ns = way_ns if boot.way_ns is None else min(way_ns, boot.way_ns)
        if boot.way_ns is None:
            return
        if not agent.offsets or monotonic_ns - agent.offsets[-1][0] > _WINDOW_NS:
            agent.offsets = [*agent.offsets[-6:], (monotonic_ns, offset_ns)]

    def _watch(self, boot: _Boot, block: Block) -> None:
        """Steps and drift from one block to the next, which need no comparison with our clock."""
        ahead_ns = block.wall_ns - block.monotonic_ns
        if boot.ahead_ns is not None and block.monotonic_ns > boot.ahead_at_ns:
            moved_ns, took_ns = ahead_ns - boot.ahead_ns, block.monotonic_ns - boot.ahead_at_ns
            if took_ns < _SPACING_NS:
                return  # another valve's block of the same second
            share = moved_ns / took_ns
            if abs(moved_ns) > STEPPED_NS and abs(share) > 10 * FAST:
                boot.trouble, boot.running = f"its clock was put {_seconds(moved_ns)}", 0
            elif abs(share) > FAST and abs(moved_ns) > 20_000_000:
                way = 1 if share > 0 else -1
                boot.running = boot.running + way if boot.running * way >= 0 else way
                if abs(boot.running) >= 2:
                    boot.trouble = f"its clock runs {abs(share):.1%} {'fast' if share > 0 else 'slow'}"
            else:
                boot.running = 0
        if boot.ahead_ns is None or block.monotonic_ns > boot.ahead_at_ns:
            boot.ahead_ns, boot.ahead_at_ns = ahead_ns, block.monotonic_ns

    def _note(self, change: ClockChange) -> None:
        known = self._newest.get((change.agent, change.stream))
        if known is None or change.first_seq >= known.first_seq:
            self._newest[change.agent, change.stream] = change


def _differs(correction_ns: int, before_ns: int, wrong: bool) -> bool:
    if not wrong:
        return before_ns != 0
    return abs(correction_ns - before_ns) > _CHANGE_NS


def _why(boot: _Boot, correction_ns: int) -> str:
    late = f"it is {_seconds(-correction_ns)}"
    return f"{boot.trouble}; {late}" if boot.trouble else late


def _seconds(ns: int) -> str:
    """Seconds ahead or back, as people say it."""
    size = abs(ns) / S
    text = f"{size:.1f} s" if size < 600 else f"{size / 60:.0f} min" if size < 36_000 else f"{size / 3600:.0f} h"
    return f"{text} {'ahead' if ns > 0 else 'behind'}"

# ruff: noqa: ARG001, ARG005 - replaced functions keep the arguments of those they replace
"""The protocol with one of its rules switched off: each entry makes a context manager that patches the real code.

A simulation that lets one of these pass would prove nothing. `SAFE` are changes that must make no difference.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from unittest.mock import patch

import sim_agent
import sim_recorder
from asleft.edge import spool_core, spool_room, uplink_core
from asleft.edge.delivery_core import DeliveryCore
from asleft.edge.spool_core import SpoolCore
from asleft.edge.uplink_core import AckOutcome, UplinkCore
from asleft.recorder import ack_core
from asleft.recorder.ack_core import AckCore
from asleft.recorder.ingest_core import IngestCore
from asleft.recorder.reading import Unusable
from asleft.store import streams
from asleft.store.streams import StreamRow
from asleft.wire.codec import decode_upload

Mutant = Callable[[], AbstractContextManager[object]]
MUTANTS: dict[str, Mutant] = {}
SAFE: dict[str, Mutant] = {}


def _mutant(name: str, *changes: tuple[object, str, object]) -> None:
    """Under this name: attributes replaced by others."""

    @contextmanager
    def switched() -> Iterator[None]:
        with ExitStack() as stack:
            for owner, attribute, other in changes:
                stack.enter_context(patch.object(owner, attribute, other))
            yield

    MUTANTS[name] = switched


# ------------------------------------------------------------------------------------------- the agent


def _delete_on_puback(self: sim_agent.Outbox, payload: bytes) -> None:
    said = decode_upload(payload)
    seq = getattr(said, "seq", None)
    if seq is not None:
        self.core._db.execute("DELETE FROM block WHERE seq = ?", (seq,))


_mutant("delete on the broker's acknowledgement", (sim_agent.Outbox, "taken", _delete_on_puback))

_append, _crash, _start = SpoolCore.append, sim_agent.SimAgent.crash, sim_agent.SimAgent.start


def _append_later(self: SpoolCore, blocks, lost=0):
    """What a crash leaves is the state before the last commit."""
    self._db_before = self._db.serialize()
    return _append(self, blocks, lost)


def _crash_undoes(self: sim_agent.SimAgent) -> None:
    core = self.outbox.core if self.outbox is not None else None
    _crash(self)
    if core is not None and hasattr(core, "_db_before"):
        self.db.deserialize(core._db_before)


_mutant(
    "blocks sent before they are durable in the spool",
    (SpoolCore, "append", _append_later),
    (sim_agent.SimAgent, "crash", _crash_undoes),
)


def _init_counting_rows(self: SpoolCore, *args, **kwargs) -> None:
    _init(self, *args, **kwargs)
    self.highest_seq = self._db.execute("SELECT coalesce(max(seq), 0) FROM block").fetchone()[0]


def _trim_at_once(self: SpoolCore) -> None:
    _write_mark(self)
    self._db.execute("DELETE FROM block WHERE seq <= ?", (self.acknowledged,))


def _acknowledge_and_trim(self: sim_agent.Outbox, mark: int) -> None:
    self.core.acknowledged = mark
    self.core.write_mark()


_init, _write_mark = SpoolCore.__init__, SpoolCore.write_mark
_trimmed_at_once = (
    (SpoolCore, "write_mark", _trim_at_once),
    (sim_agent.Outbox, "acknowledge", _acknowledge_and_trim),
)
_mutant("numbers begin anew when the spool is empty", (SpoolCore, "__init__", _init_counting_rows), *_trimmed_at_once)


def _drop_without_gap(db, dropped, step):
    (first,) = db.execute("SELECT min(seq) FROM block").fetchone()
    if first is None:
        return False
    db.execute("DELETE FROM block WHERE seq < ?", (first + step,))
    return True


_mutant("a full spool drops blocks without a gap", (spool_room, "_drop_blocks", _drop_without_gap))
_mutant(
    "gaps are not sent", (SpoolCore, "_gaps", lambda self, first, last: []), (spool_core, "_holes", lambda *_: [])
)


def _forget_gaps(self: SpoolCore) -> None:
    _write_mark(self)
    self._db.execute("DELETE FROM gap")


_mutant("gaps go before they are acknowledged", (SpoolCore, "write_mark", _forget_gaps))
_mutant("never go back", (UplinkCore, "_go_back", lambda self, now_s: None))
_mutant("what is damaged in the spool is sent for ever", (DeliveryCore, "_readable", lambda self, item: item))


def _acknowledged_with(**ignored: bool):
    """`UplinkCore.acknowledged` without some of its rules."""

    def acknowledged(self: UplinkCore, ack, highest: int, now_s: float) -> AckOutcome:
        if ack.stream != self._stream and not ignored.get("stream"):
            return AckOutcome.FOREIGN
        if ack.mark > highest and not ignored.get("maximum"):
            return AckOutcome.IMPOSSIBLE
        if ack.mark < self.mark:
            if ignored.get("never_lower") or (not ack.fresh and not ignored.get("fresh")):
                return AckOutcome.STALE
            self.mark, self._next = ack.mark, ack.mark + 1
            return AckOutcome.LOWERED
        outcome = AckOutcome.SAME if ack.mark == self.mark else AckOutcome.RAISED
        self.mark, self._next = ack.mark, max(self._next, ack.mark + 1)
        self._progress(now_s)
        return outcome

    return acknowledged


for _name, _rule in (
    ("the mark of another stream is taken", "stream"),
    ("a mark above everything generated is taken", "maximum"),
    ("a lower mark is taken without fresh", "fresh"),
    ("a lower mark is never taken", "never_lower"),
):
    _mutant(_name, (UplinkCore, "acknowledged", _acknowledged_with(**{_rule: True})), *_trimmed_at_once)


# ---------------------------------------------------------------------------------------- the recorder

_commit, _recorder_crash = sim_recorder.SimStore.commit, sim_recorder.SimRecorder.crash


def _commit_later(self: sim_recorder.SimStore, blocks, gaps, now_ns):
    before = pickle.dumps(self.streams)
    marks = _commit(self, blocks, gaps, now_ns)
    self.before = before
    return marks


def _crash_undoes_commit(self: sim_recorder.SimRecorder) -> None:
    running = self.core is not None
    _recorder_crash(self)
    if running and hasattr(self.store, "before"):
        self.store.put_back(self.store.before)


_mutant(
    "acknowledged before the commit is durable",
    (sim_recorder.SimStore, "commit", _commit_later),
    (sim_recorder.SimRecorder, "crash", _crash_undoes_commit),
    *_trimmed_at_once,
)

_prepare, _confirm, _stored = IngestCore.prepare, IngestCore.confirm, AckCore.stored


def _prepare_and_acknowledge(self: IngestCore, messages, now_ns):
    for message in messages:
        if self.acks.may_acknowledge(message.generation):
            self._broker.acknowledge(message.packet)
    return _prepare(self, messages, now_ns)


_mutant("acknowledged to the broker before the commit", (IngestCore, "prepare", _prepare_and_acknowledge))
_mutant(
    "a message is acknowledged on a later connection",
    (AckCore, "may_acknowledge", lambda self, generation: self._connected),
)


def _stored_on_advance(self: AckCore, marks, highest, now_s: float) -> None:
    marks = [
        mark
        for mark in marks
        if (known := self._streams.get((mark.agent, mark.stream))) is None or mark.mark > known.mark.mark
    ]
    _stored(self, marks, highest, now_s)


_mutant("acknowledged to the agent only when the mark advances", (AckCore, "stored", _stored_on_advance))

_say = AckCore._say
_mutant(
    "no mark is ever said as fresh",
    (AckCore, "_say", lambda self, stream, now_s: ack_core.Ack(*_plain(_say(self, stream, now_s)))),
)
_mutant("an agent that believes in too high a mark is not told", (AckCore, "heard", lambda self, state: None))


def _plain(ack) -> tuple:
    return ack.agent, ack.stream, ack.mark, False


def _confirm_usable(self: IngestCore, ready, now_s: float) -> None:
    ready.messages = [one for one in ready.messages if not isinstance(self._read(one.topic, one.payload), Unusable)]
    _confirm(self, ready, now_s)


_mutant("what cannot be decoded is not acknowledged", (IngestCore, "confirm", _confirm_usable))
_mutant(
    "the mark passes over holes",
    (streams, "advance", lambda mark, held: max([mark, *(last for _, last in held)])),
)
_mutant("declared gaps are not stored", (StreamRow, "declare", lambda self, gap: None))


@contextmanager
def _spool_trimmed_at_once() -> Iterator[None]:
    with ExitStack() as stack:
        for owner, attribute, other in _trimmed_at_once:
            stack.enter_context(patch.object(owner, attribute, other))
        yield


SAFE["the spool is trimmed at once"] = _spool_trimmed_at_once
SAFE["another patience"] = lambda: patch.object(uplink_core, "PATIENCE_S", 1.3)

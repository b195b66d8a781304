"""The agent's delivery without I/O: what leaves the spool when, what an acknowledgement does, what is wrong.

Connection, spool, clock and randomness are arguments. `asleft.edge.delivery` makes connections and calls this.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import Protocol

from asleft.edge.spool_core import Item
from asleft.edge.uplink_core import WINDOW, AckOutcome, UplinkCore
from asleft.wire.codec import WireError, decode_ack, decode_upload

logger = logging.getLogger(__name__)

STALLED_S = 30.0
"""Blocks that wait while nothing is acknowledged for so long are an alarm."""
_AT_ONCE = 50


class Outbox(Protocol):
    """What delivery needs of the spool; see `asleft.edge.spool.Spool`."""

    @property
    def stream(self) -> str:
        """Whose numbers they are."""
        ...

    @property
    def highest_seq(self) -> int:
        """Highest number given so far."""
        ...

    @property
    def acknowledged(self) -> int:
        """The mark."""
        ...

    def items(self, first: int, last: int, limit: int) -> Sequence[Item]:
        """Messages covering first..last in order, without a hole."""
        ...

    def give_up(self, seq: int, why: str) -> Item:
        """Declare a block lost; the gap in its place."""
        ...

    def acknowledge(self, mark: int) -> None:
        """The recorder has everything up to `mark`."""
        ...


class Sender(Protocol):
    """What delivery needs of a connection."""

    @property
    def in_flight(self) -> int:
        """Messages handed over that the broker has not yet taken."""
        ...

    def send_upload(self, payload: bytes) -> None:
        """Hand over a block or gap."""
        ...


class DeliveryCore:
    """Delivery of one spool. For one thread; times are monotonic seconds."""

    def __init__(
        self,
        spool: Outbox,
        random: Callable[[], float],
        now_s: float,
        window: int = WINDOW,
        decode: Callable[[bytes], object] = decode_upload,
        stamp: Callable[[bytes, int, float], bytes] = lambda payload, _echo_ns, _held_s: payload,
        begin_anew: Callable[[], None] | None = None,
    ) -> None:
        """`stamp` writes into a message the clocks at sending, the time of the last word heard and how old it is.

        `begin_anew`: makes a new stream of a spool that turns out to be an older copy.
        """
        self._begin_anew, self._random, self._window = begin_anew, random, window
        self._stamp = stamp
        self._heard: tuple[int, float] = (0, now_s)  # the recorder's time in its last word, and when it came
        self._spool = spool
        self._stream = spool.stream
        self._decode = decode
        self._core = UplinkCore(spool.stream, spool.acknowledged, random, window)
        # What processes before us sent lay in the spool as we found it.
        self._sent_to = spool.highest_seq
        self._moved_s = now_s
        self._checked_back_to = 0  # go-backs after which what is sent was last looked through
        self._doubtful = 0  # everything up to it is looked through before it is sent
        self.alarm = ""
        """An acknowledgement that needs a person; empty when there is none."""

    @property
    def go_backs(self) -> int:
        """Times everything unacknowledged was sent again for lack of progress."""
        return self._core.go_backs

    @property
    def mark(self) -> int:
        """What the recorder has, as far as we know."""
        return self._core.mark

    def connected(self, now_s: float) -> None:
        """A new connection stands."""
        self._core.connected(now_s)

    def disconnected(self) -> None:
        """The connection is gone."""
        self._core.disconnected()

    def send(self, session: Sender, now_s: float) -> bool:
        """Hand over what may go now; whether anything went. Raises what spool and connection raise."""
        if self._spool.stream != self._stream:  # a damaged spool was set aside
            self._new_stream(now_s)
        highest = self._spool.highest_seq
        if self._core.mark >= highest:
            self._moved_s = now_s
        span = self._core.plan(highest, session.in_flight, now_s)
        if span is None:
            return False
        if self._core.go_backs != self._checked_back_to:
            self._checked_back_to = self._core.go_backs
            self._doubtful = highest
        items = self._spool.items(span.first, span.last, _AT_ONCE)
        for item in items:
            checked = self._readable(item) if item.first <= self._doubtful else item
            echo_ns, heard_s = self._heard
            session.send_upload(self._stamp(checked.payload, echo_ns, now_s - heard_s))
            self._core.sent(checked.last, now_s)
            self._sent_to = max(self._sent_to, checked.last)
        return bool(items)

    def take(self, payload: bytes, now_s: float) -> None:
        """Take the bytes of an acknowledgement."""
        if not payload:
            return  # a retained message that was cleared
        try:
            ack = decode_ack(payload)
        except WireError as error:
            self.alarm = f"an acknowledgement makes no sense: {error}"
            return
        outcome = self._core.acknowledged(ack, self._sent_to, now_s)
        if outcome is AckOutcome.IMPOSSIBLE and self._begin_anew is not None:
            logger.error("the recorder has up to %d of what was sent only up to %d", ack.mark, self._sent_to)
            self._begin_anew()
            self._new_stream(now_s)
            return
        if outcome in (AckOutcome.FOREIGN, AckOutcome.IMPOSSIBLE):
            what = f"of stream {ack.stream}" if outcome is AckOutcome.FOREIGN else f"of {ack.mark}, never sent"
            self.alarm = f"{outcome} acknowledgement {what}"
            logger.error("%s: ignored", self.alarm)
            return
        self._heard = (ack.at_ns, now_s)
        if outcome is AckOutcome.LOWERED:
            logger.warning("the recorder has only %d blocks: sending again from there", ack.mark)
        if outcome in (AckOutcome.RAISED, AckOutcome.LOWERED):
            self._spool.acknowledge(self._core.mark)
            self._moved_s = now_s
            self.alarm = ""

    def _new_stream(self, now_s: float) -> None:
        """Go on with what the spool holds now, under its new name; a connection stands."""
        self._stream = self._spool.stream
        self._sent_to = self._spool.highest_seq
        self._core = UplinkCore(self._stream, self._spool.acknowledged, self._random, self._window)
        self._core.connected(now_s)
        self._moved_s = now_s

    def stalled(self, now_s: float) -> str:
        """What to say when blocks have waited too long for an acknowledgement; empty when all is well."""
        waiting = self._spool.highest_seq - self._core.mark
        still_s = now_s - self._moved_s
        if waiting <= 0 or still_s < STALLED_S:
            return ""
        return f"{waiting} blocks wait, and the recorder has confirmed none for {still_s:.0f} s"

    def _readable(self, item: Item) -> Item:
        """The item, or a gap in its place if its bytes have suffered on our disk.

        The recorder could not tell which block it was, and would wait for it for ever. Looked at only after going
        back, because it costs more than sending.
        """
        try:
            self._decode(item.payload)
        except WireError as error:
            logger.error("block %d is damaged in the spool and declared lost: %s", item.first, error)
            return self._spool.give_up(item.first, f"damaged in the spool: {error}")
        return item

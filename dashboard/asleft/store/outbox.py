"""Messages to be sent: written down before they are sent, and marked when they are. At least once, by key."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from asleft.store.engine import insert_ignoring, insert_replacing, reading, writing
from asleft.store.tables import notice, outlet_state
from sqlalchemy import Engine, and_, func, select, update

FIRST_RETRY_S, LONGEST_RETRY_S = 15.0, 900.0
HOOK = "hook:"
"""With what the name of a web hook begins in `Notice.to_name`; no person's place to be told is called so."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One message of the outbox. `key` says what it is about and to whom, and is never made twice."""

    key: str
    made_ns: int
    to_name: str
    subject: str
    body: str
    tries: int = 0
    next_ns: int = 0
    sent_ns: int | None = None
    error: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """How the outbox stands: what waits, of that what was tried in vain, and since when."""

    waiting: int
    failed: int
    oldest_ns: int | None
    next_ns: int | None  # when the next of those that failed is tried again
    last_sent_ns: int | None
    error: str  # what the last try in vain came back with


class OutboxReader(Protocol):
    """What the pages read of it."""

    def standing(self) -> Standing | None:
        """How it stands; None where there is none to look into."""
        ...


class NoOutbox:
    """Where nothing is sent from."""

    def standing(self) -> Standing | None:
        """There is none."""
        return None


class Outbox:
    """Over an engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def make(self, message: Notice, also: Sequence[str]) -> None:
        """Write a message down, and that it also speaks of those keys. One that is there is left alone."""
        rows = [
            message,
            *(Notice(key, message.made_ns, message.to_name, "", "", sent_ns=message.made_ns) for key in also),
        ]
        with writing(self._engine, "outbox") as connection:
            insert_ignoring(connection, notice, [_row(one) for one in rows])

    def told(self, since_ns: int) -> set[str]:
        """Keys of everything made since then."""
        with reading(self._engine) as connection:
            return set(connection.execute(select(notice.c.key).where(notice.c.made_ns >= since_ns)).scalars())

    def waiting(self, now_ns: int) -> list[Notice]:
        """What people are to be sent now, oldest first."""
        query = (
            select(notice)
            .where(notice.c.sent_ns.is_(None), notice.c.next_ns <= now_ns, ~notice.c.to_name.startswith(HOOK))
            .order_by(notice.c.made_ns)
        )
        with reading(self._engine) as connection:
            return [Notice(*row) for row in connection.execute(query)]

    def queue(self, to_name: str, limit: int) -> list[Notice]:
        """What waits for one place, oldest first, whether its time has come or not."""
        query = (
            select(notice)
            .where(notice.c.sent_ns.is_(None), notice.c.to_name == to_name)
            .order_by(notice.c.made_ns)
            .limit(limit)
        )
        with reading(self._engine) as connection:
            return [Notice(*row) for row in connection.execute(query)]

    def advance(self, outlet: str, state: str, messages: Sequence[Notice]) -> None:
        """Write messages down and what the outlet goes on from, in one transaction."""
        with writing(self._engine, "outbox") as connection:
            insert_ignoring(connection, notice, [_row(one) for one in messages])
            insert_replacing(connection, outlet_state, [{"name": outlet, "body": state}])

    def state(self, outlet: str) -> str | None:
        """What an outlet goes on from; None where it has said nothing yet."""
        with reading(self._engine) as connection:
            query = select(outlet_state.c.body).where(outlet_state.c.name == outlet)
            return connection.execute(query).scalar()

    def give_up(self, to_name: str, now_ns: int, older_ns: int, most: int) -> int:
        """Let go of what waits for one place since before `older_ns`, and of all but the newest `most`; how many."""
        waits = and_(notice.c.sent_ns.is_(None), notice.c.to_name == to_name)
        with writing(self._engine, "outbox") as connection:
            newest = select(notice.c.made_ns).where(waits).order_by(notice.c.made_ns.desc()).offset(most).limit(1)
            cut_ns = max(older_ns, (connection.execute(newest).scalar() or 0) + 1)
            gone = update(notice).where(waits, notice.c.made_ns < cut_ns)
            return connection.execute(gone.values(sent_ns=now_ns, subject="", error="given up")).rowcount

    def standing(self) -> Standing:
        """How it stands."""
        unsent, failed = notice.c.sent_ns.is_(None), and_(notice.c.sent_ns.is_(None), notice.c.tries > 0)
        with reading(self._engine) as connection:
            counted = select(func.count(), func.min(notice.c.made_ns)).where(unsent)
            waiting, oldest = connection.execute(counted).one()
            tried, following = connection.execute(
                select(func.count(), func.min(notice.c.next_ns)).where(failed)
            ).one()
            last = connection.execute(
                select(notice.c.error).where(failed).order_by(notice.c.next_ns.desc(), notice.c.key).limit(1)
            ).scalar()
            # A row without a subject only notes what another message speaks of.
            sent = connection.execute(select(func.max(notice.c.sent_ns)).where(notice.c.subject != "")).scalar()
        return Standing(waiting, tried, oldest, following, sent, last or "")

    def sent(self, key: str, now_ns: int) -> None:
        """It is on its way."""
        with writing(self._engine, "outbox") as connection:
            connection.execute(update(notice).where(notice.c.key == key).values(sent_ns=now_ns, error=""))

    def failed(self, message: Notice, now_ns: int, error: str) -> None:
        """It could not be sent: again later, each time twice as late."""
        wait_s = min(FIRST_RETRY_S * 2**message.tries, LONGEST_RETRY_S)
        values = {"tries": message.tries + 1, "next_ns": now_ns + round(wait_s * 1e9), "error": error[:500]}
        with writing(self._engine, "outbox") as connection:
            connection.execute(update(notice).where(notice.c.key == message.key).values(**values))


def _row(message: Notice) -> dict[str, object]:
    return {name: getattr(message, name) for name in Notice.__slots__}

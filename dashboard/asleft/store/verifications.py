"""Verification records: filed once, numbered by valve, never changed."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from asleft.store.actor import Actor
from asleft.store.audit import note
from asleft.store.engine import reading, writing
from asleft.store.tables import verification
from sqlalchemy import Engine, func, select


@dataclass(frozen=True, slots=True)
class VerificationRecord:
    """One record. `body` is JSON text as it was filed, `digest` its SHA-256 in hex."""

    valve: str
    number: int
    at_ns: int
    who: str
    sheet_number: int
    accepted: bool
    body: str
    digest: str


class Verifications:
    """Over an engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def put(
        self, valve: str, at_ns: int, sheet_number: int, body: str, actor: Actor, *, accepted: bool
    ) -> VerificationRecord:
        """File a record under the valve's next number, with its line of the audit trail."""
        with writing(self._engine, f"verifications of {valve}") as connection:
            taken = connection.execute(
                select(func.max(verification.c.number)).where(verification.c.valve == valve)
            ).scalar()
            digest = hashlib.sha256(body.encode()).hexdigest()
            number = int(taken or 0) + 1
            record = VerificationRecord(valve, number, at_ns, actor.who, sheet_number, accepted, body, digest)
            connection.execute(
                verification.insert(),
                {
                    "valve": valve, "number": number, "at_ns": at_ns, "who": actor.who,
                    "sheet_number": sheet_number, "accepted": accepted, "body": body, "digest": digest,
                },
            )  # fmt: skip
            words = "accepted" if accepted else "not accepted"
            note(connection, actor, at_ns, "verification filed", f"{valve}, record {number}", words)
            return record

    def of(self, valve: str) -> list[VerificationRecord]:
        """All records of a valve, by number."""
        query = select(verification).where(verification.c.valve == valve).order_by(verification.c.number)
        with reading(self._engine) as connection:
            return [VerificationRecord(*row) for row in connection.execute(query)]

    def one(self, valve: str, number: int) -> VerificationRecord | None:
        """A record, or None."""
        query = select(verification).where(verification.c.valve == valve, verification.c.number == number)
        with reading(self._engine) as connection:
            row = connection.execute(query).first()
            return None if row is None else VerificationRecord(*row)

    def newest(self) -> dict[str, tuple[int, int, bool]]:
        """Of each valve that has one: number, time and whether accepted, of its newest record."""
        query = select(
            verification.c.valve, verification.c.number, verification.c.at_ns, verification.c.accepted
        ).order_by(verification.c.valve, verification.c.number)
        with reading(self._engine) as connection:
            return {row[0]: (row[1], row[2], bool(row[3])) for row in connection.execute(query)}

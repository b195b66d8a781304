"""Everything about people, out of one records store: accounts, sessions, throttle, audit trail, what they change."""

from __future__ import annotations

from pathlib import Path

from asleft.store.accounts import Accounts
from asleft.store.audit import AuditTrail
from asleft.store.devices import Devices
from asleft.store.migrate import migrated_engine
from asleft.store.operator_actions import OperatorActions
from asleft.store.outbox import Outbox
from asleft.store.sessions import Sessions
from asleft.store.throttle import Throttle
from asleft.store.tokens import Tokens
from asleft.store.verifications import Verifications
from asleft.store.work_log import WorkLog
from sqlalchemy import Engine


class AccessStore:
    """All of them together, over an engine whose tables are in place."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.accounts = Accounts(engine)
        self.sessions = Sessions(engine)
        self.devices = Devices(engine)
        self.throttle = Throttle(engine)
        self.tokens = Tokens(engine)
        self.audit = AuditTrail(engine)
        self.operator_actions = OperatorActions(engine)
        self.outbox = Outbox(engine)
        self.work = WorkLog(engine)
        self.verifications = Verifications(engine)

    def close(self) -> None:
        """Release connections."""
        self._engine.dispose()


def open_access(where: Path | str) -> AccessStore:
    """Over the records store in a SQLite file (made if need be) or the database that a URL names.

    Brings its layout up to date first. Raises `MigrationError` for a store of a newer program.
    """
    return AccessStore(migrated_engine(where))

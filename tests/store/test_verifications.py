"""Verification records: numbered by valve, filed once, never changed."""

from __future__ import annotations

import hashlib

import pytest
from asleft.store.access import AccessStore
from asleft.store.actor import Actor
from asleft.store.tables import verification
from sqlalchemy.exc import DatabaseError

KL = Actor("kl", "10.0.0.7")


def test_records_are_numbered_by_valve_and_come_back_as_they_were(engine):
    store = AccessStore(engine)
    first = store.verifications.put("v.a", 10, 3, '{"a": 1}', KL, accepted=True)
    second = store.verifications.put("v.a", 20, 3, '{"a": 2}', KL, accepted=False)
    other = store.verifications.put("v.b", 30, 1, "{}", KL, accepted=True)
    assert (first.number, second.number, other.number) == (1, 2, 1)
    assert first.digest == hashlib.sha256(b'{"a": 1}').hexdigest()
    assert store.verifications.of("v.a") == [first, second]
    assert store.verifications.one("v.a", 2) == second
    assert store.verifications.one("v.a", 3) is None
    assert store.verifications.of("v.c") == []
    assert store.verifications.newest() == {"v.a": (2, 20, False), "v.b": (1, 30, True)}
    lines = [(line.action, line.subject, line.details) for line in store.audit.newest(10)]
    assert ("verification filed", "v.a, record 2", "not accepted") in lines


@pytest.mark.parametrize("change", ["update", "delete"])
def test_the_database_itself_refuses_a_change(engine, change):
    store = AccessStore(engine)
    store.verifications.put("v.a", 10, 3, "{}", KL, accepted=True)
    statement = verification.update().values(accepted=False) if change == "update" else verification.delete()
    with pytest.raises(DatabaseError, match="a verification record is never changed"), engine.begin() as connection:
        connection.execute(statement)
    assert store.verifications.of("v.a")[0].accepted

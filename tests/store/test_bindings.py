"""Which agents may send which valve: in both records stores, with lines of the audit trail."""

from __future__ import annotations

import pytest
from asleft.store.access import AccessStore
from asleft.store.actor import Actor
from asleft.store.bindings import FOUND, Binding, SqlBindings

KL = Actor("kl", "command line")


@pytest.fixture
def store(engine):
    return SqlBindings(engine)


def test_a_person_binds_and_releases_and_the_trail_has_it(store, engine):
    assert store.bind("hall-2", ["press-9.platen", "press-9.ejector"], 5, KL) == ["press-9.ejector", "press-9.platen"]
    assert store.bind("hall-2", ["press-9.platen"], 6, KL) == []
    assert store.bind("hall-3", ["press-9.platen"], 7, KL) == ["press-9.platen"]  # one box takes over from another
    assert store.release("hall-2", ["press-9.platen", "press-8.platen"], 8, KL) == ["press-9.platen"]
    assert store.bindings() == [
        Binding("press-9.ejector", "hall-2", 5, "kl"),
        Binding("press-9.platen", "hall-3", 7, "kl"),
    ]
    trail = [(line.action, line.subject, line.who) for line in AccessStore(engine).audit.newest(10)]
    assert trail == [
        ("valve released", "press-9.platen", "kl"),
        ("valve bound", "press-9.platen", "kl"),
        ("valve bound", "press-9.platen", "kl"),
        ("valve bound", "press-9.ejector", "kl"),
    ]


def test_the_first_to_claim_a_valve_has_it(store):
    assert store.claim("press-1.platen", "hall-1", 5) == Binding("press-1.platen", "hall-1", 5, "")
    assert store.claim("press-1.platen", "hall-2", 6) == Binding("press-1.platen", "hall-1", 5, "")
    assert store.claim("press-1.platen", "hall-1", 7) == Binding("press-1.platen", "hall-1", 5, "")
    store.bind("hall-2", ["press-1.platen"], 8, KL)
    assert store.claim("press-1.platen", "hall-2", 9).agent == "hall-2"


def test_a_store_from_before_is_bound_once_and_never_against_people(store):
    assert store.adopt({"press-1.platen": "hall-1", "press-2.platen": "hall-2"}, 5) == 2
    assert [one.who for one in store.bindings()] == [FOUND, FOUND]
    assert store.adopt({"press-3.platen": "hall-1"}, 6) == 0
    assert len(store.bindings()) == 2

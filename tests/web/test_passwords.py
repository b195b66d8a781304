"""What is asked of names and passwords, and how passwords are kept."""

from __future__ import annotations

import unicodedata
from threading import Thread

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type
from asleft.web.access import passwords
from asleft.web.access.passwords import Busy, Passwords, clean_name, fault_of_name, faults_of_password


def quick() -> Passwords:
    return Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


@pytest.mark.parametrize(
    "password", ["copper ladder seven owls", "fünfzehn Zeichen", "a1b2c3d4e5f6g7h", "x" * 9 + "abcdef"]
)
def test_long_enough_and_not_the_name_is_good_enough(password):
    assert faults_of_password("kl", password) == []


@pytest.mark.parametrize(
    ("password", "fault"),
    [
        ("", "it has 0 characters, at least 15"),
        ("fourteen chars", "it has 14 characters, at least 15"),
        ("x1y2" * 65, "it has more than 256 characters"),
        ("a\u0316\u0301" * 50_000, "it has more than 256 characters"),
        ("my name is k.larsen truly", "the account's name is in it"),
        ("K-LARSEN and some more", "the account's name is in it"),
        ("nesralk spelt backwards", "the account's name is in it"),
        ("as-left was never so easy", "the name of this program is in it"),
        ("aaaaaaaaaaaaaaaaaaaa", "it repeats itself"),
        ("121212121212121212", "it repeats itself"),
        ("passwordpassword", "it repeats itself"),
        ("changeme!changeme!chan", "it repeats itself"),
        ("1234567890123456", "it runs along"),
        ("qwertyuiopasdfghjkl", "it runs along"),
        ("zyxwvutsrqponmlk", "it runs along"),
        ("a tab\tis in this one", "a control character"),
    ],
)
def test_each_fault_is_named(password, fault):
    assert any(fault in one for one in faults_of_password("k.larsen", password)), faults_of_password(
        "k.larsen", password
    )


def test_all_faults_come_at_once():
    assert len(faults_of_password("kkk", "kkkkkk")) == 3


def test_names_are_plain():
    for name in ("kl", "k.larsen", "wall-2", "shift_b", "2nd"):
        assert fault_of_name(name) is None
    for name in ("", "k", "-kl", ".kl", "KL", "k l", "k/l", "käthe", "x" * 65, "kl\n"):
        assert fault_of_name(name) is not None, name
    assert clean_name(" K.Larsen ") == "k.larsen"


def test_the_usual_hash_is_argon2id_by_rfc_9106():
    """RFC 9106, section 4: t = 3, 64 MiB, 4 lanes, 16 bytes of salt, 32 of tag where memory is short."""
    kept = Passwords().hash("copper ladder seven owls")
    found = extract_parameters(kept)
    assert (found.type, found.version) == (Type.ID, 19)
    assert (found.time_cost, found.memory_cost, found.parallelism) == (3, 65_536, 4)
    assert (found.salt_len, found.hash_len) == (16, 32)
    assert Passwords().right(kept, "copper ladder seven owls")


def test_only_the_password_itself_is_right():
    door = quick()
    kept = door.hash("copper ladder seven owls")
    assert door.right(kept, "copper ladder seven owls")
    for other in ("copper ladder seven owl", "Copper ladder seven owls", "", "copper ladder seven owls "):
        assert not door.right(kept, other)
    assert not door.right(None, "copper ladder seven owls")
    assert not door.right("no hash at all", "copper ladder seven owls")
    assert door.hash("copper ladder seven owls") != kept  # each has a salt of its own


def test_one_character_written_in_two_ways_is_one_password():
    door = quick()
    assert door.right(door.hash("fu\u0308nfzehn Zeichen"), "f\u00fcnfzehn Zeichen")


MARKS = "a" + "\u0316\u0301" * 30_000
"""Marks that have to be put in another order: time with the square of their number."""


@pytest.fixture
def given(monkeypatch):
    """Lengths of the texts that are given to be put into one spelling."""
    lengths: list[int] = []

    class Counting:
        category = staticmethod(unicodedata.category)

        @staticmethod
        def normalize(form: str, text: str) -> str:
            lengths.append(len(text))
            return unicodedata.normalize(form, text)

    monkeypatch.setattr(passwords, "unicodedata", Counting)
    return lengths


def test_no_text_is_put_into_one_spelling_before_it_is_cut(given):
    """Work is counted, not timed: 60 kB of marks held the whole dashboard for ten seconds."""
    door = quick()
    kept = door.hash("copper ladder seven owls")
    assert not door.right(kept, MARKS)
    assert not door.right(None, MARKS)
    assert clean_name(MARKS) != clean_name("a")
    assert faults_of_password("kl", MARKS)
    assert faults_of_password("kl", "x1y2" * 50_000)
    assert len(given) == 7
    assert max(given) <= 4 * (passwords.LONGEST + 1)


def test_a_name_or_password_written_in_pieces_is_cut_by_what_it_becomes():
    """Three marks on a letter at the most become one character with it, so nothing that was allowed is lost."""
    longest = "\u1ee8\u1ea8" * 128
    pieces = unicodedata.normalize("NFD", longest)
    assert len(pieces) == 3 * passwords.LONGEST
    door = quick()
    assert door.right(door.hash(longest), pieces)
    assert not door.right(door.hash(longest), pieces[:-1])
    assert clean_name("\u01d5" * 64) == clean_name(unicodedata.normalize("NFD", "\u01d5" * 64))


def test_the_longest_password_counts_to_its_last_character():
    door = quick()
    longest = "ab1" * 85 + "z"
    assert len(longest) == passwords.LONGEST
    kept = door.hash(longest)
    assert door.right(kept, longest)
    assert not door.right(kept, longest[:-1] + "y")


def test_checks_queue_up_and_give_up_instead_of_filling_the_memory(monkeypatch):
    monkeypatch.setattr(passwords, "_PATIENCE_S", 0.05)
    door = quick()
    kept = door.hash("copper ladder seven owls")
    turns = [door._turn(), door._turn()]
    for turn in turns:
        turn.__enter__()
    told: list[bool] = []

    def one_more() -> None:
        try:
            door.right(kept, "x")
        except Busy:
            told.append(True)

    third = Thread(target=one_more)
    third.start()
    third.join()
    assert told == [True]
    for turn in turns:
        turn.__exit__(None, None, None)
    assert door.right(kept, "copper ladder seven owls")

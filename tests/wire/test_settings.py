"""One reader of settings files: every fault of a file at once, each with file, key, value and limit."""

from __future__ import annotations

from pathlib import Path

import pytest
from asleft.edge.config import load_config
from asleft.sheet.reader import read_sheet
from asleft.web.notices.settings import read_settings
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault, SettingsError, as_typed
from asleft.wire.units import Unit

SPOILT = Path(__file__).parent / "spoilt"


def read(side: str) -> object:
    file = SPOILT / f"{side}.toml"
    if side == "agent":
        return load_config(file)
    text = file.read_text(encoding="utf-8")
    return (
        read_sheet(text, source=file.name)
        if side == "sheet"
        else read_settings(text, source=file.name, environment={})
    )


@pytest.mark.parametrize("side", ["sheet", "agent", "notices"])
def test_a_file_with_a_fault_of_every_kind_is_answered_word_for_word(side: str) -> None:
    """The words are in a file beside it: one line a fault, in the order in which the keys are read."""
    with pytest.raises(SettingsError) as caught:
        read(side)
    told = str(caught.value).replace(f"{SPOILT}/", "")
    assert told == (SPOILT / f"{side}.txt").read_text(encoding="utf-8").rstrip("\n")
    assert len(caught.value.faults) == len(told.splitlines())
    assert "secret" not in told


def top(text: str) -> tuple[Section, list[Fault]]:
    faults: list[Fault] = []
    return Section(faults, "f.toml", "", Section.of_text(text, "f.toml")._table), faults


def test_a_good_file_is_finished_without_a_word() -> None:
    section = Section.of_text('name = "x"\n[[to]]\nn = 2\n', "f.toml")
    assert section.text("name") == "x"
    assert [entry.integer("n", 1, 3) for entry in section.sections("to")] == [2]
    section.finish()


def test_a_key_nobody_asked_for_is_a_fault_when_the_file_is_finished() -> None:
    section = Section.of_text("a = 1\n", "f.toml")
    with pytest.raises(SettingsError, match=r"f\.toml: a = 1: unknown key; known here: "):
        section.finish()


def test_what_is_no_toml_is_a_fault_of_the_file() -> None:
    with pytest.raises(SettingsError, match=r"^f\.toml: not readable as TOML: .*line 2"):
        Section.of_text("a = 1\nb = c\n", "f.toml")


@pytest.mark.parametrize(
    ("text", "ask", "told"),
    [
        ("", lambda s: s.text("a", needed="a name"), "a: missing: a name"),
        ('a = ""', lambda s: s.text("a", check=bool, needed="a name"), 'a = "": must be a name'),
        ('a = "xyz"', lambda s: s.text("a", most=2), 'a = "xyz": must be at most 2 characters, has 3'),
        ("a = 7", lambda s: s.integer("a", 1, 6, "MB"), "a = 7: must be a whole number from 1 to 6 MB"),
        ("a = 7", lambda s: s.number("a", 1, 6, Unit("s")), "a = 7: must be from 1 to 6 s"),
        ("a = [1, 2, 3]", lambda s: s.integers("a", 0, 9, most=2),
         "a = [1, 2, 3]: must be a list of 1 to 2 different whole numbers from 0 to 9, as [1, 4]"),
        ("a = [1, 1]", lambda s: s.different_pair("a", 0, 9),
         "a = [1, 1]: must be two different numbers, as [0, 4095]"),
        ('a = "no"', lambda s: s.word("a", ["north", "south"]),
         'a = "no": must be one of "north", "south"'),
        ("a = 1", lambda s: s.sections("a"), "a = 1: must be tables, each written [[a]]"),
        ("a = [{}, 1]", lambda s: s.sections("a"), "a = [{...}, 1]: must be tables, each written [[a]]"),
    ],
)  # fmt: skip
def test_each_kind_of_value_says_what_it_must_be(text: str, ask: object, told: str) -> None:
    section, faults = top(text)
    assert callable(ask)
    assert not ask(section)
    assert [str(fault) for fault in faults] == [f"f.toml: {told}"]


@pytest.mark.parametrize("text", ['url = ["hidden"]', 'ulr = "hidden"', "url = " + '"' + "hidden" * 99 + '"'])
def test_a_secret_is_in_no_message_nor_is_what_may_be_one(text: str) -> None:
    section, faults = top(text)
    section.text("url", secret=True)
    section.close()
    assert len(faults) == 1
    assert "hidden" not in str(faults[0])


def test_a_value_is_shown_as_toml_writes_it_on_one_line_and_never_at_length() -> None:
    assert as_typed("a\n\x1b[2Jb") == '"a\\n\\u001b[2Jb"'
    assert as_typed('say "x"') == '"say \\"x\\""'
    assert as_typed("Überdruck") == '"Überdruck"'
    assert as_typed([True, 1.5, {}]) == "[true, 1.5, {...}]"
    assert len(as_typed(["x" * 500] * 500)) == 60


@pytest.mark.parametrize("base", ["http://[x", "ftp://a", "https://", "x"])
def test_what_is_no_address_of_a_dashboard_is_a_fault_and_no_accident(base: str) -> None:
    with pytest.raises(SettingsError, match=r"base = .*: must be the dashboard's address"):
        read_settings(f'base = "{base}"\n', source="n.toml", environment={})

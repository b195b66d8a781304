"""A settings file is refused by its size, keys, parts, digits and depth before a parser makes anything of it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from asleft.edge.config import parse_config
from asleft.sheet.compose import composed, fields_of
from asleft.sheet.logmap import read_log_map
from asleft.sheet.reader import read_sheet
from asleft.web.notices.settings import read_settings
from asleft.web.sheets.sections import units_of
from asleft.wire import toml_limits
from asleft.wire.settings_faults import SettingsError
from asleft.wire.toml_limits import TomlLimitError, check, loads
from hypothesis import given
from hypothesis import strategies as st

DOORS = {
    "agent": lambda text: parse_config(text, "agent.toml", Path()),
    "sheet": lambda text: read_sheet(text),
    "log map": lambda text: read_log_map(text, source="log.toml"),
    "fields": fields_of,
    "composed": lambda text: composed(text, {}),
    "units": units_of,
    "notices": lambda text: read_settings(text, source="notices.toml", environment={}),
}
BOMBS = {
    "dots": "a." * 14_000 + "a=1",
    "dots in a header": "[" + "a." * 14_000 + "a]",
    "dots in an array of tables": "[[" + "a." * 14_000 + "a]]",
    "dots with gaps": "a . " * 14_000 + "a=1",
    "quoted dots": '"a".' * 14_000 + "a=1",
    "dots in braces": "x = {" + "a." * 14_000 + "a=1}",
    "dots behind a string that looks like a comment": 'x = "#"\n' + "a." * 14_000 + "a=1",
    "dots behind a string of many lines": 'x = """\n\\"""" #"""\n' + "a." * 14_000 + "a=1",
    "hexadecimal digits": "a = 0x" + "f" * 100_000,
    "binary digits": "a = 0b" + "1_0" * 33_000,
    "decimal digits": "a = " + "9" * 100_000,
    "digits behind a dot": "a = 0." + "9" * 100_000,
    "brackets": "a = " + "[" * 900 + "]" * 900,
    "braces": "a = " + "{a=" * 900 + "1" + "}" * 900,
    "keys": "".join(f"a{n}=1\n" for n in range(20_000)),
    "headers": "".join(f"[a{n}]\n" for n in range(20_000)),
    "length": "# " + "x" * 300_000,
}


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize("bomb", BOMBS)
def test_what_grows_in_the_parser_never_gets_there(door, bomb, monkeypatch):
    def parse(text: str) -> dict:
        raise AssertionError(f"{len(text)} characters of {bomb} were parsed")

    monkeypatch.setattr(toml_limits.tomllib, "loads", parse)
    with pytest.raises((TomlLimitError, SettingsError), match=r"at most [\d,]+ are"):
        DOORS[door](BOMBS[bomb])


def test_a_fault_says_where_and_what_is_allowed():
    with pytest.raises(TomlLimitError, match=r"line 4: a key of more parts than can be meant, at most 8 are allowed"):
        check('a = """\n\n"""\n' + "b." * 9 + "b = 1")
    with pytest.raises(TomlLimitError, match=r"line 2: 130 characters without a gap, at most 128 are allowed"):
        check("\na=" + "1" * 130)


GOOD = [
    "",
    "a.b.c.d.e.f.g.h = 1",
    'text = "' + "a." * 5000 + '"',
    "text = '''" + "x" * 5000 + "'''",
    '"' + "a." * 100 + '" = 1',
    "a = 1 # " + "a." * 5000,
    "curve = [" + "[0.1, 0.25], " * 2000 + "]",
    "at = 2026-03-02T08:10:00.123456+01:00",
    'a = """x""""" # two quotes belong to the text\n"b"=1',
    "a = '''x''''' # two quotes belong to the text\nb=1",
    'a = ""\nb = \'\'\nc = """"""',
    'a = "\\"." # \\\nb."c".d = "\\\\"',
]


@pytest.mark.parametrize("text", GOOD)
def test_what_a_settings_file_may_hold_is_parsed_as_it_always_was(text):
    assert loads(text) == tomllib.loads(text)


PIECES = st.sampled_from(
    ['"', "'", '"""', "'''", "a", "a.", '"a".', "'a' . ", "= 1", "=", "#", "\n", "\\", "[", "]", '"a"', " ", "\\\\"]
)


@given(st.lists(PIECES, max_size=40).map("".join))
def test_nothing_hides_from_the_measuring_in_strings_and_comments(text):
    """Whatever is TOML and not refused holds no key of more parts than allowed (a header, then a key: twice)."""
    try:
        found = tomllib.loads(text)
    except ValueError:
        return
    most = _deepest(found)
    old, toml_limits.MOST_PARTS = toml_limits.MOST_PARTS, 2
    try:
        check(text)
    except TomlLimitError:
        return
    finally:
        toml_limits.MOST_PARTS = old
    assert most <= 4


def _deepest(value: object) -> int:
    if isinstance(value, dict):
        return 1 + max((_deepest(one) for one in value.values()), default=0) if value else 0
    if isinstance(value, list):
        return max((_deepest(one) for one in value), default=0)
    return 0

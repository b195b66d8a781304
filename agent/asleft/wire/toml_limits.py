"""Settings files (TOML) are measured before they are parsed: what a parser makes of a text can be far larger than it.

A key of n dotted parts takes memory with the square of n (28 kB of `a.a.a` one gigabyte), and a number of a hundred
thousand hexadecimal digits cannot be printed. Used by the agent and the plant side alike. One pass over the text, so
the time grows with its length alone. Limits: TOML 1.0.0 has none; these are ten times what our own files need.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

MOST_CHARACTERS = 256_000
MOST_KEYS = 5_000
"""Keys and table headers of one file."""
MOST_PARTS = 8
"""Parts of one dotted key."""
MOST_DEPTH = 8
"""Brackets and braces within one another."""
MOST_IN_A_WORD = 128
"""Characters without a gap outside quotes: a number, a date, a bare key."""

#: The pieces of TOML. A quotation that does not end matches `open`: there the parser stops at the latest.
_PIECE = re.compile(
    r'(?P<quoted>"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}|\'\'\'(?:[^\']|\'{1,2}(?!\'))*\'{3,5}'
    r'|"(?!"")(?:[^"\\\n]|\\.)*"|\'(?!\'\')[^\'\n]*\')'
    r"|(?P<comment>#[^\n]*)|(?P<word>[A-Za-z0-9_+:-]+)|(?P<gap>[ \t\r]+)|(?P<line>\n)"
    r"|(?P<dot>\.)|(?P<enter>[\[{])|(?P<leave>[\]}])|(?P<key>=)|(?P<open>[\"'])|(?P<other>.)",
    re.DOTALL,
)


class TomlLimitError(ValueError):
    """A settings file that is larger, deeper or longer in one of its parts than a settings file can be."""


def loads(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises:
        TomlLimitError: it goes beyond a limit; the message says which, where and what is allowed.
        ValueError: it is not TOML (`tomllib.TOMLDecodeError`), or a number has more digits than Python takes.
    """
    check(text)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise TomlLimitError("nested too deeply") from None


def check(text: str) -> None:
    """Raises `TomlLimitError` for a text beyond the limits; whether it is TOML is not looked at."""
    if len(text) > MOST_CHARACTERS:
        raise TomlLimitError(f"has {len(text):,} characters, at most {MOST_CHARACTERS:,} are read")
    line, keys, parts, depth = 1, 0, 1, 0
    for piece in _PIECE.finditer(text):
        kind = piece.lastgroup
        if kind == "open":
            return
        if kind == "word" and piece.end() - piece.start() > MOST_IN_A_WORD:
            raise _beyond(line, f"{piece.end() - piece.start():,} characters without a gap", MOST_IN_A_WORD)
        parts = _parts_of_key(kind, parts)
        if parts > MOST_PARTS:
            raise _beyond(line, "a key of more parts than can be meant", MOST_PARTS)
        depth += (kind == "enter") - (kind == "leave")
        keys += kind == "key" or (kind == "enter" and depth == 1)
        if depth > MOST_DEPTH:
            raise _beyond(line, "nested too deeply, brackets within brackets", MOST_DEPTH)
        if keys > MOST_KEYS:
            raise _beyond(line, "too many keys", MOST_KEYS)
        line += piece.group().count("\n") if kind in ("quoted", "line") else 0


def _parts_of_key(kind: str | None, parts: int) -> int:
    """Parts of the dotted key so far, after a piece of a kind; what ends a key begins to count anew."""
    if kind == "dot":
        return parts + 1
    return parts if kind in ("word", "gap", "quoted") else 1


def _beyond(line: int, what: str, most: int) -> TomlLimitError:
    return TomlLimitError(f"line {line}: {what}, at most {most:,} are allowed")

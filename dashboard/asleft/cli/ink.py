"""What a terminal can show: its characters, its width, and colour where it is wanted."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TextIO

_UNICODE = "●◆○├─┤│░╌◀▶±−–Ω·▁▂▃▄▅▆▇█"
_ASCII: Mapping[str, str] = {
    "±": "+/-",
    "−": "-",
    "–": "-",
    "Ω": "ohm",
    "°": "deg ",
    "·": ".",
    "─": "-",
    "…": "...",
    "’": "'",
    "≤": "<=",
    "≥": ">=",
    "→": "->",
}


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters of the strip. Shape alone tells the verdict; colour only repeats it."""

    inside: str
    out: str
    undecided: str
    whisker_left: str
    whisker: str
    whisker_right: str
    as_left: str
    band: str
    not_observed: str
    arrow_left: str
    arrow_right: str
    rule: str


UNICODE_GLYPHS = Glyphs("●", "◆", "○", "├", "─", "┤", "│", "░", "╌╌", "◀", "▶", "─")
ASCII_GLYPHS = Glyphs("o", "X", "?", "(", "-", ")", "|", ".", "- -", "<", ">", "-")


@dataclass(frozen=True, slots=True)
class Ink:
    """How to write to one stream."""

    width: int = 80
    unicode: bool = True
    colour: bool = False

    @property
    def glyphs(self) -> Glyphs:
        """The characters to draw with."""
        return UNICODE_GLYPHS if self.unicode else ASCII_GLYPHS

    def strong(self, text: str) -> str:
        """Bold where colour is wanted."""
        return f"\x1b[1m{text}\x1b[0m" if self.colour and text else text

    def abnormal(self, text: str) -> str:
        """Red, for what is out."""
        return f"\x1b[31m{text}\x1b[0m" if self.colour and text else text

    def doubtful(self, text: str) -> str:
        """Yellow, for what is undecided."""
        return f"\x1b[33m{text}\x1b[0m" if self.colour and text else text

    def quiet(self, text: str) -> str:
        """Faint, for scale and rules."""
        return f"\x1b[2m{text}\x1b[0m" if self.colour and text else text

    def spell(self, text: str) -> str:
        """The text in characters the stream has."""
        if self.unicode:
            return text
        for character, plain in _ASCII.items():
            text = text.replace(character, plain)
        return text.encode("ascii", "replace").decode("ascii")


def ink_for(stream: TextIO, environment: Mapping[str, str] | None = None) -> Ink:
    """What suits a stream: Unicode if its encoding has our characters, colour on a terminal without NO_COLOR.

    The width is the terminal's, kept between 50 and 110 columns.
    """
    environment = os.environ if environment is None else environment
    try:
        _UNICODE.encode(stream.encoding or "ascii")
        has_unicode = True
    except (UnicodeEncodeError, LookupError):
        has_unicode = False
    terminal = stream.isatty()
    colour = terminal and not environment.get("NO_COLOR") and environment.get("TERM") != "dumb"
    width = shutil.get_terminal_size((88, 24)).columns if terminal else 88
    return Ink(width=min(max(width, 50), 110), unicode=has_unicode, colour=colour)

"""One Jinja2 environment for the frame and all pages: everything is escaped that is not already markup.

A template lies in the room of its page. What several pages show lies in `common.html`, as macros: fields, tables,
folds, the faults of a form. A name that is not given is an error, not an empty text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from asleft.web import asset_files, hrefs
from asleft.web.markup import Child, Markup, status_mark
from asleft.web.words import (
    BEFORE_COMMAND,
    CAUTIONS,
    CLASS_WORDS,
    kind_words,
    lower_first,
    number,
    plural,
    sentence_case,
)
from jinja2 import Environment, FileSystemLoader, StrictUndefined

UNIT = r"(?:m?A|m?V|m?Ω|bar|psi|[kM]Pa|[mµ]?s|min|h|k?Hz|%|points?|°C|K|rows|strokes)(?:/s)?(?![\w&])"
"""What a number is held together with, as a pattern."""
_HELD = re.compile(rf"[0-9][0-9.,]* {UNIT}|[A-Z]\w* [0-9]{{1,3}}(?![\w.:]|,[0-9])|\w+(?:-\w+)+")
OUTCOMES = frozenset({"verdict", "in a word"})
"""Heads of the column that says what came of a row."""


def filled(template: str, /, **given: object) -> Markup:
    """A template with its places filled in; `template` is its path below this folder, as "night/night.html"."""
    return Markup(ENVIRONMENT.get_template(template).render(**given))


def macro(template: str, which: str, /, *given: object, **named: object) -> Markup:
    """One macro of a template, filled in."""
    return Markup(getattr(ENVIRONMENT.get_template(template).module, which)(*given, **named))


def table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[Child]],
    *,
    numeric: Sequence[int] = (),
    marked: Mapping[int, str] | None = None,
) -> Markup:
    """A data table: `numeric` columns are set flush right, `marked` are classes of rows by their number."""
    return macro("common.html", "table", caption, head, rows, numeric, marked or {})


def details(summary: str, inner: Child, *, key: str) -> Markup:
    """A fold. `key` lets the page keep it open when its contents are renewed."""
    return macro("common.html", "fold", summary, key, caller=lambda: inner)


def held(text: str) -> Markup:
    """Text whose numbers stay with their units and names ("Press 3"), and names with hyphens whole, at line ends."""
    out, at = Markup(), 0
    for found in _HELD.finditer(text):
        out += text[at : found.start()]
        out += Markup('<span class="held">{}</span>').format(found[0])
        at = found.end()
    return out + text[at:]


def table_classes(head: Sequence[str], numeric: Sequence[int]) -> list[str]:
    """Class of each column of a table: numbers are set flush right, what came of a row is kept in sight."""
    return ["n" if index in numeric else "verdict" if text in OUTCOMES and list(head).count(text) == 1 else ""
            for index, text in enumerate(head)]  # fmt: skip


ENVIRONMENT = Environment(
    loader=FileSystemLoader(asset_files.FOLDER.parent),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
    extensions=["jinja2.ext.do"],
)
ENVIRONMENT.globals.update(
    {name: getattr(hrefs, name) for name in dir(hrefs) if name.endswith("_href") or name.startswith("csv_of_")},
    table_classes=table_classes,
    status_mark=status_mark,
    kind_words=kind_words,
    lower_first=lower_first,
    number=number,
    plural=plural,
    BEFORE_COMMAND=BEFORE_COMMAND,
    CAUTIONS=CAUTIONS,
    CLASS_WORDS=CLASS_WORDS,
)
ENVIRONMENT.filters.update(sentence_case=sentence_case, held=held)

"""Sheets as HTML: the list, one valve's revisions, and the form for the next one."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.store.protocols import SheetRecord
from asleft.web.frame import Frame
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.views.sheets import SheetRow
from asleft.web.words import CAUTIONS


def listing(rows: Sequence[SheetRow], *, may_enter: bool) -> Markup:
    """All valves and what their sheets say of themselves."""
    body: list[list[Child]] = [
        [
            el("a", row.name.name, href=row.href),
            row.name.press,
            row.words,
            el("a", "make one" if row.record is None else "revise", href=row.revise_href) if may_enter else None,
        ]
        for row in rows
    ]
    return table("Valves and their sheets", ["valve", "press", "sheet", "what next"], body)


def revisions(records: Sequence[SheetRecord], words: Sequence[str], href: str) -> Markup:
    """Every revision, newest first, each with its file."""
    rows: list[list[Child]] = [
        [
            str(record.number),
            said,
            el("a", "file as entered", href=f"{href}/file/{record.number}", download=f"sheet-{record.number}.toml"),
        ]
        for record, said in zip(reversed(records), reversed(words), strict=True)
    ]
    return el(
        "section",
        el("h2", "Revisions ", el("small", "never changed once they are filed")),
        table("Revisions of this sheet", ["number", "since when, by whom, why", "file"], rows),
    )


def comparison(records: Sequence[SheetRecord], old: int, new: int, changes: Sequence[str], href: str) -> Markup:
    """What changed between two revisions, and a form to choose others."""
    numbers = [str(record.number) for record in records]

    def chosen(name: str, label: str, value: int) -> Markup:
        options = [el("option", number, value=number, selected=number == str(value)) for number in numbers]
        return el("div", el("label", label, for_=name), " ", el("select", *options, id=name, name=name))

    what = (
        el("ul", *(el("li", line) for line in changes))
        if changes
        else el("p", "Nothing that counts: they say the same.")
    )
    return el(
        "section",
        el("h2", f"From revision {old} to {new}"),
        what,
        el(
            "form",
            chosen("old", "Compare revision", old),
            chosen("new", "with", new),
            el("button", "Compare", type="submit", class_="quiet"),
            method="get",
            action=href,
            class_="row-of",
        ),
    )


def file_form(frame: Frame, href: str, toml: str) -> Markup:
    """The whole sheet as the file it is, to be edited or pasted."""
    return el(
        "form",
        frame.word(),
        el("input", type="hidden", name="act", value="check"),
        _area(toml),
        el("p", el("button", "Check it, and see what would change", type="submit", class_="quiet")),
        method="post",
        action=href,
    )


def upload_form(frame: Frame, href: str) -> Markup:
    """A file from this computer."""
    return el(
        "form",
        frame.word(),
        el("input", type="hidden", name="act", value="check"),
        el(
            "div",
            el("label", "A sheet file (TOML)", for_="file"),
            el("input", type="file", id="file", name="file", accept=".toml"),
            class_="field",
        ),
        el("button", "Check it, and see what would change", type="submit", class_="quiet"),
        method="post",
        action=href,
        enctype="multipart/form-data",
    )  # fmt: skip


def preview(frame: Frame, href: str, toml: str, number: int, changes: Sequence[str], note: str) -> Markup:
    """What is about to be filed, and the button that files it."""
    what = el("ul", *(el("li", line) for line in changes)) if changes else el("p", note)
    return join(
        el("section", el("h2", f"Revision {number} would change"), what),
        el(
            "form",
            frame.word(),
            el("input", type="hidden", name="act", value="file"),
            el("div", el("p", "Before you file it:"), el("ul", *(el("li", text) for text in CAUTIONS[:2])),
               class_="form-caution"),
            el("p", el("button", f"File revision {number}", type="submit")),
            details("The file, to be changed once more before it is filed", _area(toml), key="file"),
            method="post",
            action=href,
        ),
    )  # fmt: skip


def faults_list(faults: Sequence[str]) -> Markup | None:
    """All that is wrong with a file, in the reader's words."""
    if not faults:
        return None
    count = f"{len(faults)} things are wrong; nothing was filed:" if len(faults) > 1 else "Nothing was filed:"
    return el("div", el("p", count), el("ul", *(el("li", fault) for fault in faults)), class_="wrong", role="alert")


def _area(toml: str) -> Markup:
    return el(
        "div",
        el("label", "The sheet as a file", for_="toml"),
        el("textarea", toml, id="toml", name="toml", class_="file", spellcheck="false", rows="24"),
        class_="field",
    )

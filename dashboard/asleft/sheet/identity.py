"""Which valve a sheet is of, and which issue of the sheet it is: `[valve]` and `[revision]`."""

from __future__ import annotations

from asleft.sheet.model import Revision
from asleft.sheet.section import Section
from asleft.wire.topics import ID_WANTED, valid_valve


def read_valve(top: Section) -> tuple[str, str, str, str]:
    """`[valve]`: id, press, name, controls."""
    top.require("valve", "a [valve] table with the valve's id")
    section = top.section("valve")
    if "valve" in top:
        section.require("id", 'the valve\'s id, as "press-4.platen"')
    valve = section.text("id", check=valid_valve, wanted=ID_WANTED)
    press = section.text("press", most=80) or ""
    name = section.text("name", most=80) or ""
    controls = section.word("controls", ("pressure", "flow")) or "pressure"
    section.close()
    return valve or "", press, name, controls


def read_revision(top: Section) -> Revision:
    """`[revision]`: number (1 when absent), since when it is in force, by whom and why."""
    section = top.section("revision")
    revision = Revision(
        number=section.integer("number", 1, 1_000_000) or 1,
        at=section.instant("at"),
        by=section.text("by", most=80) or "",
        why=section.text("why", most=500) or "",
    )
    section.close()
    return revision

"""Which valve a sheet is of, and which issue of the sheet it is: `[valve]` and `[revision]`."""

from __future__ import annotations

import re

from asleft.sheet.model import Revision
from asleft.sheet.section import Section

VALVE_ID_LIMIT = 64
_VALVE_ID = re.compile(r"[a-z0-9](?:[a-z0-9.-]*[a-z0-9])?")
_VALVE_ID_WANTED = (
    f'must be of a-z, 0-9, "-" and ".", begin and end with a letter or digit, at most {VALVE_ID_LIMIT} characters'
)


def is_valve_id(text: str) -> bool:
    """Whether the text can name a valve in files, topics and stores."""
    return len(text) <= VALVE_ID_LIMIT and _VALVE_ID.fullmatch(text) is not None


def read_valve(top: Section) -> tuple[str, str, str, str]:
    """`[valve]`: id, press, name, controls."""
    top.require("valve", "a [valve] table with the valve's id")
    section = top.section("valve")
    if "valve" in top:
        section.require("id", 'the valve\'s id, as "press-4.platen"')
    valve = section.text("id")
    if valve is not None and not is_valve_id(valve):
        section.fault("id", _VALVE_ID_WANTED)
    press = section.text("press", most=80) or ""
    name = section.text("name", most=80) or ""
    controls = section.choice("controls", {"pressure": "pressure", "flow": "flow"}) or "pressure"
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

"""Keys that a channel has in every family: its name, its unit, its scaling. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from asleft.wire.settings import Section

CHANNEL_WANTED = 'must be of a-z, 0-9, "_", "-" and ".", 1 to 64 characters'

_SCALE_LIMIT = 1e9


def read_name_and_unit(table: Section, before: Iterable[str]) -> tuple[str, str]:
    """Name and unit of a channel; a name that is among those `before` is a fault."""
    table.distinct("name", list(before))
    name = table.text("name", check=is_channel_name, wanted=CHANNEL_WANTED, needed="the name of the channel")
    return name or "", table.text("unit", most=32) or "1"


def read_scaling(table: Section) -> tuple[float, float]:
    """Scale and offset: given as such, or by two counts and the values they stand for, as data sheets do."""
    ends = -_SCALE_LIMIT, _SCALE_LIMIT
    scale, offset = table.number("scale", *ends), table.number("offset", *ends)
    counts, values = table.different_pair("counts", *ends), table.different_pair("values", *ends)
    if not ("counts" in table or "values" in table):
        if scale == 0:
            table.fault("scale", "must not be 0: every reading would be the same")
        return 1.0 if scale is None else scale, offset or 0.0
    for key in ("scale", "offset"):
        if key in table:
            table.fault(key, "is given beside counts and values, which say the same")
    table.require("counts", "the two counts that values stand for")
    table.require("values", "the values that the two counts stand for")
    if counts is None or values is None:
        return 1.0, 0.0
    scale = (values[1] - values[0]) / (counts[1] - counts[0])
    return scale, values[0] - scale * counts[0]


def is_channel_name(text: str) -> bool:
    """Whether a text is a channel's name."""
    return 1 <= len(text) <= 64 and all(letter in "abcdefghijklmnopqrstuvwxyz0123456789_-." for letter in text)

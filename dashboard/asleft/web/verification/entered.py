"""What a person enters for a verification record from files: a small TOML beside the sheet, written for them once."""

from __future__ import annotations

from collections.abc import Mapping

from asleft.sheet.model import Sheet
from asleft.sheet.write import toml_value
from asleft.web.units import BAR
from asleft.web.verification.record import CHANNELS, FIELDS, INSTRUMENT, PLATE, known_of
from asleft.web.words_check import LOAD_STATES
from asleft.wire.settings import Section

_WORDS: Mapping[str, str] = {
    "valve_plate": "type and serial number on the valve",
    "coil_plate": "of the coil: voltage, resistance, current",
    "driver_type": "type of the driver",
    "driver_serial": "serial number of the driver",
    "dialled": "settings as dialled at the driver, in its own words",
    "id": "number of the instrument",
    "range": "what it can show",
    "due": "when its calibration is due, as 2027-03-31",
    "uncertainty": "of its calibration, for 95 %",
    "oil": "oil and its temperature",
    "technician": "who carried it out; needed",
    "witness": "who saw it, if anyone",
    "remark": "",
}
_DECISIONS = ("accepted", "not-accepted")


def blank_text(sheet: Sheet) -> str:
    """The file to fill in, with what the sheet knows of the instruments."""
    known = known_of(sheet, BAR)
    lines = [
        f"# For verification records of {sheet.label}: fill in what is known; nothing is made up in its place.",
        "",
    ]
    lines += ["[plate]", *(_line(name, name, {}) for name in PLATE), ""]
    for channel in CHANNELS:
        lines += [f"[instrument.{channel}]", *(_line(part, f"{channel}_{part}", known) for part in INSTRUMENT), ""]
    states = "; ".join(f"{toml_value(state)}: {words}" for state, words in LOAD_STATES.items())
    lines += [
        "[record]",
        "number = 1    # of the record, as your files count",
        'load_state = ""    # needed; one of the next',
        f"#   {states}",
        *(_line(name, name, {}) for name in ("oil", "technician", "witness", "remark")),
        'decision = ""    # needed: "accepted" or "not-accepted"',
    ]
    return "\n".join(lines) + "\n"


def _line(key: str, field: str, known: Mapping[str, str]) -> str:
    words = _WORDS[key]
    return f"{key} = {toml_value(known.get(field, ''))}{f'    # {words}' if words else ''}"


def read_entered(text: str, source: str) -> tuple[int, dict[str, str]]:
    """The number of the record, and what was entered, by field of `views.record.FIELDS`; empty where nothing was.

    Raises:
        SettingsError: the file has faults; all of them are named.
    """
    top = Section.of_text(text, source)
    out = dict.fromkeys(FIELDS, "")
    plate = top.section("plate")
    for name in PLATE:
        out[name] = plate.text(name) or ""
    plate.close()
    instruments = top.section("instrument")
    for channel in CHANNELS:
        one = instruments.section(channel)
        for part in INSTRUMENT:
            out[f"{channel}_{part}"] = one.text(part) or ""
        one.close()
    instruments.close()
    record = top.section("record")
    number = record.integer("number", 1, 1_000_000) or 1
    for name in ("oil", "technician", "witness", "remark"):
        out[name] = record.text(name) or ""
    for name, words in (("load_state", tuple(LOAD_STATES)), ("decision", _DECISIONS)):
        out[name] = record.word(name, (*words, "")) or ""
    record.close()
    top.finish()
    return number, out


def key_of(field: str) -> str:
    """The key of the file that holds a field, for messages."""
    if field in PLATE:
        return f"plate.{field}"
    channel, _, part = field.partition("_")
    return f"instrument.{channel}.{part}" if channel in CHANNELS else f"record.{field}"

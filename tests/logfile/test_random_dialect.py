"""A true recording written in a random dialect reads back equal, or is asked about; never as something else."""

from __future__ import annotations

import csv
import gzip
import io
import sys
from datetime import UTC, timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from asleft.logfile.door import OpenQuestionsError, read
from asleft.logfile.given import Given
from asleft.sheet.reader import read_sheet
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recording import SHEET, recording

SIGNAL = read_sheet(SHEET).signal
TRUE = recording(16.0)

TIME_WORDS = ["Time", "Timestamp", "Zeit", "Horodatage", "Tijd"]
NAMES = {
    "command": ["Command", "Setpoint", "Sollwert", "Consigne", "Stellsignal", "Valve command", "cmd"],
    "current": ["Current", "Coil current", "Spulenstrom", "Courant", "Solenoid current", "Actual current"],
    "pressure": ["Pressure", "Druck", "Pression", "Platen pressure", "Actual pressure"],
}
UNITS = {
    "command": [("mA", 1.0, 0.0), ("%", 6.25, -25.0)],
    "current": [("A", 1.0, 0.0), ("mA", 1000.0, 0.0)],
    "pressure": [("bar", 1.0, 0.0), ("MPa", 0.1, 0.0), ("kPa", 100.0, 0.0), ("psi", 1e5 / 6894.757293168361, 0.0)],
}
OTHERS = ["Flow (l/min)", "Position [mm]", "Event", "Current setpoint (A)", "No.", "Tank pressure (bar)"]
PATTERNS = ["%Y-%m-%d %H:%M:%S.%f", "%d.%m.%Y %H:%M:%S.%f", "%m/%d/%Y %I:%M:%S.%f %p", "%d/%m/%Y %H:%M:%S.%f"]
STAMPS = ["iso", "iso Z", *PATTERNS, "epoch s", "epoch ms", "elapsed s", "elapsed ms"]


@st.composite
def dialects(draw: st.DrawFn) -> dict[str, object]:
    separator = draw(st.sampled_from([",", ";", "\t", "|"]))
    channels = draw(st.permutations(["command", "current", "pressure"]))
    return {
        "separator": separator,
        "comma": draw(st.booleans()),
        "brackets": draw(st.sampled_from(["()", "[]", " /", "row"])),
        "channels": channels,
        "names": {each: draw(st.sampled_from(NAMES[each])) for each in channels},
        "units": {each: draw(st.sampled_from(UNITS[each])) for each in channels},
        "time": draw(st.sampled_from(TIME_WORDS)),
        "stamp": draw(st.sampled_from(STAMPS)),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "preamble": draw(st.integers(0, 3)),
        "footer": draw(st.booleans()),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        "end": draw(st.sampled_from(["\n", "\r\n"])),
        "other": draw(st.sampled_from([None, *OTHERS])),
        "gzip": draw(st.booleans()),
        "newest_first": draw(st.booleans()),
        "day": draw(st.integers(1, 28)),
    }


def stamps_of(dialect: dict[str, object]) -> list[str]:
    moments = [each.replace(day=int(str(dialect["day"]))) for each in TRUE.moments()]
    form = str(dialect["stamp"])
    if form == "iso":
        return [each.replace(tzinfo=None).isoformat(timespec="milliseconds") for each in moments]
    if form == "iso Z":
        return [each.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z" for each in moments]
    if form.startswith("epoch"):
        return [
            f"{each.timestamp():.3f}" if form == "epoch s" else str(round(each.timestamp() * 1000))
            for each in moments
        ]
    if form.startswith("elapsed"):
        return [f"{t:.3f}" if form == "elapsed s" else str(round(t * 1000)) for t in TRUE.time_s.tolist()]
    return [each.strftime(form) for each in moments]


def written(dialect: dict[str, object], folder: Path) -> Path:
    separator, comma = str(dialect["separator"]), bool(dialect["comma"])
    units, names = dialect["units"], dialect["names"]
    channels = list(dialect["channels"])  # type: ignore[call-overload]
    columns = {"command": TRUE.command_ma, "current": TRUE.current_a, "pressure": TRUE.pressure_bar}
    brackets = str(dialect["brackets"])

    def number(value: float) -> str:
        text = f"{value:.8g}"
        return text.replace(".", ",") if comma else text

    def header(channel: str) -> str:
        name, unit = names[channel], units[channel][0]  # type: ignore[index]
        if brackets == "row":
            return str(name)
        return f"{name} / {unit}" if brackets == " /" else f"{name} {brackets[0]}{unit}{brackets[1]}"

    other = dialect["other"]
    head = [str(dialect["time"]), *map(header, channels), *([str(other)] if other else [])]
    if brackets == "row" and other:
        head[-1] = "Event"
    rows: list[list[str]] = []
    times = stamps_of(dialect)
    for k, stamp in enumerate(times):
        cells = [stamp.replace(".", ",") if comma and stamp.replace(".", "").isdecimal() else stamp]
        for channel in channels:
            _, factor, shift = units[channel]  # type: ignore[index]
            cells.append(number(columns[channel][k] * factor + shift))
        if other:
            cells.append("" if head[-1] == "Event" else number(float(k % 40) / 10 if head[-1] != "No." else float(k)))
        rows.append(cells)
    if dialect["newest_first"]:
        rows.reverse()
    out = io.StringIO()
    writer = csv.writer(
        out, delimiter=separator, quoting=int(str(dialect["quoting"])), lineterminator=str(dialect["end"])
    )
    for k in range(int(str(dialect["preamble"]))):
        out.write(f"Recorder {k}" + str(dialect["end"]))
    writer.writerow(head)
    if brackets == "row":
        writer.writerow(["", *(units[each][0] for each in channels), *([""] if other else [])])  # type: ignore[index]
    writer.writerows(rows)
    if dialect["footer"]:
        out.write("End of recording" + str(dialect["end"]))
    raw = out.getvalue().encode(str(dialect["encoding"]))
    path = folder / "log.csv"
    path.write_bytes(gzip.compress(raw) if dialect["gzip"] else raw)
    return path


@given(dialects())
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_a_recording_in_any_dialect_reads_back_equal_or_is_asked_about(
    tmp_path: Path, dialect: dict[str, object]
) -> None:
    path = written(dialect, tmp_path)
    options: dict[str, object] = {}
    if dialect["stamp"] in ("%m/%d/%Y %I:%M:%S.%f %p", "%d/%m/%Y %H:%M:%S.%f") and int(str(dialect["day"])) <= 12:
        if dialect["day"] != TRUE.start.month:
            with pytest.raises(OpenQuestionsError, match="can be read in 2 ways"):
                read(path, Given(signal=SIGNAL))
        options["order"] = "month-first" if str(dialect["stamp"]).startswith("%m") else "day-first"
    found = read(path, Given(signal=SIGNAL, **options)).samples  # type: ignore[arg-type]
    start = TRUE.start.replace(day=int(str(dialect["day"]))).timestamp()
    if str(dialect["stamp"]).startswith("elapsed"):
        start = 0.0
    assert np.abs(found.time_s - (start + TRUE.time_s)).max() < 1e-5
    for channel, column in (
        ("command", TRUE.command_ma),
        ("current", TRUE.current_a),
        ("pressure", TRUE.pressure_bar),
    ):
        assert np.allclose(found.channels[channel], column, rtol=1e-6, atol=1e-6), channel


def test_the_recording_starts_where_it_says() -> None:
    assert TRUE.start.tzinfo is UTC
    assert TRUE.moments()[-1] - TRUE.start == timedelta(seconds=16.0 - 1 / 25)

"""One recording in many dialects: read without a map, equal to what was written, or asked about; never mistaken."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

import dialects_of_libraries  # noqa: F401 - adds its own
from asleft.cli.log_options import add_log_options, given_of
from asleft.judge.judge import judge_log
from asleft.judge.published import judgement_json
from asleft.logfile.door import OpenQuestionsError, Reading, read
from asleft.logfile.given import Given
from asleft.logfile.maps import map_text
from asleft.sheet.logmap import read_log_map
from asleft.sheet.reader import read_sheet
from dialects import DIALECTS, Dialect
from recording import SHEET, Recording, recording

SHEET_READ = read_sheet(SHEET)
TRUE = recording()

#: What was read in this process, so that a judgement need not read it again.
READ: dict[str, Reading] = {}


def options(words: list[str]) -> Given:
    parser = argparse.ArgumentParser()
    add_log_options(parser)
    return given_of(parser.parse_args(words), signal=SHEET_READ.signal)


def known(dialect: Dialect) -> Given:
    return options([*dialect.options, *dialect.answers])


def assert_is_the_recording(found: Reading, dialect: Dialect, truth: Recording) -> None:
    """Each reading of the file is the recording's at its time, with as many rows."""
    count = truth.time_s.size
    samples = found.samples
    assert count <= samples.time_s.size <= count + 5  # some dialects have rows of marks behind
    since_start = samples.time_s[:count] - samples.time_s[0]
    assert np.abs(since_start - (truth.time_s - truth.time_s[0])).max() <= dialect.loose_s
    for channel, column in (
        ("command", truth.command_ma),
        ("current", truth.current_a),
        ("pressure", truth.pressure_bar),
    ):
        assert np.allclose(samples.channels[channel][:count], column, rtol=1e-9, atol=2e-7), channel


@pytest.mark.parametrize("name", DIALECTS)
def test_a_dialect_reads_back_equal_or_is_asked_about_and_its_map_reads_the_same(name: str, tmp_path: Path) -> None:
    dialect = DIALECTS[name]
    path = dialect.write(TRUE, tmp_path)
    if dialect.answers:
        with pytest.raises(OpenQuestionsError) as caught:
            read(path, options(list(dialect.options)))
        # Whoever follows the message's own words gets on.
        assert caught.value.questions
        assert all(question.choices or question.example for question in caught.value.questions)
        assert str(path) in str(caught.value)
    found = READ[name] = read(path, known(dialect))
    assert_is_the_recording(found, dialect, TRUE)
    if dialect.times == "absolute":
        # Some dialects are of another day or minute; those say so in their name and are dated by their cells.
        assert 1.7724e9 < found.samples.time_s[0] < 1.8e9
        if not any(word in name for word in ("clock", "midnight")):
            assert abs(found.samples.time_s[0] - TRUE.start.timestamp()) < 0.1
    assert "taken without a map" in found.notes[0]
    # The map that is written reads the same, without recognition.
    given = known(dialect)
    log_map = read_log_map(map_text(found.log_map, {}))
    by_map = read(path, Given(log_map=log_map, signal=given.signal, start=given.start, zone=given.zone))
    count = TRUE.time_s.size
    assert np.array_equal(by_map.samples.time_s[:count], found.samples.time_s[:count])
    assert set(by_map.samples.channels) == set(found.samples.channels)
    for channel, values in found.samples.channels.items():
        assert np.allclose(by_map.samples.channels[channel][:count], values[:count], equal_nan=True), channel


def test_half_of_them_are_written_by_libraries_of_others() -> None:
    others = [name for name, dialect in DIALECTS.items() if dialect.by]
    assert 2 * len(others) >= len(DIALECTS), (len(others), len(DIALECTS))
    assert {DIALECTS[name].by for name in others} >= {"csv", "numpy", "odfpy", "pandas", "pyarrow", "xlsxwriter"}


def test_nine_in_ten_need_no_answer_and_there_are_sixty() -> None:
    asked = [name for name, dialect in DIALECTS.items() if dialect.answers]
    assert len(DIALECTS) >= 60
    assert len(asked) <= len(DIALECTS) / 10, asked


# Dialects that differ from the plain one by more than the writing of its rows: a day later, an unknown day.
_SAME = [name for name, dialect in DIALECTS.items() if dialect.loose_s < 1e-4]


def _figures(found: Reading) -> dict[str, object]:
    """The judgement of the recording's rows, without its times of day."""
    count = TRUE.time_s.size
    samples = found.samples
    moved = replace(
        samples,
        time_s=np.round(samples.time_s[:count] - samples.time_s[0], 5) + TRUE.start.timestamp(),
        channels={
            channel: np.round(samples.channels[channel][:count], 6) for channel in ("command", "current", "pressure")
        },
    )
    return json.loads(json.dumps(judgement_json(judge_log(SHEET_READ, moved))))


def _read_anew(name: str, folder: Path) -> Reading:
    (folder / name).mkdir()
    return read(DIALECTS[name].write(TRUE, folder / name), known(DIALECTS[name]))


def test_every_dialect_is_judged_as_the_plain_file(tmp_path: Path) -> None:
    plain = DIALECTS["plain_own_headers"]
    expected = _figures(read(plain.write(TRUE, tmp_path), known(plain)))
    seen: dict[bytes, str] = {}
    for name in _SAME:
        found = READ.get(name) or _read_anew(name, tmp_path)
        count = TRUE.time_s.size
        # Equal readings are judged once: the judge is a function of them.
        key = (
            b"".join(
                np.round(found.samples.channels[channel][:count], 6).tobytes()
                for channel in ("command", "current", "pressure")
            )
            + np.round(found.samples.time_s[:count] - found.samples.time_s[0], 3).tobytes()
        )
        if key not in seen:
            seen[key] = name
            assert _figures(found) == expected, name
    assert expected["quantities"][0]["verdict"] == "in"  # type: ignore[index]

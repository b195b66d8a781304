"""One line for each event, and the journal's priorities where the journal reads them."""

from __future__ import annotations

import argparse
import io
import logging
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from asleft.monitoring.logs import LEVELS, add_level_argument, configure, goes_to_journal, level_name


@pytest.fixture(autouse=True)
def _as_it_was() -> Iterator[None]:
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    root.handlers[:], root.level = handlers, level


def lines(text: str) -> list[str]:
    return text.splitlines()


def fail(message: str) -> None:
    raise ValueError(message)


def test_an_exception_is_one_line_that_says_where() -> None:
    out = io.StringIO()
    configure("info", out)
    try:
        try:
            fail("first\nsecond")
        except ValueError as error:
            raise OSError("cannot go on") from error
    except OSError:
        logging.getLogger("asleft.x").exception("it failed")
    (line,) = lines(out.getvalue())
    assert "ERROR asleft.x: it failed | OSError: cannot go on [test_logs.py:" in line
    assert "caused by ValueError: first" in line
    assert " fail < test_logs.py:" in line


def test_what_others_send_cannot_make_a_second_line() -> None:
    out = io.StringIO()
    configure("info", out)
    logging.getLogger("asleft").warning("agent %s", "a\r\n2026-01-01 00:00:00 ERROR forged\x0b\u2028b")
    assert len(lines(out.getvalue())) == 1


@pytest.mark.parametrize(("level", "said"), [("error", 1), ("warning", 2), ("info", 3), ("debug", 4)])
def test_levels(level: str, said: int) -> None:
    out = io.StringIO()
    configure(level, out)
    log = logging.getLogger("asleft.levels")
    for say in (log.debug, log.info, log.warning, log.error):
        say("a word")
    assert len(lines(out.getvalue())) == said
    assert level_name() == level


def test_the_journal_gets_priorities_and_no_second_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "journal"
    with file.open("w") as stream:
        found = os.fstat(stream.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{found.st_dev}:{found.st_ino}")
        configure("debug", stream)
        log = logging.getLogger("asleft.priorities")
        for say in (log.debug, log.info, log.warning, log.error, log.critical):
            say("a word")
    # syslog(3): debug 7, informational 6, warning 4, error 3, critical 2
    assert lines(file.read_text()) == [f"<{priority}>asleft.priorities: a word" for priority in (7, 6, 4, 3, 2)]


def test_another_stream_is_not_taken_for_the_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with (tmp_path / "file").open("w") as stream:
        for value in ("", "1:2", "nonsense", ":"):
            monkeypatch.setenv("JOURNAL_STREAM", value)
            assert not goes_to_journal(stream)
    assert not goes_to_journal(io.StringIO())


def test_the_option() -> None:
    parser = argparse.ArgumentParser()
    add_level_argument(parser)
    assert [parser.parse_args(words).log_level for words in ([], ["-v"], ["--verbose"])] == ["info", "debug", "debug"]
    assert [parser.parse_args(["--log-level", level]).log_level for level in LEVELS] == list(LEVELS)
    with pytest.raises(SystemExit):
        parser.parse_args(["--log-level", "loud"])

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest
from asleft.logfile.inbox import DONE, FAILED, TABLE, Inbox, InboxError, Outcome, Steady
from hypothesis import given
from hypothesis import strategies as st

NOW = "2026-03-02T08:10:00+00:00"
COLUMNS = ("file", "status")


@pytest.fixture
def inbox(tmp_path: Path) -> Iterator[Inbox]:
    made = Inbox(tmp_path, 0.0, COLUMNS)
    yield made
    made.close()


class Judge:
    """Says well of everything but files that hold "bad"; remembers what it was asked."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def __call__(self, path: Path) -> Outcome:
        self.asked.append(path.name)
        if "bad" in path.read_text():
            return Outcome([{"file": path.name, "status": "not read"}], error=f"{path}: no rows")
        return Outcome([{"file": path.name, "status": "well"}], result='{"judgements": []}\n')


def deal(inbox: Inbox, judge: Judge) -> None:
    for path in inbox.finished(0.0):
        inbox.deal_with(path, judge, NOW)


def rows(folder: Path) -> list[dict[str, str]]:
    with (folder / TABLE).open(newline="") as file:
        return list(csv.DictReader(file))


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir() if not path.name.startswith(".")}


def test_a_judged_file_goes_to_done_with_its_result_and_a_line(tmp_path: Path, inbox: Inbox) -> None:
    (tmp_path / "one.csv").write_text("good")
    deal(inbox, Judge())
    assert names(tmp_path) == {DONE, FAILED, TABLE}
    assert names(tmp_path / DONE) == {"one.csv", "one.csv.json"}
    (row,) = rows(tmp_path)
    assert (row["file"], row["status"], row["judged_at"]) == ("one.csv", "well", NOW)
    assert len(row["sha256"]) == 64


def test_a_file_that_cannot_be_read_goes_to_failed_with_the_reason_and_may_come_again(
    tmp_path: Path, inbox: Inbox
) -> None:
    judge = Judge()
    (tmp_path / "one.csv").write_text("bad")
    deal(inbox, judge)
    assert names(tmp_path / FAILED) == {"one.csv", "one.csv.reason.txt"}
    assert "no rows" in (tmp_path / FAILED / "one.csv.reason.txt").read_text()
    (tmp_path / FAILED / "one.csv").rename(tmp_path / "one.csv")
    deal(inbox, judge)
    assert judge.asked == ["one.csv", "one.csv"]
    assert [row["sha256"] for row in rows(tmp_path)] == ["", ""]


def test_the_same_bytes_are_judged_once_under_any_name_and_over_a_restart(tmp_path: Path) -> None:
    judge = Judge()
    for name in ("one.csv", "two.csv", "one.csv"):
        inbox = Inbox(tmp_path, 0.0, COLUMNS)
        (tmp_path / name).write_text("good")
        deal(inbox, judge)
        inbox.close()
    assert judge.asked == ["one.csv"]
    assert len(rows(tmp_path)) == 1
    assert names(tmp_path / DONE) == {"one.csv", "one.csv.json", "two.csv", "two.csv.reason.txt", "one-2.csv"}
    assert (tmp_path / DONE / "two.csv.reason.txt").read_text() == "the same bytes were judged as one.csv\n"


def test_another_file_of_a_name_that_was_there_keeps_both(tmp_path: Path, inbox: Inbox) -> None:
    judge = Judge()
    for text in ("good", "good too"):
        (tmp_path / "log.csv").write_text(text)
        deal(inbox, judge)
    assert names(tmp_path / DONE) == {"log.csv", "log.csv.json", "log-2.csv", "log-2.csv.json"}
    assert (tmp_path / DONE / "log.csv").read_text() == "good"


@pytest.mark.parametrize("stop_at", ["result", "line", "move"])
def test_stopped_anywhere_nothing_is_judged_twice_in_the_table(
    tmp_path: Path, stop_at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut before the result, the line or the move has been made."""
    judge = Judge()
    (tmp_path / "one.csv").write_text("good")
    inbox = Inbox(tmp_path, 0.0, COLUMNS)
    (path,) = inbox.finished(0.0)

    def power_cut(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        if stop_at == "result":
            patched.setattr("asleft.logfile.inbox._write_whole", power_cut)
        elif stop_at == "line":
            patched.setattr(Inbox, "_add_rows", power_cut)
        else:
            patched.setattr(Path, "rename", power_cut)
        with pytest.raises(KeyboardInterrupt):
            inbox.deal_with(path, judge, NOW)
    inbox.close()
    again = Inbox(tmp_path, 0.0, COLUMNS)
    deal(again, judge)
    again.close()
    assert len(rows(tmp_path)) == 1
    assert {"one.csv", "one.csv.json"} <= names(tmp_path / DONE)
    assert "one.csv" not in names(tmp_path)
    assert len(judge.asked) == (1 if stop_at == "move" else 2)


def test_a_line_that_a_crash_cut_off_is_taken_away(tmp_path: Path) -> None:
    judge = Judge()
    (tmp_path / "one.csv").write_text("good")
    inbox = Inbox(tmp_path, 0.0, COLUMNS)
    deal(inbox, judge)
    inbox.close()
    whole = (tmp_path / TABLE).read_bytes()
    (tmp_path / TABLE).write_bytes(whole + b"two.csv,well,2026-03")
    again = Inbox(tmp_path, 0.0, COLUMNS)
    again.close()
    assert (tmp_path / TABLE).read_bytes() == whole


def test_a_file_that_changes_while_it_is_judged_is_looked_at_again(tmp_path: Path, inbox: Inbox) -> None:
    path = tmp_path / "one.csv"
    path.write_text("good")

    def slow(_: Path) -> Outcome:
        path.write_text("good and more")
        return Outcome([{"file": "one.csv", "status": "well"}], "{}")

    (found,) = inbox.finished(0.0)
    assert inbox.deal_with(found, slow, NOW) is None
    assert not (tmp_path / TABLE).exists()
    assert inbox.finished(1.0) == [path]


def test_what_is_no_log_or_not_finished_stays(tmp_path: Path, inbox: Inbox) -> None:
    for name in (".hidden", "~lock.csv", "one.csv.part", "two.TMP"):
        (tmp_path / name).write_text("good")
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "link.csv").symlink_to("/etc/hostname")
    assert inbox.finished(0.0) == []
    assert inbox.waiting() == 0


@pytest.mark.usefixtures("inbox")
def test_one_process_holds_a_folder_and_a_folder_that_is_none_is_said(tmp_path: Path) -> None:
    with pytest.raises(InboxError, match="another asleft inbox is at work here"):
        Inbox(tmp_path, 0.0, COLUMNS)
    with pytest.raises(InboxError, match="no folder"):
        Inbox(tmp_path / "nowhere", 0.0, COLUMNS)


def test_a_table_of_another_kind_is_not_written_into(tmp_path: Path) -> None:
    (tmp_path / TABLE).write_text("a,b\n1,2\n")
    with pytest.raises(InboxError, match="has other columns"):
        Inbox(tmp_path, 0.0, COLUMNS)


@given(st.lists(st.tuples(st.floats(0.1, 5.0), st.integers(0, 2)), min_size=1, max_size=30))
def test_no_file_is_finished_before_it_has_stood_still(steps: list[tuple[float, int]]) -> None:
    steady, now_s, changed_s, size = Steady(5.0), 0.0, 0.0, 0
    for wait_s, grown in steps:
        now_s += wait_s
        if grown:
            size, changed_s = size + grown, now_s
        ready = steady.finished({"a.csv": (size, size, 1)}, now_s)
        # The first look may be long after the last change: time counts from when we saw it.
        if ready:
            assert now_s - changed_s >= 5.0

"""Records on a server: the URL is checked before anything is opened, and every command finds its way there."""

from __future__ import annotations

from pathlib import Path

import pytest
from asleft.cli.main import main
from asleft.store.records import open_records
from postgres_server import PostgresServer, free_port

SHEET = """
[valve]
id = "press-9.platen"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.2
current_at_full = 0.9
[revision]
number = 1
at = 2026-03-02T08:10:00Z
by = "kl"
why = "first"
"""


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("records.db", "postgresql://USER@HOST:PORT/DATABASE is expected"),
        ("mysql://a@db/asleft", "postgresql://USER@HOST:PORT/DATABASE is expected"),
        ("postgresql://a:secret@db/asleft", "leave the password out"),
        ("postgresql://a@db", "names no database"),
        ("postgresql://a@db:x/asleft", "is expected"),
    ],
)
@pytest.mark.parametrize("command", [["record"], ["web"], ["users", "list"], ["rejudge", "--budget-years", "1"]])
def test_a_wrong_url_is_named_and_no_password_repeated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: list[str], url: str, said: str
) -> None:
    assert main([*command, "--data", str(tmp_path), "--records", url]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert "secret" not in told.err + told.out


def test_a_server_that_is_not_there_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    url = f"postgresql://asleft@127.0.0.1:{free_port()}/asleft"
    for command in (["record"], ["web"], ["users", "list"]):
        assert main([*command, "--data", str(tmp_path), "--records", url]) == 2
        told = capsys.readouterr().err
        assert f"--records {url}: cannot be opened" in told
        assert "refused" in told.lower()


def test_sheets_and_accounts_go_to_the_server(
    tmp_path: Path, postgres: PostgresServer, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    url = postgres.url(str(tmp_path))
    file = tmp_path / "sheet.toml"
    file.write_text(SHEET)
    place = ["--data", str(tmp_path / "data"), "--records", url]
    assert main(["sheet", "put", str(file), *place]) == 0
    assert "filed, in force from" in capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", __import__("io").StringIO("a long enough secret 42\n"))
    assert main(["users", "add", "kl", "--role", "administrator", "--password-stdin", *place]) == 0
    capsys.readouterr()
    assert main(["users", "list", *place]) == 0
    assert "kl" in capsys.readouterr().out
    records = open_records(url)
    assert [record.valve for record in records.sheets("press-9.platen")] == ["press-9.platen"]
    records.close()
    assert not (tmp_path / "data" / "records.db").exists()

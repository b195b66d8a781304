"""Records on a server: the URL is checked before anything is opened, and every command finds its way there."""

from __future__ import annotations

from pathlib import Path

import pytest
from asleft.cli.main import main
from asleft.store.engine import make_engine, reading
from asleft.store.records import open_records
from plant_authority import Authority
from postgres_server import PostgresServer, free_port
from sqlalchemy import text

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


def test_records_over_tls_with_the_servers_certificate_checked(
    tmp_path: Path,
    postgres_tls: PostgresServer,
    authorities: tuple[Authority, Authority],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The server takes nobody without TLS, so what it took came over TLS."""
    file = tmp_path / "sheet.toml"
    file.write_text(SHEET)
    plain = postgres_tls.url(str(tmp_path))
    checked = f"{plain}?sslmode=verify-full&sslrootcert={authorities[0].file('ca.crt')}"
    assert main(["sheet", "put", str(file), "--data", str(tmp_path / "data"), "--records", checked]) == 0
    engine = make_engine(checked)
    with reading(engine) as connection:
        assert connection.execute(text("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()")).scalar_one()
    engine.dispose()
    capsys.readouterr()
    for authority, host, said in (
        (authorities[1], "127.0.0.1", "certificate verify failed"),
        (authorities[0], "127.0.0.2", 'does not match host name "127.0.0.2"'),
    ):
        other = f"{plain.replace('127.0.0.1', host)}?sslmode=verify-full&sslrootcert={authority.file('ca.crt')}"
        for command in (["record"], ["users", "list"]):
            assert main([*command, "--data", str(tmp_path / "data"), "--records", other]) == 2
            told = capsys.readouterr().err
            assert said in told
            assert "is sslrootcert the authority that signed it" in told

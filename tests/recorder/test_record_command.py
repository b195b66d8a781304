from __future__ import annotations

import sqlite3

import pytest
from asleft.cli.errors import UserError
from asleft.cli.main import main
from asleft.cli.record import broker_address


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("127.0.0.1:1884", ("127.0.0.1", 1884)),
        ("broker.plant", ("broker.plant", 1883)),
        ("[::1]:1884", ("::1", 1884)),
        ("[::1]", ("::1", 1883)),
    ],
)
def test_broker_addresses(text, expected):
    assert broker_address(text) == expected


@pytest.mark.parametrize("text", ["", ":1883", "host:", "host:x", "host:0", "host:65536", "host:-1", "host:1e3"])
def test_wrong_broker_addresses_are_named(text):
    with pytest.raises(UserError, match="HOST:PORT is expected"):
        broker_address(text)


def test_a_data_folder_that_is_a_file(tmp_path, capsys):
    wrong = tmp_path / "file"
    wrong.write_text("")
    assert main(["record", "--data", str(wrong)]) == 2
    assert f"--data {wrong}: not a folder" in capsys.readouterr().err


def test_a_sample_file_of_another_version(tmp_path, capsys):
    connection = sqlite3.connect(tmp_path / "samples.db")
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    assert main(["record", "--data", str(tmp_path)]) == 2
    assert "laid out as version 99" in capsys.readouterr().err


def test_the_help_page(capsys):
    assert main(["record", "--help"]) == 0
    page = capsys.readouterr().out
    assert "--broker" in page
    assert "no safety device" in page

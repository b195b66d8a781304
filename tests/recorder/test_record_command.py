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


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--client-id", "x" * 65], "has 65 characters, at most 64 are allowed"),
        (["--client-id", ""], "--client-id is empty"),
        (["--broker-certificate", "a"], "each is of no use without the other"),
        (["--broker-key", "a"], "each is of no use without the other"),
        (["--broker-certificate", "a", "--broker-key", "b"], "--broker-ca is missing"),
        (["--broker-ca", "no-such.crt"], "no-such.crt) cannot be used"),
        (["--broker", "b:9001", "--broker-websocket", "mqtt"], 'must begin with "/"'),
        (["--broker", "b", "--broker-websocket", "/mqtt"], "--broker b: a port is missing"),
        (["--broker-password-file", "a"], "without --broker-user"),
        (
            ["--broker-user", "r", "--broker-password-file", "no-such"],
            "password-file no-such: cannot be read",
        ),
    ],
)
def test_what_does_not_fit_together_for_the_broker_is_named(tmp_path, capsys, words, said):
    assert main(["record", "--data", str(tmp_path / "data"), *words]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "data").exists()


def test_with_an_authority_the_port_is_that_of_tls():
    assert broker_address("broker.plant", 8883) == ("broker.plant", 8883)
    assert broker_address("[::1]:1884", 8883) == ("::1", 1884)


def test_the_help_page(capsys):
    assert main(["record", "--help"]) == 0
    page = capsys.readouterr().out
    assert "--broker" in page
    assert "no safety device" in page

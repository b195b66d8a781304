"""The script that makes a plant's certificates: what it makes, what it refuses, and that it says so."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from plant_broker import make


def text_of(file: Path) -> str:
    done = subprocess.run(
        ["openssl", "x509", "-in", file, "-noout", "-text"], capture_output=True, text=True, check=True
    )
    return done.stdout


def test_keys_are_for_their_owner_only(certificates: Path) -> None:
    for key in certificates.glob("*.key"):
        assert key.stat().st_mode & 0o077 == 0, key


def test_certificates_can_be_read_by_whoever_serves_or_asks_with_them(certificates: Path) -> None:
    assert certificates.stat().st_mode & 0o777 == 0o755
    for file in (*certificates.glob("*.crt"), certificates / "revoked.crl"):
        assert file.stat().st_mode & 0o777 == 0o644, file


def test_a_servers_certificate_serves_and_an_agents_asks(certificates: Path) -> None:
    broker, agent = text_of(certificates / "broker.crt"), text_of(certificates / "hall-1.crt")
    assert "DNS:localhost, IP Address:127.0.0.1" in broker
    assert "TLS Web Server Authentication" in broker
    assert "TLS Web Client Authentication" not in broker
    assert "TLS Web Client Authentication" in agent
    assert "TLS Web Server Authentication" not in agent
    assert "CA:FALSE" in agent


def test_every_one_is_signed_by_the_authority(certificates: Path) -> None:
    for name in ("broker", "RECORDER", "hall-1", "hall-2"):
        done = subprocess.run(
            ["openssl", "verify", "-CAfile", certificates / "ca.crt", certificates / f"{name}.crt"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr


def test_the_list_names_each_and_its_end(certificates: Path) -> None:
    said = make(certificates, "list").stdout
    assert "hall-2.crt" in said
    assert said.count(" until ") == len(list(certificates.glob("*.crt")))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["agent", "Hall_1"], "'Hall_1' cannot name an agent"),
        (["agent", "+"], "'+' cannot name an agent"),
        (["agent", "#"], "'#' cannot name an agent"),
        (["agent", "a/b"], "'a/b' cannot name an agent"),
        (["agent", "-hall"], "'-hall' cannot name an agent"),
        (["agent", "h" * 65], "has 65 characters"),
        (["agent", "broker"], "give the edge box another id"),
        (["agent", "hall-1"], "is there already"),
        (["agent"], "give the ids"),
        (["recorder", "hall-9"], "capital letters"),
        (["recorder", "+"], "capital letters"),
        (["broker"], "every name and address"),
        (["broker", "a b"], "no host name or address"),
        (["revoke", "hall-8.crt"], "there is no"),
        (["revoke", "ca.crt"], "cannot revoke itself"),
        (["nonsense"], "usage: certificates.sh"),
        ([], "usage: certificates.sh"),
    ],
)
def test_what_it_refuses_it_names(certificates: Path, words: list[str], said: str) -> None:
    before = sorted(certificates.iterdir())
    done = make(certificates, *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert sorted(certificates.iterdir()) == before, "a refused word left files behind"


def test_an_agent_before_the_authority(tmp_path: Path) -> None:
    done = make(tmp_path, "agent", "hall-1")
    assert done.returncode == 2
    assert "begin with: certificates.sh broker" in done.stderr


def test_a_wrong_number_of_days(tmp_path: Path) -> None:
    done = subprocess.run(
        [str(Path(__file__).parents[2] / "compose" / "certificates.sh"), "-d", str(tmp_path), "broker", "localhost"],
        capture_output=True, text=True, check=False, env={"PATH": "/usr/bin:/bin", "DAYS": "long"},
    )  # fmt: skip
    assert done.returncode == 2
    assert "DAYS is 'long'" in done.stderr

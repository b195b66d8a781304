"""What can be said of the compose files without an engine: they are whole, their programs take what they are told.

Broker and proxy are started natively with the very files, see the tests beside this one.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shlex
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml
from asleft.cli import notify, outlets, record, web
from plant_broker import COMPOSE

REPOSITORY = COMPOSE.parent
SERVERS = {"compose": "Docker Compose"}


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the folder after its script has run."""
    folder = tmp_path_factory.mktemp("stranger") / "compose"
    shutil.copytree(COMPOSE, folder, ignore=shutil.ignore_patterns("certificates", "secrets", ".env"))
    done = subprocess.run(
        [folder / "prepare.sh", "localhost", "Europe/Madrid"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def plan() -> dict[str, Any]:
    """compose.yaml, with its merges done."""
    loaded: dict[str, Any] = yaml.safe_load((COMPOSE / "compose.yaml").read_text())
    return loaded


def arguments_of(module: Any, words: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(exit_on_error=False)
    module.add_arguments(parser)
    return parser.parse_args(words)


@pytest.fixture(scope="module")
def compose() -> list[str]:
    """Docker Compose, which needs no engine to read a file."""
    for words in (["docker", "compose"], ["docker-compose"]):
        if shutil.which(words[0]):
            done = subprocess.run([*words, "version", "--short"], capture_output=True, text=True, check=False)
            if done.returncode == 0 and not done.stdout.startswith("1."):  # which does not know `name`
                return words
    pytest.skip("not here: Docker Compose 2 or newer, as docker compose or docker-compose")


def test_its_own_tool_takes_the_compose_file_and_puts_in_what_the_script_made(
    compose: list[str], prepared: Path, plan: dict[str, Any]
) -> None:
    command = [*compose, "config", "--format", "json"]
    done = subprocess.run(command, cwd=prepared, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    read = json.loads(done.stdout)
    assert read["services"].keys() == plan["services"].keys()
    assert {Path(one["file"]).exists() for one in read["secrets"].values()} == {True}
    assert read["services"]["recorder"]["user"] == f"{os.getuid()}:{os.getgid()}"
    assert "--zone=Europe/Madrid" in read["services"]["web"]["command"]
    assert read["services"]["recorder"]["cap_drop"] == ["ALL"], "what is merged in is there"
    (prepared / "wrong.yaml").write_text((prepared / "compose.yaml").read_text().replace("cap_drop:", "cap_drops:"))
    wrong = [*compose, "--file", "wrong.yaml", "config", "--quiet"]
    assert subprocess.run(wrong, cwd=prepared, capture_output=True, check=False).returncode != 0


def test_everything_mounted_is_there(prepared: Path, plan: dict[str, Any]) -> None:
    sources = [
        volume.split(":")[0]
        for service in plan["services"].values()
        for volume in service.get("volumes", [])
        if volume.startswith(".")
    ]
    sources += [secret["file"] for secret in plan["secrets"].values()]
    assert len(sources) > 10
    for source in sources:
        assert (prepared / source).is_file(), source


def test_every_name_used_is_declared(plan: dict[str, Any]) -> None:
    for name, service in plan["services"].items():
        for secret in service.get("secrets", []):
            assert secret in plan["secrets"], (name, secret)
        for network in service["networks"]:
            assert network in plan["networks"], (name, network)
        for volume in service.get("volumes", []):
            if not volume.startswith("."):
                assert volume.split(":")[0] in plan["volumes"], (name, volume)
        for other in service.get("depends_on", []):
            assert other in plan["services"], (name, other)


def test_only_broker_and_proxy_can_be_reached(plan: dict[str, Any]) -> None:
    open_to_others = {name for name, service in plan["services"].items() if "ports" in service}
    assert open_to_others == {"broker", "proxy"}
    assert plan["networks"]["inner"]["internal"] is True
    assert {name for name, service in plan["services"].items() if "outer" in service["networks"]} == open_to_others


def test_nobody_runs_with_more_rights_than_needed(plan: dict[str, Any]) -> None:
    for name in ("broker", "recorder", "web", "proxy"):
        service = plan["services"][name]
        assert service["read_only"] is True
        assert service["cap_drop"] == ["ALL"]
        assert "cap_add" not in service
        assert service["user"].startswith("${ASLEFT_UID")
        assert "privileged" not in service


def test_no_secret_stands_in_the_file_or_on_a_command_line(prepared: Path, plan: dict[str, Any]) -> None:
    secrets = [file.read_text() for file in (prepared / "secrets").iterdir() if file.name != "pgpass"]
    assert len(secrets) == len(set(secrets)) == 3
    assert all(len(secret) >= 48 for secret in secrets)
    for file in prepared.glob("*"):
        if file.is_file():
            assert not any(secret in file.read_text() for secret in secrets), file
    for file in (prepared / "secrets").iterdir():
        assert file.stat().st_mode & 0o077 == 0, file
    for service in plan["services"].values():
        assert not any("password=" in word.lower() for word in service.get("command", []))


def test_every_variable_is_made_by_the_script(prepared: Path) -> None:
    asked = set(re.findall(r"\$\{([A-Z_]+)", (COMPOSE / "compose.yaml").read_text()))
    made = {line.split("=")[0] for line in (prepared / ".env").read_text().splitlines() if not line.startswith("#")}
    assert asked == made


def test_recorder_and_dashboard_take_their_options(plan: dict[str, Any]) -> None:
    recorder, dashboard = plan["services"]["recorder"], plan["services"]["web"]
    assert recorder["command"][0] == "record"
    told = arguments_of(record, recorder["command"][1:])
    assert (told.samples, told.records) == tuple(
        getattr(arguments_of(web, dashboard["command"][1:]), name) for name in ("samples", "records")
    )
    for option in (told.broker_ca, told.broker_certificate, told.broker_key):
        assert str(option).removeprefix("/run/secrets/") in recorder["secrets"]
    assert record.broker_address(told.broker) == ("broker", 8883)


def test_the_brokers_certificate_has_the_name_the_recorder_calls_it_by(prepared: Path) -> None:
    show = ["openssl", "x509", "-in", prepared / "certificates" / "broker.crt", "-noout", "-ext", "subjectAltName"]
    said = subprocess.run(show, capture_output=True, text=True, check=True).stdout
    assert "DNS:localhost, DNS:broker" in said


def test_running_the_script_again_changes_nothing(prepared: Path) -> None:
    before = {file: file.read_bytes() for file in prepared.rglob("*") if file.is_file()}
    subprocess.run([prepared / "prepare.sh", "localhost"], capture_output=True, check=True)
    assert {file: file.read_bytes() for file in prepared.rglob("*") if file.is_file()} == before


@pytest.mark.parametrize("words", [[], ["a", "b", "c"], ["a", "no zone!"]])
def test_the_script_says_what_it_wants(words: list[str], tmp_path: Path) -> None:
    script = shutil.copy(COMPOSE / "prepare.sh", tmp_path / "prepare.sh")
    done = subprocess.run([script, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "prepare.sh" in done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["prepare.sh"]


def test_the_image_takes_only_what_the_lock_names() -> None:
    text = (COMPOSE / "Dockerfile").read_text()
    assert "--require-hashes -r requirements-plant.lock" in text
    assert "USER asleft" in text
    for line in text.splitlines():
        if line.startswith("COPY"):
            for source in shlex.split(line)[1:-1]:
                assert (REPOSITORY / source).exists(), source


UNITS = sorted((COMPOSE / "systemd").glob("*.service"))


def plant_env(*, all_of_it: bool) -> dict[str, str]:
    """What the sample of plant.env sets; with `all_of_it` also what stands in it as a comment."""
    text = (COMPOSE / "systemd" / "plant.env").read_text()
    prefix = "(?:# )?" if all_of_it else ""
    return dict(re.findall(rf'^{prefix}(\w+)="?([^"\n]*)"?$', text, re.MULTILINE))


@pytest.mark.parametrize("options", ["none", "as shipped", "all"])
@pytest.mark.parametrize("unit", UNITS, ids=lambda file: file.name)
def test_service_units_start_programs_with_options_they_take(unit: Path, options: str) -> None:
    """$NAME is split at its blanks, and is nothing where it is not set: systemd.service(5)."""
    known = {} if options == "none" else plant_env(all_of_it=options == "all")
    line = re.search(r"^ExecStart=(.*)$", unit.read_text(), re.MULTILINE)[1]  # type: ignore[index]
    program, *words = shlex.split(re.sub(r"\$(\w+)", lambda name: known.get(name[1], ""), line))
    if Path(program).name == "asleft-agent":
        assert words == ["/etc/asleft/agent.toml"]
        return
    told = arguments_of({"record": record, "web": web, "notify": notify, "outlets": outlets}[words[0]], words[1:])
    assert str(told.data) == "/var/lib/asleft"
    if options == "all":
        assert told.records.startswith("postgresql://")


@pytest.mark.parametrize("unit", UNITS, ids=lambda file: file.name)
def test_service_units_have_as_few_rights_as_they_need(unit: Path) -> None:
    lines = unit.read_text().splitlines()
    for line in ("Type=notify", "Restart=always", "UMask=0077", "StateDirectoryMode=0700", "NoNewPrivileges=yes",
                 "CapabilityBoundingSet=", "ProtectSystem=strict", "ProtectHome=yes", "PrivateDevices=yes",
                 "RestrictNamespaces=yes", "SystemCallFilter=@system-service",
                 "WantedBy=multi-user.target"):  # fmt: skip
        assert line in lines, line
    assert any(line.startswith("WatchdogSec=") for line in lines)
    assert not any(line.startswith("User=root") for line in lines)


def test_the_agents_service_keeps_its_spool_where_it_may_write_and_gets_its_key_handed_over() -> None:
    lines = (COMPOSE / "systemd" / "asleft-agent.service").read_text().splitlines()
    assert {
        "DynamicUser=yes",
        "StateDirectory=asleft-agent",
        "LoadCredential=agent.key:/etc/asleft/agent.key",
    } <= set(lines)

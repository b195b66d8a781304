"""The operators' guide: its lines make a broker and a proxy that start, and what it quotes is really said."""

from __future__ import annotations

import os
import pwd
import re
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from plant_broker import COMPOSE, WAIT_S, free_port

GUIDE = (COMPOSE / "operating.md").read_text(encoding="utf-8")
REPOSITORY = COMPOSE.parent
OTHERS = {
    "certificate verify failed",  # OpenSSL
    "Failed at step EXEC",  # systemd
    "status=203",
    "refuses: Not authorized",  # our word, the broker's reason (MQTT 5, reason code 0x87)
    "clock-wrong",
}
"""Words of other programs, and of what is put together from two places."""


def blocks(part: str) -> list[str]:
    """What is typed in a part of the guide, block by block."""
    text = GUIDE[GUIDE.index(f"### {part}\n") :]
    return re.findall(r"```sh\n(.*?)```", text.split("\n### ")[0], re.DOTALL)


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The lines on certificates, broker and proxy, typed as they stand; only the places are the test's."""
    root = tmp_path_factory.mktemp("machine")
    for above in (root, *root.parents):  # the broker's own user has to get there; pytest's folders are their owner's
        if above.stat().st_uid == os.getuid() and not above.stat().st_mode & 0o001:
            above.chmod(above.stat().st_mode | 0o011)
    (root / "opt/asleft").mkdir(parents=True)
    (root / "etc/nginx").mkdir(parents=True)
    shutil.copytree(COMPOSE, root / "opt/asleft/compose", ignore=shutil.ignore_patterns("certificates", "secrets"))
    wanted = [block for block in blocks("Plant side") if "certificates.sh" in block or "plant.conf" in block
              or "nginx.conf" in block]  # fmt: skip
    assert len(wanted) == 3
    text = "cd /opt/asleft/compose\n" + "".join(wanted).replace("nginx -t\n", "")
    for place in ("/opt/", "/etc/"):
        text = re.sub(rf"(?<![\w/]){place}", f"{root}{place}", text)
    if os.getuid() != 0 or not _known("asleft"):  # this machine has no such user: the file stays ours
        text = text.replace(" -o asleft", "")
    if os.getuid() != 0:
        text = text.replace(" -g mosquitto", "")
    done = subprocess.run(["sh", "-eu"], input=text, text=True, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    return root


def _known(user: str) -> bool:
    try:
        pwd.getpwnam(user)
    except KeyError:
        return False
    return True


def program(name: str) -> str:
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    assert found, f"these tests need {name}"
    return found


def certificate_of(port: int, authority: Path, process: subprocess.Popen[bytes]) -> dict[str, object]:
    """What a TLS server on loopback shows, once it is there; its name and authority are checked."""
    context = ssl.create_default_context(cafile=authority)
    deadline = time.monotonic() + WAIT_S
    while True:
        try:
            with (
                socket.create_connection(("127.0.0.1", port), 5) as plain,
                context.wrap_socket(plain, server_hostname="plant.example") as secure,
            ):
                return dict(secure.getpeercert() or {})
        except ConnectionError:
            assert process.poll() is None, "it ended at once"
            assert time.monotonic() < deadline
            time.sleep(0.05)


@pytest.fixture
def started() -> Iterator[list[subprocess.Popen[bytes]]]:
    running: list[subprocess.Popen[bytes]] = []
    yield running
    for process in running:
        process.terminate()
        process.wait(WAIT_S)


def test_the_broker_starts_as_its_own_user_and_can_read_what_it_needs(
    followed: Path, started: list[subprocess.Popen[bytes]]
) -> None:
    config = followed / "etc/asleft/broker/plant.conf"
    port = free_port()
    text = config.read_text()
    assert "listener 8883\n" in text
    config.write_text(text.replace("listener 8883\n", f"listener {port} 127.0.0.1\n"))
    started.append(subprocess.Popen([program("mosquitto"), "-c", str(config)], stderr=subprocess.DEVNULL))
    shown = certificate_of(port, followed / "etc/asleft/ca.crt", started[0])
    assert ("DNS", "plant.example") in shown["subjectAltName"]  # type: ignore[operator]
    if os.getuid() == 0:
        owner = Path(f"/proc/{started[0].pid}").stat().st_uid
        assert pwd.getpwuid(owner).pw_name == "mosquitto"


def test_the_proxy_starts(followed: Path, started: list[subprocess.Popen[bytes]]) -> None:
    config = followed / "etc/nginx/nginx.conf"
    port = free_port()
    text = config.read_text()
    for old, new in (
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
        ("/run/nginx.pid", f"{followed}/nginx.pid"),
        ("/var/log/nginx/error.log", f"{followed}/error.log"),
        ("_path /tmp/", f"_path {followed}/"),
    ):
        assert old in text, f"the guide's line no longer makes {old!r}"
        text = text.replace(old, new)
    assert "proxy_pass http://127.0.0.1:8050;" in text
    config.write_text(text)
    started.append(subprocess.Popen([program("nginx"), "-c", str(config), "-g", "daemon off;"]))
    shown = certificate_of(port, followed / "etc/asleft/ca.crt", started[0])
    assert ("DNS", "plant.example") in shown["subjectAltName"]  # type: ignore[operator]


def test_every_key_is_for_whoever_uses_it_alone(followed: Path) -> None:
    keys = [*(followed / "etc/asleft").rglob("*.key")]
    assert {key.name for key in keys} == {"RECORDER.key", "broker.key", "web.key"}
    for key in keys:
        assert key.stat().st_mode & 0o007 == 0, key
        assert key.stat().st_mode & 0o222 == 0, key


def quoted() -> list[str]:
    """The lines and headlines of the guide's table."""
    part = GUIDE[GUIDE.index("## Troubleshooting") : GUIDE.index("## Release notes")]
    rows = [line.split(" | ")[0] for line in part.splitlines() if line.startswith("| `")]
    return [words for row in rows for words in re.findall(r"`([^`]+)`", row)]


def test_what_the_guide_quotes_is_what_is_said() -> None:
    said = "\n".join(
        file.read_text(encoding="utf-8")
        for folder in ("agent/asleft", "dashboard/asleft")
        for file in (REPOSITORY / folder).rglob("*.py")
    )
    said = re.sub(r'"\s*\n\s*f?"', "", said)  # sentences that go over two lines
    assert len(quoted()) > 25
    assert [words for words in quoted() if words not in said and words not in OTHERS] == []


def test_every_file_and_section_the_guide_leads_to_is_there() -> None:
    for target in re.findall(r"\]\(#([\w-]+)\)", GUIDE):
        headings = [re.sub(r"[^\w -]", "", line.lstrip("# ").lower()).replace(" ", "-")
                    for line in GUIDE.splitlines() if line.startswith("#")]  # fmt: skip
        assert target in headings, target
    assert "(operating.md)" in (COMPOSE / "README.md").read_text(encoding="utf-8")


def test_a_second_recorder_of_the_same_machine_shares_no_file_with_the_first(tmp_path: Path) -> None:
    _, text = blocks("A second recorder")
    for folder in ("etc/asleft", "etc/systemd/system"):
        (tmp_path / folder).mkdir(parents=True)
    shutil.copytree(COMPOSE / "systemd", tmp_path / "systemd")
    shutil.copy(COMPOSE / "systemd" / "plant.env", tmp_path / "etc/asleft")
    lines = [line for line in text.splitlines() if line.startswith(("sed ", "echo "))]
    assert len(lines) == 3
    typed = "\n".join(lines).replace(" -g asleft", "")
    typed = re.sub(r"(?<![\w/|])/etc/", f"{tmp_path}/etc/", typed)
    subprocess.run(["sh", "-eu"], input=typed, text=True, cwd=tmp_path, check=True)
    unit = (tmp_path / "etc/systemd/system/asleft-record-2.service").read_text(encoding="utf-8")
    assert "--data /var/lib/asleft-2 " in unit
    assert "\nStateDirectory=asleft-2\n" in unit
    assert "/etc/asleft/plant-2.env\n" in unit
    options = (tmp_path / "etc/asleft/plant-2.env").read_text(encoding="utf-8")
    assert "--broker-certificate /etc/asleft/RECORDER-2.crt --broker-key /etc/asleft/RECORDER-2.key" in options
    assert [line for line in options.splitlines() if line.startswith("ASLEFT_RECORD=")] == [
        'ASLEFT_RECORD="--client-id RECORDER-2"'
    ]
    assert "/var/lib/asleft " not in unit

"""The Debian package of the agent: what is in it, and that a bare Debian takes it and runs it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / ".ci"))
import deb  # noqa: E402 - beside the other scripts of a release, not a package

SETTINGS = """\
agent = "hall-7"
[[instrument]]
family = "modbus-tcp"
host = "127.0.0.1"
[[instrument.valve]]
id = "press-7.platen"
channel = [{ name = "current", unit = "A", register = 3, counts = [0, 4095], values = [0, 2.0] }]
"""


def test_the_package_holds_what_an_edge_box_needs_with_hashes_and_nothing_of_the_plant_side():
    names = deb.needed("asleft")
    assert {"numpy", "paho-mqtt", "pymodbus", "protobuf", "pyserial", "prometheus-client"} <= set(names)
    assert not {"dash", "pandas", "sqlalchemy", "pytest"} & set(names)
    lock = deb.part_of_lock((ROOT / "requirements.lock").read_text("utf-8"), names)
    locked = {line.split("==")[0] for line in lock.splitlines() if "==" in line}
    assert locked == set(names)
    assert lock.count("--hash=sha256:") >= len(names)


def test_the_service_of_the_package_finds_its_programs_where_the_package_puts_them():
    unit = (ROOT / "compose/systemd/asleft-agent.service").read_text("utf-8")
    programs = {match[1] for match in re.finditer(r"Exec(?:Start|StartPre)=-?(\S+)", unit)}
    assert programs == {f"/{deb.VENV}/bin/asleft-agent"}


@pytest.mark.timeout(1800)
def test_a_bare_debian_takes_it_checks_settings_and_gives_it_back(tmp_path):
    if not os.environ.get("ASLEFT_LONG"):
        pytest.skip("installs a whole Debian: make test-long does")
    if os.geteuid() != 0 or shutil.which("debootstrap") is None:
        pytest.skip("needs root and the Debian package debootstrap")
    package = deb.build(tmp_path / "build")
    root = tmp_path / "root"
    codename = re.search(r"VERSION_CODENAME=(\w+)", Path("/etc/os-release").read_text("utf-8"))
    assert codename is not None
    # apt's own first source, so that what the machine may reach is what is asked.
    sources = subprocess.run(
        ["apt-get", "indextargets", "--format", "$(SITE)"], capture_output=True, text=True, check=True
    ).stdout.split()
    command = ["debootstrap", "--variant=minbase", "--include=python3", codename[1], str(root), sources[0]]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    shutil.copy(package, root / "agent.deb")

    def inside(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(["chroot", str(root), *words], capture_output=True, text=True, check=False)

    installed = inside("dpkg", "-i", "/agent.deb")
    assert installed.returncode == 0, installed.stderr
    (root / "etc/asleft/agent.toml").write_text(SETTINGS)
    checked = inside("asleft-agent", "/etc/asleft/agent.toml", "--check")
    assert checked.returncode == 0, checked.stderr
    assert "good. Agent hall-7, 1 instruments, 1 valves, 100 Hz. Settings " in checked.stdout
    once = inside("asleft-agent", "/etc/asleft/agent.toml", "--once")
    assert (once.returncode, "1 readings failed." in once.stdout) == (1, True), once.stdout + once.stderr
    assert inside("dpkg", "--verify", "asleft-agent").stdout == ""
    removed = inside("dpkg", "--remove", "asleft-agent")
    assert removed.returncode == 0, removed.stderr
    assert not (root / "opt/asleft/venv/bin").exists()
    assert (root / "etc/asleft/agent.toml").read_text() == SETTINGS, "settings are the plant's"

"""A Debian package of the agent, for images of edge boxes: `python .ci/deb.py build` (or `make deb`).

Everything lies in /opt/asleft/venv, as the operators' guide lays it out by hand, made with Debian's own Python from
the hashes of requirements.lock; only what an edge box needs is in it. The service is there and not enabled: a box has
no settings yet. Needs dpkg-deb and /usr/bin/python3 3.11 or newer, on a machine of the boxes' own architecture.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import distribution
from pathlib import Path

ROOT = Path(__file__).parent.parent
PYTHON = Path("/usr/bin/python3")
VENV = Path("opt/asleft/venv")
CONTROL = """\
Package: asleft-agent
Version: {version}
Architecture: {architecture}
Maintainer: The Asleft authors <asleft@invalid.invalid>
Installed-Size: {kilobytes}
Depends: python3 (>= {python}), python3 (<< {next_python})
Section: misc
Priority: optional
Description: reads the drivers of proportional valves on a hydraulic press
 Samples command, coil current and pressure and sends them over MQTT to the plant side, keeping them on disk until
 they are stored there. It only reads the machine and is no safety device.
"""
AFTER_INSTALL = """\
#!/bin/sh
set -e
if [ -d /run/systemd/system ]; then
    systemctl daemon-reload
    # It goes on with the older programs until somebody starts it anew, when it suits the shift.
    if systemctl is-active --quiet asleft-agent; then echo "now: systemctl restart asleft-agent"; fi
fi
"""
BEFORE_REMOVAL = """\
#!/bin/sh
set -e
if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
    systemctl disable --now asleft-agent || true
fi
"""


def needed(name: str, found: dict[str, None] | None = None) -> list[str]:
    """Names of all distributions that a distribution needs without any of its extras, as the lock writes them."""
    found = {} if found is None else found
    for text in distribution(name).requires or []:
        requirement, _, marker = text.partition(";")
        if "extra ==" in marker or "extra==" in marker:
            continue
        one = re.split(r"[^A-Za-z0-9._-]", requirement.strip(), maxsplit=1)[0].lower().replace("_", "-")
        if one not in found:
            found[one] = None
            try:
                needed(one, found)
            except ModuleNotFoundError:  # for another system or Python; pip refuses what is missing here
                del found[one]
    return sorted(found)


def part_of_lock(lock: str, names: list[str]) -> str:
    """The entries of a lock that are called so, with their hashes."""
    entries = re.split(r"(?m)^(?=[A-Za-z0-9])", lock)
    return "".join(entry for entry in entries if re.split(r"[=\s]", entry, maxsplit=1)[0].lower() in names)


def build(folder: Path) -> Path:
    """Make the package in a folder; its file. Raises `subprocess.CalledProcessError` if a step fails."""
    stage = folder / "deb"
    shutil.rmtree(stage, ignore_errors=True)
    stage.mkdir(parents=True)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lock = folder / "agent.lock"
    lock.write_text(part_of_lock((ROOT / "requirements.lock").read_text("utf-8"), needed("asleft")), "utf-8")
    venv = stage / VENV
    run(PYTHON, "-m", "venv", "--without-pip", venv)
    pip = (sys.executable, "-m", "pip", "--python", venv / "bin/python", "install", "--quiet", "--no-compile")
    run(*pip, "--disable-pip-version-check", "--require-hashes", "--only-binary", ":all:", "-r", lock)
    wheels = folder / "wheels"
    shutil.rmtree(wheels, ignore_errors=True)
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", wheels, ROOT, quiet=True)
    run(*pip, "--disable-pip-version-check", "--no-deps", *wheels.glob("*.whl"))
    (venv / "bin/asleft").unlink()  # the plant side's; its parts are not here
    for script in (venv / "bin").iterdir():
        if not script.is_symlink() and b"\0" not in script.read_bytes():
            script.write_text(script.read_text("utf-8").replace(str(venv), f"/{VENV}"), "utf-8")
    (venv / "pyvenv.cfg").write_text("home = /usr/bin\ninclude-system-site-packages = false\n", "utf-8")
    run(PYTHON, "-m", "compileall", "-q", "-s", stage, "-p", "/", venv / "lib")
    beside(stage)
    version = run(PYTHON, "-c", "import sys; print(*sys.version_info[:2], sep='.')").strip()
    major, minor = version.split(".")
    control = stage / "DEBIAN"
    control.mkdir()
    (control / "control").write_text(
        CONTROL.format(
            version=project["version"],
            architecture=run("dpkg", "--print-architecture").strip(),
            kilobytes=sum(f.lstat().st_size for f in stage.rglob("*") if f.is_file()) // 1024,
            python=version,
            next_python=f"{major}.{int(minor) + 1}",
        ),
        "utf-8",
    )
    for name, text in (("postinst", AFTER_INSTALL), ("prerm", BEFORE_REMOVAL)):
        (control / name).write_text(text, "utf-8")
        (control / name).chmod(0o755)
    run("dpkg-deb", "--root-owner-group", "--build", stage, folder, quiet=True)
    return max(folder.glob("asleft-agent_*.deb"), key=lambda file: file.stat().st_mtime)


def beside(stage: Path) -> None:
    """What lies outside of the programs: service, command, an example of settings, licence."""
    for source, target in (
        ("compose/systemd/asleft-agent.service", "lib/systemd/system/asleft-agent.service"),
        ("compose/agent.toml", "usr/share/doc/asleft-agent/agent.toml"),
        ("agent/README.md", "usr/share/doc/asleft-agent/README.md"),
        ("LICENSE", "usr/share/doc/asleft-agent/copyright"),
    ):
        (stage / target).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / source, stage / target)
    (stage / "etc/asleft").mkdir(parents=True)
    (stage / "usr/bin").mkdir(parents=True)
    (stage / "usr/bin/asleft-agent").symlink_to(f"/{VENV}/bin/asleft-agent")
    for folder, folders, files in os.walk(stage):
        for name in (*folders, *files):
            path = Path(folder) / name
            if not path.is_symlink():
                path.chmod(0o755 if path.is_dir() or os.access(path, os.X_OK) else 0o644)


def run(*command: object, quiet: bool = False) -> str:
    """What a command writes; `quiet` keeps its complaints too. Raises `subprocess.CalledProcessError`."""
    return subprocess.run(
        [str(part) for part in command],
        check=True,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL if quiet else None,
    ).stdout


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="where the package is made")
    sys.stdout.write(f"{build(parser.parse_args().folder.resolve())}\n")
